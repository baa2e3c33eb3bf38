"""What each master check says of each fault, row by row; README quotes the same table."""

import pytest

from tests.make_readme import README, tables_refreshed
from tests.rules.master_faults import ROWS, Row, checked


def test_each_check_finds_of_each_fault_what_the_table_says() -> None:
    found = {row.name: tuple(check.result for check in checked(row)) for row in ROWS}
    assert found == {
        row.name: (row.run_out, row.sensitivity, row.by_tir, row.finished, row.static)
        for row in ROWS
    }


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.name)
def test_every_check_that_is_not_good_says_why_and_what_to_do(row: Row) -> None:
    for check in checked(row):
        assert check.reason
        assert bool(check.what_to_do) == (check.result != "good")


def test_the_readme_has_the_table_as_it_is_today() -> None:
    text = README.read_text(encoding="utf-8")
    assert "<!-- table: master-faults -->" in text
    assert tables_refreshed(text) == text, "run: python -m tests.make_readme"
