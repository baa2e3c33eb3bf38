"""Modem lines of a port, polled."""

from dataclasses import dataclass

from daemon.modem_lines import MODEM_LINES, NOT_TOLD, ModemDoubt, ModemEdge, ModemLines
from rules.debounce import ContactRules

MS = 1_000_000


@dataclass
class Levels:
    """A port's modem lines, set by the test; None: the port does not tell."""

    cts_level: bool | None = False
    dsr_level: bool | None = False
    cd_level: bool | None = False
    ri_level: bool | None = False
    asked: int = 0

    def _told(self, level: bool | None) -> bool:
        self.asked += 1
        if level is None:
            raise OSError("not told")
        return level

    @property
    def cts(self) -> bool:
        return self._told(self.cts_level)

    @property
    def dsr(self) -> bool:
        return self._told(self.dsr_level)

    @property
    def cd(self) -> bool:
        return self._told(self.cd_level)

    @property
    def ri(self) -> bool:
        return self._told(self.ri_level)


def polled(
    lines: ModemLines, port: Levels, from_ms: int, until_ms: int
) -> list[ModemEdge | ModemDoubt]:
    return [event for at in range(from_ms, until_ms, 5) for event in lines.poll(port, at * MS)]


def test_each_of_the_four_lines_tells_its_own_edges() -> None:
    for line, attribute in zip(MODEM_LINES, ("cts", "dsr", "cd", "ri"), strict=True):
        port = Levels()
        lines = ModemLines({known: ContactRules() for known in MODEM_LINES})
        assert polled(lines, port, 0, 1100) == []
        setattr(port, f"{attribute}_level", True)
        told = polled(lines, port, 1100, 1300)
        assert told == [ModemEdge(1130 * MS, line, True, 1100 * MS)]


def test_a_line_that_idles_on_is_a_contact_that_opens_it() -> None:
    port = Levels(cts_level=True)
    lines = ModemLines({"cts": ContactRules()}, frozenset({"cts"}))
    assert polled(lines, port, 0, 1100) == []
    port.cts_level = False
    assert polled(lines, port, 1100, 1300) == [ModemEdge(1130 * MS, "cts", True, 1100 * MS)]


def test_only_the_lines_that_say_something_are_looked_at() -> None:
    port = Levels(cts_level=None, cd_level=None, ri_level=None)
    lines = ModemLines({"dsr": ContactRules()})
    polled(lines, port, 0, 100)
    assert port.asked == 20


def test_a_port_that_tells_no_line_is_doubted_once_after_the_first_second() -> None:
    port = Levels(cts_level=None)
    lines = ModemLines({"cts": ContactRules()})
    assert polled(lines, port, 0, 5000) == [ModemDoubt(1000 * MS, "cts", NOT_TOLD)]


def test_a_far_end_that_tells_late_is_believed_from_then_on_and_has_no_first_edge() -> None:
    port = Levels(cts_level=None)
    lines = ModemLines({"cts": ContactRules()})
    polled(lines, port, 0, 2000)
    port.cts_level = False
    assert polled(lines, port, 2000, 3100) == [ModemDoubt(2000 * MS, "cts", "")]
    port.cts_level = True
    assert polled(lines, port, 3100, 3300) == [ModemEdge(3130 * MS, "cts", True, 3100 * MS)]


def test_a_far_end_that_tells_within_the_first_second_was_never_in_doubt() -> None:
    port = Levels(cts_level=None)
    lines = ModemLines({"cts": ContactRules()})
    assert polled(lines, port, 0, 500) == []
    port.cts_level = False
    assert polled(lines, port, 500, 3000) == []


def test_a_reopened_port_starts_with_its_first_second_again() -> None:
    port = Levels()
    lines = ModemLines({"cts": ContactRules()})
    polled(lines, port, 0, 1100)
    lines.opened()
    port.cts_level = True
    told = polled(lines, port, 5000, 6100)
    assert [type(event) for event in told] == [ModemDoubt]
