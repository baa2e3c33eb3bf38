"""README's bounds under faults are those that the tests hold lamps and board to."""

import re

from tests.make_readme import README
from tests.system import test_board_truth_in_chromium as board
from tests.system import test_lamp_program as lamp

_ROW = re.compile(
    r"^\| the (service|broker) (is (?:stopped or )?killed|hangs)[^|]*"
    r"\| ([0-9]+) s [^|]*\| ([0-9]+) s",
    re.MULTILINE,
)


def test_the_bounds_of_the_readme_are_those_of_the_tests() -> None:
    rows = _ROW.finditer(README.read_text(encoding="utf-8"))
    found = {(m[1], m[2]): (float(m[3]), float(m[4])) for m in rows}
    dark_s = lamp.DARK_AFTER_S
    assert found == {
        ("service", "is killed"): (dark_s, board.OFFLINE_S),
        ("service", "hangs"): (dark_s, board.STALE_S),
        ("broker", "is stopped or killed"): (dark_s, board.NO_BROKER_S),
        ("broker", "hangs"): (dark_s, board.STALE_S),
    }
