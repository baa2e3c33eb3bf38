"""Signals on modem lines in a bench file: what is accepted, what is refused, whose they are."""

from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

import pytest

from daemon.bench import provenance
from daemon.config import Config, load
from daemon.config_sections import LineSection
from daemon.errors import ConfigError
from daemon.line_runner import contacts_of
from daemon.no_driver import NO_DRIVER, make
from daemon.wiring import decoders
from drivers import OptionError

Make = Callable[..., Path]

S = 1_000_000_000
B1 = 'port = "b1.port"'
SIGNALS_ONLY = '\n[[line]]\nid = "usb3"\nport = "foot.port"\n'
END_OF_B2_LINE = 'terminator = "CR" }\n'


def after_lines(text: str) -> tuple[str, str]:
    return (END_OF_B2_LINE, END_OF_B2_LINE + text)


def fault(make_file: Make, *replacements: tuple[str, str]) -> str:
    path = make_file(*replacements)
    with pytest.raises(ConfigError) as caught:
        load(path)
    assert len(caught.value.faults) == 1, caught.value.faults
    return caught.value.faults[0].removeprefix(f"{path}: ")


def loaded(make_file: Make, *replacements: tuple[str, str]) -> Config:
    return load(make_file(*replacements))


ROWS = {
    "a modem line nobody has": (
        (B1, f'{B1}\nsignals = {{ dtr = "foot" }}'),
        "line.0.signals.dtr.[key]: got 'dtr'; Input should be 'cts', 'dsr', 'dcd' or 'ri'",
    ),
    "a signal nobody knows": (
        (B1, f'{B1}\nsignals = {{ cts = "hand" }}'),
        "line.0.signals.cts: got 'hand'; "
        "Input should be 'index', 'foot', 'torque', 'run' or 'index-2'",
    ),
    "one signal on two contacts of a line": (
        (B1, f'{B1}\nsignals = {{ cts = "index", dsr = "index" }}'),
        "line.0.signals.dsr: 'index' of bench 'b1' comes from line.0.signals.cts as well; "
        "accepted is one contact a signal",
    ),
    "a socket, which says on for every line": (
        (B1, 'port = "socket://127.0.0.1:4000"\nsignals = { cts = "foot" }'),
        "line.0.signals: 'socket://127.0.0.1:4000' has no modem lines; accepted are a serial "
        "port and rfc2217://",
    ),
    "neither driver nor signals": (
        after_lines(SIGNALS_ONLY),
        "line.2.driver: missing; accepted is a driver, or signals on a line without an "
        "indicator",
    ),
    "signals of nobody": (
        after_lines(f'{SIGNALS_ONLY}signals = {{ cts = "foot" }}\n'),
        "line.2.bench: missing; it says whose signals these are, accepted are b1, b2",
    ),
    "signals of a bench that is not there": (
        after_lines(f'{SIGNALS_ONLY}signals = {{ cts = "foot" }}\nbench = "b9"\n'),
        "line.2.bench: no bench 'b9'; accepted are b1, b2",
    ),
    "a bench without signals": (
        (B1, f'{B1}\nbench = "b1"'),
        "line.0.bench: the line has no signals; accepted is bench beside signals only",
    ),
    "a line that idles on and says nothing": (
        (B1, f'{B1}\nsignals = {{ cts = "foot" }}\nidle_on = ["dsr"]'),
        "line.0.idle_on: 'dsr' is no key of signals; accepted are cts",
    ),
    "a level that need not last": (
        (B1, f'{B1}\nsignals = {{ cts = "foot" }}\ndebounce_s = 0.001'),
        "line.0.debounce_s: got 0.001; Input should be greater than or equal to 0.005",
    ),
    "a long press longer than a held switch": (
        ('id = "b1"\ntitle', 'id = "b1"\nfoot_switch = { long_press_s = 3 }\ntitle'),
        "bench.0.foot_switch.long_press_s: got 3; Input should be less than or equal to 2.5",
    ),
    "options that nothing heeds": (
        after_lines(
            f'{SIGNALS_ONLY}bench = "b1"\nsignals = {{ cts = "foot" }}\n'
            "options = { decimals = 4 }\n"
        ),
        "line.2.options: there is no driver to heed them; accepted is a driver",
    ),
}


@pytest.mark.parametrize("name", ROWS)
def test_a_fault_is_told_with_key_and_what_is_accepted(bench_folder: Make, name: str) -> None:
    replacement, expected = ROWS[name]
    assert fault(bench_folder, replacement) == expected


def test_an_indicator_needs_a_line_with_a_driver(bench_folder: Make) -> None:
    told = fault(
        bench_folder,
        after_lines(f'{SIGNALS_ONLY}bench = "b1"\nsignals = {{ cts = "foot" }}\n'),
        ('id = "IND-34"\nline = "usb2"', 'id = "IND-34"\nline = "usb3"'),
    )
    assert told == (
        "bench.1.indicator.0.line: line 'usb3' has no driver; accepted is a line with one"
    )


def test_two_lines_may_not_tell_one_bench_the_same_signal(bench_folder: Make) -> None:
    told = fault(
        bench_folder,
        (B1, f'{B1}\nsignals = {{ cts = "foot" }}'),
        after_lines(f'{SIGNALS_ONLY}bench = "b1"\nsignals = {{ dsr = "foot" }}\n'),
    )
    assert told == (
        "line.2.signals.dsr: 'foot' of bench 'b1' comes from line.0.signals.cts as well; "
        "accepted is one contact a signal"
    )


def test_signals_go_to_the_bench_whose_indicator_sits_on_the_line(bench_folder: Make) -> None:
    config = loaded(bench_folder, (B1, f'{B1}\nsignals = {{ cts = "foot", dsr = "index" }}'))
    assert config.lines["usb1"].signals_of == "b1"
    assert config.lines["usb2"].signals_of is None


def test_bench_wins_over_the_indicator_that_sits_there(bench_folder: Make) -> None:
    config = loaded(bench_folder, (B1, f'{B1}\nsignals = {{ cts = "foot" }}\nbench = "b2"'))
    assert config.lines["usb1"].signals_of == "b2"


def test_a_line_of_two_benches_says_whose_signals_it_has(bench_folder: Make) -> None:
    shared = ('id = "IND-34"\nline = "usb2"', 'id = "IND-34"\nchannel = "2"\nline = "usb1"')
    first = ('id = "IND-21"\nline = "usb1"', 'id = "IND-21"\nchannel = "1"\nline = "usb1"')
    told = fault(bench_folder, shared, first, (B1, f'{B1}\nsignals = {{ cts = "foot" }}'))
    assert told.startswith("line.0.bench: missing; it says whose signals these are")
    both = loaded(
        bench_folder, shared, first, (B1, f'{B1}\nsignals = {{ cts = "foot" }}\nbench = "b2"')
    )
    assert both.lines["usb1"].signals_of == "b2"


def test_a_line_without_an_indicator_runs_and_no_record_names_it(bench_folder: Make) -> None:
    config = loaded(
        bench_folder,
        after_lines(f'{SIGNALS_ONLY}bench = "b1"\nsignals = {{ cts = "foot" }}\n'),
    )
    line = config.lines["usb3"]
    assert line.driver is NO_DRIVER
    assert list(line.driver.make({}).feed(b"whatever comes\r\n")) == []
    assert line.driver.make({}).next_request() is None
    assert "IND-21" in provenance(config, config.benches[0]).drivers
    with pytest.raises(OptionError, match="none without a driver"):
        make({"decimals": 4})


def test_every_decoder_knows_which_signals_are_wired(bench_folder: Make) -> None:
    config = loaded(
        bench_folder,
        after_lines(f'{SIGNALS_ONLY}bench = "b1"\nsignals = {{ cts = "foot" }}\n'),
        (B1, f'{B1}\nsignals = {{ dsr = "index" }}'),
    )
    wired = {decoder.wired for decoder in decoders(config)}
    assert wired == {frozenset({("b1", "foot"), ("b1", "index")})}


@pytest.mark.parametrize(
    ("signal", "may_rest_on"),
    [("foot", False), ("torque", False), ("index", True), ("index-2", True), ("run", True)],
)
def test_contacts_are_heard_as_the_line_says(signal: str, may_rest_on: bool) -> None:
    section = LineSection.model_validate(
        {
            "id": "x", "port": "/dev/x", "signals": {"cts": signal},
            "debounce_s": Decimal("0.02"), "held_s": 12,
        }
    )  # fmt: skip
    (rules,) = contacts_of(section).values()
    assert rules.steady_ns == 20_000_000
    assert rules.held_ns == (None if may_rest_on else 12 * S)


def test_the_long_press_of_a_bench_reaches_its_rules(bench_folder: Make) -> None:
    config = loaded(
        bench_folder,
        ('id = "b1"\ntitle', 'id = "b1"\nfoot_switch = { long_press_s = 2 }\ntitle'),
    )
    assert [one.rules.foot.long_press_ns for one in config.benches] == [2 * S, S * 3 // 2]
