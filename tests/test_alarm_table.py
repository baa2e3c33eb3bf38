"""README's table of the alarms is the one the bench goes by."""

import re

from rules.alarm_list import as_markdown
from tests.make_readme import README

_BLOCK = re.compile(r"<!-- alarm table -->\n(?P<table>.*?)<!-- end -->\n", re.DOTALL)


def test_the_readme_prints_the_alarm_table_of_the_code() -> None:
    found = [match["table"] for match in _BLOCK.finditer(README.read_text(encoding="utf-8"))]
    assert found == [as_markdown()], "paste rules.alarm_list.as_markdown() between the markers"
