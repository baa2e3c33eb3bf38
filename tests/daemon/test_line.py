"""A line's bytes and modem lines become events of benches."""

from collections.abc import Sequence
from dataclasses import replace

import pytest

from daemon.config import LineConfig
from daemon.config_sections import LineSection
from daemon.line import LineDecoder, Routed, Seat
from daemon.modem_lines import NOT_TOLD, ModemDoubt, ModemEdge, ModemLine
from daemon.no_driver import NO_DRIVER
from daemon.registry import FoundDriver
from drivers import LineSettings, ascii_line, modbus_rtu
from rules.capture_model import Edge, LineBack, LineLost, Seen, Signal
from rules.debounce import HELD_AT_START, HELD_TOO_LONG, UNSTEADY
from rules.line_events import SignalFault
from rules.reading import Reading
from simulators.modbus_rtu import ModbusRtuResponder
from simulators.uart import through_the_wire

S = 1_000_000_000
MM = {"unit": {"mm": "mm"}, "decimals": 4, "digits": 7}
CHANNELS = {**MM, "pattern": "{channel} {value} {unit}", "channels": ["A", "B"]}
FLAGS = {
    **MM,
    "flags": {"-": [], "I": "index", "F": "foot"},
    "pattern": "{value} {unit}{flags}",
}
ASCII = FoundDriver("ascii-line", ascii_line.make, "", "1")
GOOD = b"+000.0041 mm\r\n"

HERE = Seat("I-1", "", "b1")


def decoder(
    options: dict[str, object],
    seats: Sequence[Seat] = (HERE,),
    signals: dict[ModemLine, Signal] | None = None,
    wired: frozenset[tuple[str, Signal]] = frozenset(),
    signals_of: str | None = None,
    driver: FoundDriver = ASCII,
) -> LineDecoder:
    section = LineSection.model_validate(
        {
            "id": "usb1", "port": "/dev/x", "driver": driver.name, "options": options,
            "signals": signals or {},
        }
    )  # fmt: skip
    config = LineConfig(section, driver, 1.5, signals_of)
    return LineDecoder(config, seats, wired)


def lost(events: Sequence[Routed]) -> list[tuple[str, str]]:
    return [(e.indicator, e.reason) for _, e in events if isinstance(e, LineLost)]


# --- several indicators on one line ---------------------------------------------------------


def test_each_channel_of_a_line_reaches_its_own_bench() -> None:
    line = decoder(CHANNELS, [Seat("I-1", "A", "b1"), Seat("I-2", "B", "b2")])
    events = line.chunk(S, b"A +000.0041 mm\r\nB -000.0007 mm\r\n")
    seen = [(bench, e.indicator, e.reading.value_nm) for bench, e in events
            if isinstance(e, Seen)]  # fmt: skip
    assert seen == [("b1", "I-1", 4100), ("b2", "I-2", -700)]


def test_each_unit_id_of_a_modbus_line_reaches_its_own_indicator() -> None:
    options: dict[str, object] = {
        "unit_id": [1, 7], "function": 4, "address": 0, "address_base": 0, "format": "int16",
        "unit": "um", "scale": 0.1,
    }  # fmt: skip
    found = FoundDriver("modbus-rtu", modbus_rtu.make, "", "1")
    line = decoder(options, [Seat("I-1", "1", "b1"), Seat("I-7", "7", "b1")], driver=found)
    units = ModbusRtuResponder(options)
    events: list[Routed] = []
    for number in range(4):
        request = line.driver.next_request()
        assert request is not None
        answer = units.respond(
            request, lambda channel: Reading({"1": 4100, "7": -700}[channel], "mm")
        )
        events += line.chunk((number + 1) * S, answer)
    seen = [(e.indicator, e.reading.value_nm) for _, e in events if isinstance(e, Seen)]
    assert seen == [("I-1", 4100), ("I-7", -700)] * 2


def test_one_of_two_indicators_falls_silent_and_only_that_one_is_lost() -> None:
    line = decoder(CHANNELS, [Seat("I-1", "A", "b1"), Seat("I-2", "B", "b2")])
    line.chunk(S, b"A +000.0041 mm\r\nB -000.0007 mm\r\n")
    line.chunk(3 * S, b"A +000.0041 mm\r\n")
    assert line.silent(2 * S, 3 * S // 2) == []
    events = line.silent(3 * S, 3 * S // 2)
    assert events == [
        ("b2", LineLost("I-2", 3 * S, "line usb1: no reading of channel B any more"))
    ]
    assert line.silent(4 * S, 3 * S // 2) == []
    back = line.chunk(4 * S, b"B -000.0007 mm\r\n")
    assert back[0] == ("b2", LineBack("I-2", back[0][1].at_ns))
    assert not any(isinstance(event, LineBack) for _, event in back[1:])


def test_an_indicator_that_never_speaks_while_the_other_does_is_lost() -> None:
    line = decoder(CHANNELS, [Seat("I-1", "A", "b1"), Seat("I-2", "B", "b2")])
    line.opened(0)
    for second in range(1, 5):
        line.chunk(second * S, b"A +000.0041 mm\r\n")
    assert lost(line.silent(4 * S, 3 * S // 2)) == [
        ("I-2", "line usb1: no reading of channel B any more")
    ]


def test_a_line_on_which_nothing_ever_came_is_not_lost_but_awaited() -> None:
    line = decoder(MM)
    line.opened(0)
    assert line.silent(3600 * S, S) == []


def test_a_stranger_is_counted_and_belongs_to_nobody() -> None:
    line = decoder(CHANNELS, [Seat("I-1", "A", "b1")])
    assert line.chunk(S, b"B -000.0007 mm\r\n") == []
    assert line.strangers == 1


# --- framing ----------------------------------------------------------------------------------

STREAM = b"".join(b"%+09.4f mm\r\n" % (0.0007 * n) for n in range(-15, 15))


SETTINGS = {
    "8N1": LineSettings(9600, 8, "N", 1),
    "8E1": LineSettings(9600, 8, "E", 1),
    "8O1": LineSettings(9600, 8, "O", 1),
    "8N2": LineSettings(9600, 8, "N", 2),
    "7E1": LineSettings(9600, 7, "E", 1),
    "7O1": LineSettings(9600, 7, "O", 1),
    "7N2": LineSettings(9600, 7, "N", 2),
    "7E2": LineSettings(9600, 7, "E", 2),
}


def misread(sent: str, asked: str) -> bytes:
    return through_the_wire(STREAM, SETTINGS[sent], SETTINGS[asked])


@pytest.mark.parametrize("framing", ["7E1", "7O1"])
def test_seven_bits_read_as_eight_are_told_as_that_within_a_few_frames(framing: str) -> None:
    line = decoder(MM)
    line.opened(0)
    events = line.chunk(S, misread(framing, "8N1"))
    assert lost(events) == [
        (
            "I-1",
            f"line usb1 looks like {framing} read as 8N1: "
            f'set framing = "{framing}" in the bench file',
        )
    ]
    assert not any(isinstance(event, Seen) for _, event in events)


def test_the_wrong_framing_is_told_even_where_the_port_was_lost_before() -> None:
    line = decoder(MM)
    line.lost(S, "/dev/x is gone")
    line.opened(2 * S)
    assert "looks like 7E1" in lost(line.chunk(3 * S, misread("7E1", "8N1")))[0][1]
    assert line.lost(4 * S, "/dev/x is gone") == []


def test_the_right_framing_brings_the_indicator_back() -> None:
    line = decoder(MM)
    line.chunk(S, misread("7E1", "8N1"))
    line.opened(2 * S)
    events = line.chunk(3 * S, misread("7E1", "7E1"))
    assert [type(event) for _, event in events[:2]] == [LineBack, Seen]


def test_the_right_framing_is_never_told_as_wrong() -> None:
    for framing in SETTINGS:
        line = decoder(MM)
        assert lost(line.chunk(S, misread(framing, framing))) == [], framing
        assert line.bad_frames == 0, framing


def test_bad_frames_and_no_reading_are_a_silent_indicator_with_the_reason() -> None:
    line = decoder(MM)
    line.opened(0)
    for tenth in range(1, 31):
        line.chunk(tenth * S // 10, b"+000,0041 mm\r\n")
    assert lost(line.silent(3 * S, 3 * S // 2)) == [
        (
            "I-1",
            "line usb1: 30 bad frames and no reading: "
            "decimal comma where decimal point is expected",
        )
    ]


def test_a_bad_frame_between_good_ones_loses_nobody() -> None:
    line = decoder(MM)
    for tenth in range(1, 100):
        line.chunk(tenth * S // 10, GOOD if tenth % 2 else b"+000.0O41 mm\r\n")
        assert line.silent(tenth * S // 10, 3 * S // 2) == []
    assert line.bad_frames == 49


# --- flags and modem lines --------------------------------------------------------------------


def test_flags_of_a_frame_become_edges() -> None:
    line = decoder(FLAGS)
    events = line.chunk(S, b"+000.0041 mm-\r\n+000.0041 mmI\r\n+000.0041 mm-\r\n")
    edges = [(e.signal, e.is_on) for _, e in events if isinstance(e, Edge)]
    assert edges == [("index", True), ("index", False)]


def test_a_wired_signal_is_not_told_again_by_flags() -> None:
    line = decoder(FLAGS, wired=frozenset({("b1", "index")}))
    events = line.chunk(S, b"+000.0041 mmI\r\n+000.0041 mmF\r\n+000.0041 mm-\r\n")
    edges = [(e.signal, e.is_on) for _, e in events if isinstance(e, Edge)]
    assert edges == [("foot", True), ("foot", False)]


def test_an_edge_of_a_modem_line_keeps_its_own_time() -> None:
    line = decoder(MM, signals={"cts": "foot", "dsr": "index"}, signals_of="b1")
    event = ModemEdge(at_ns=5 * S, line="dsr", is_on=True, since_ns=5 * S - 30_000_000)
    assert line.modem(event) == [("b1", Edge("index", True, 5 * S - 30_000_000))]
    assert line.modem(replace(event, line="ri")) == []


@pytest.mark.parametrize("why", [HELD_AT_START, HELD_TOO_LONG, UNSTEADY, NOT_TOLD])
def test_a_doubted_modem_line_says_what_and_what_to_do(why: str) -> None:
    line = decoder(MM, signals={"cts": "foot"}, signals_of="b1")
    ((bench, fault),) = line.modem(ModemDoubt(S, "cts", why))
    assert bench == "b1"
    assert isinstance(fault, SignalFault)
    assert fault.text.startswith(f"cts of line usb1 {why}: ")
    assert line.modem(ModemDoubt(2 * S, "cts", "")) == [("b1", SignalFault("foot", "", 2 * S))]


def test_a_reopened_port_is_believed_until_it_says_otherwise() -> None:
    line = decoder(MM, signals={"cts": "foot"}, signals_of="b1")
    line.modem(ModemDoubt(S, "cts", HELD_AT_START))
    line.lost(2 * S, "gone")
    assert line.opened(3 * S) == [("b1", SignalFault("foot", "", 3 * S))]
    assert line.opened(4 * S) == []


def test_signals_of_a_mute_line_are_no_matter_of_their_own_until_it_speaks() -> None:
    """A plug that was pulled takes indicator and contacts with it: one cause, one alarm."""
    line = decoder(MM, signals={"cts": "foot"}, signals_of="b1")
    line.chunk(S, b"+000.0010 mm\r\n")
    (lost,) = line.silent(4 * S, S)
    assert isinstance(lost[1], LineLost)
    assert line.modem(ModemDoubt(40 * S, "cts", HELD_TOO_LONG)) == []
    back = [event for _, event in line.chunk(50 * S, b"+000.0010 mm\r\n")]
    assert [type(event) for event in back] == [LineBack, SignalFault, Seen]
    fault = back[1]
    assert isinstance(fault, SignalFault)
    assert HELD_TOO_LONG in fault.text
    again = [event for _, event in line.silent(60 * S, S)]
    assert again[1:] == [SignalFault("foot", "", 60 * S)]


def test_a_lost_line_of_signals_only_is_told_once_and_ends_with_the_next_opening() -> None:
    line = decoder({}, [], {"cts": "foot", "dsr": "index"}, signals_of="b1", driver=NO_DRIVER)
    told = line.lost(S, "/dev/x is gone")
    assert told == [
        ("b1", SignalFault("foot", "line usb1: /dev/x is gone", S)),
        ("b1", SignalFault("index", "line usb1: /dev/x is gone", S)),
    ]
    assert line.lost(2 * S, "/dev/x is not there") == []
    assert line.opened(3 * S) == [
        ("b1", SignalFault("foot", "", 3 * S)),
        ("b1", SignalFault("index", "", 3 * S)),
    ]


def test_signals_of_the_benchs_own_indicator_line_go_with_the_indicator() -> None:
    line = decoder(MM, signals={"cts": "foot"}, signals_of="b1")
    assert line.lost(S, "gone") == [("b1", LineLost("I-1", S, "gone"))]


def test_signals_on_another_benchs_line_are_told_beside_the_lost_indicator() -> None:
    line = decoder(MM, signals={"cts": "foot"}, signals_of="b2")
    assert line.lost(S, "gone") == [
        ("b1", LineLost("I-1", S, "gone")),
        ("b2", SignalFault("foot", "line usb1: gone", S)),
    ]


def test_bytes_on_a_line_without_an_indicator_are_nobodys_frames() -> None:
    line = decoder({}, [], {"cts": "foot"}, signals_of="b1", driver=NO_DRIVER)
    assert line.chunk(S, b"\x00\xffnoise" * 100) == []
    assert line.silent(100 * S, S) == []
