"""README says of the foot switch what the code does."""

import pytest

from rules.foot_switch import as_markdown
from tests.foot_table import assert_table_is_the_codes
from tests.make_readme import README


def test_the_readme_prints_the_foot_switch_table_of_the_code() -> None:
    assert_table_is_the_codes(README.read_text(encoding="utf-8"))


@pytest.mark.parametrize(
    "text",
    [
        pytest.param("", id="no table"),
        pytest.param("<!-- foot-switch table -->\n<!-- end -->\n", id="empty"),
        pytest.param(
            f"<!-- foot-switch table -->\n{as_markdown()[:-2]}\n<!-- end -->\n", id="one letter"
        ),
        pytest.param(
            f"<!-- foot-switch table -->\n{as_markdown()}<!-- end -->\n" * 2, id="twice"
        ),
    ],
)
def test_any_other_table_is_refused(text: str) -> None:
    with pytest.raises(AssertionError):
        assert_table_is_the_codes(text)
