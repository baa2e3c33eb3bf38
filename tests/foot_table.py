"""README's table of the foot switch, held to the one the bench goes by."""

import re

from rules.foot_switch import as_markdown

_BLOCK = re.compile(r"<!-- foot-switch table -->\n(?P<table>.*?)<!-- end -->\n", re.DOTALL)


def assert_table_is_the_codes(readme: str) -> None:
    """Fail unless the text has the table exactly once, word for word."""
    found = [match["table"] for match in _BLOCK.finditer(readme)]
    assert found == [as_markdown()], "paste rules.foot_switch.as_markdown() between the markers"
