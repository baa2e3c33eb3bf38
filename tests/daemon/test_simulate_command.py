"""`reclamp simulate`: what is asked for comes down the line, and what is wrong is refused."""

import json
import signal
import subprocess
import sys
import tomllib
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest
from typer.testing import CliRunner

from daemon.cli import app
from daemon.config import load
from daemon.recording import Entry, read_recording
from daemon.registry import find_driver
from daemon.simulate.patterns import PATTERNS
from daemon.simulate.session import build
from daemon.simulate.target import as_toml
from daemon.simulate.wanted import (
    EndWanted,
    Wanted,
    read_end,
    read_plan,
    read_settings,
    read_wiring,
)
from drivers import BadFrame, LineSettings, Reading
from simulators.bench import Sent
from tests.bench_at_work import BY_INDEX, bench_table, write_bench_file

S = 1_000_000_000
SPEED = "40"
NOWHERE = EndWanted("tcp", "127.0.0.1", 0)
Make = Callable[..., Path]


def ran(*words: str) -> tuple[int, str]:
    result = CliRunner().invoke(app, ["simulate", *words])
    return result.exit_code, result.output


def recorded(folder: Path, *words: str, seconds: str = "8") -> list[Entry]:
    """Run a simulation to its end; return its recording."""
    path = folder / f"recording-{len(list(folder.iterdir()))}"
    command = [sys.executable, "-m", "daemon.cli", "simulate", *words, "--record", str(path)]
    command += ["--seconds", seconds, "--speed", SPEED, "--port", f"pty:{folder / 'line'}"]
    subprocess.run(command, check=True, capture_output=True, timeout=60)
    return list(read_recording(path))


def decoded(entries: Sequence[Entry], pattern: str = "b1") -> list[Reading | BadFrame]:
    name, options = ("ascii-line", PATTERNS["ascii-line"].usual) if pattern == "b1" else (
        pattern, PATTERNS[pattern].usual,
    )  # fmt: skip
    driver = find_driver(name, Path()).make(options)
    return [r for e in entries if e.what == "<" for r in driver.feed(e.data)]


# --- words ------------------------------------------------------------------------------------


def test_where_a_line_is_opened_is_read_as_written() -> None:
    assert read_end("tcp:4001") == EndWanted("tcp", "127.0.0.1", 4001)
    assert read_end("rfc2217:0.0.0.0:4001") == EndWanted("rfc2217", "0.0.0.0", 4001)
    assert read_end("pty:/tmp/x y") == EndWanted("pty", link=Path("/tmp/x y"))


@pytest.mark.parametrize("text", ["", "pty:", "tcp:", "tcp:x", "tcp:70000", "udp:1", "/dev/x"])
def test_another_place_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="accepted is pty:NAME"):
        read_end(text)


def test_settings_wiring_and_plan_are_read_as_written() -> None:
    assert read_settings("19200-7E2") == LineSettings(19200, 7, "E", 2)
    assert read_wiring(["dsr=index", "ri=foot"]) == {"index": "dsr", "foot": "ri"}
    assert read_plan(["12.5=unplug", "3=freeze"]) == [(12.5, "unplug"), (3.0, "freeze")]


@pytest.mark.parametrize("text", ["", "9600", "9600-9N1", "0-8N1", "x-8N1", "9600-8N3"])
def test_other_settings_are_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"accepted is e\.g\. 9600-8N1"):
        read_settings(text)


@pytest.mark.parametrize(
    "texts", [["dtr=foot"], ["dsr=run"], ["dsr"], ["dsr=foot", "dsr=index"], ["ri=foot"] * 2]
)
def test_other_wiring_is_refused(texts: list[str]) -> None:
    with pytest.raises(ValueError, match="accepted is LINE=CONTACT"):
        read_wiring(texts)


@pytest.mark.parametrize("text", ["", "5", "=stop", "5=jump", "-1=stop", "1e3=stop"])
def test_another_plan_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="accepted is SECONDS=WORD"):
        read_plan([text])


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["nothing"], "'nothing' can't be simulated; accepted are ascii-line, ascii-poll"),
        (["scpi", "--option", "unit=m"], "options.identity: "),
        (["b1", "--port", "udp:1"], "accepted is pty:NAME"),
        (["b1", "--port", "pty:x", "--signal", "dsr=index"], "pty has no modem lines"),
        (
            ["b1", "--port", "rfc2217:0", "--sampled", "9600-8N1"],
            "the client says how it reads",
        ),
        (["b1", "--line", "usb1"], "--line: accepted with a bench file only"),
        (["x.toml", "--baud", "9600"], "with a bench file it says these"),
        (["b1", "--at", "5"], "accepted is SECONDS=WORD"),
        (["x.toml"], "x.toml: No such file"),
        (["b1", "--framing", "9N1"], "line.framing: "),
    ],
)
def test_wrong_words_are_refused_with_what_is_accepted(words: list[str], told: str) -> None:
    code, output = ran(*words)
    assert code == 2
    assert told in output


def test_a_line_that_can_not_be_made_ends_with_3(tmp_path: Path) -> None:
    code, output = ran("b1", "--port", f"pty:{tmp_path / 'no' / 'folder'}")
    assert code == 3
    assert "No such file" in output


# --- patterns ---------------------------------------------------------------------------------


@pytest.mark.parametrize("name", PATTERNS)
def test_every_pattern_is_read_by_its_driver_without_a_bad_frame(name: str) -> None:
    options = PATTERNS[name].usual
    driver = find_driver(name, Path()).make(options)
    bench = build(Wanted(name, options, driver.line, NOWHERE), is_led=False).bench
    results: list[Reading | BadFrame] = []
    for step in range(1, 1200):
        if (request := driver.next_request()) is not None:
            bench.received(request, step * S // 20)
        for emission in bench.advance(step * S // 20):
            if isinstance(emission, Sent):
                results += driver.feed(emission.data)
    readings = [result for result in results if isinstance(result, Reading)]
    assert len(readings) == len(results)
    assert len(readings) > 500
    assert len({reading.value_nm for reading in readings}) > 20


@pytest.mark.parametrize("name", PATTERNS)
def test_the_printed_table_is_a_line_of_a_bench_file(name: str, tmp_path: Path) -> None:
    own = LineSettings(19200, 8, "E", 1)
    options = PATTERNS[name].usual
    wanted = Wanted(name, options, own, NOWHERE, wiring={"index": "dsr", "foot": "cts"})
    table = as_toml(wanted, "rfc2217://127.0.0.1:4001")
    path = write_bench_file(
        tmp_path, "mqtt://127.0.0.1:1", [table, bench_table("b1", "simulated", BY_INDEX)]
    )
    line = load(path).lines["simulated"]
    assert line.settings(LineSettings()) == own
    assert line.section.signals == {"dsr": "index", "cts": "foot"}
    assert line.driver.name == name
    made = line.driver.make({**line.section.options})
    assert type(made) is type(find_driver(name, Path()).make(options))


def test_options_with_every_kind_of_text_come_back_as_they_were(tmp_path: Path) -> None:
    options: dict[str, object] = {
        "pattern": '{value} "\\µ" {unit}', "unit": {"m m": "mm", "é": "inch"}, "decimals": 4,
        "digits": 7, "over_range": ["a", "b\r"],
    }  # fmt: skip
    table = as_toml(Wanted("ascii-line", options, LineSettings(), NOWHERE), "x")
    (line,) = tomllib.loads(table)["line"]
    assert line["options"] == options


def test_a_line_of_a_bench_file_is_simulated_as_the_file_says(bench_folder: Make) -> None:
    path = bench_folder(
        ('port = "b1.port"\nbaud = 9600\nframing = "8N1"',
         'port = "b1.port"\nbaud = 4800\nframing = "7E1"\n'
         'signals = { ri = "foot", dcd = "index", cts = "run" }'),
    )  # fmt: skip
    code, output = ran(
        str(path), "--line", "usb1", "--port", "rfc2217:0", "--seconds", "0.2", "--speed", "10"
    )
    assert code == 0, output
    assert 'baud = 4800\nframing = "7E1"' in output
    assert 'signals = { ri = "foot", dcd = "index" }' in output


# --- what comes -------------------------------------------------------------------------------


def test_the_same_seed_sends_the_same_bytes_at_the_same_times(tmp_path: Path) -> None:
    words = ("b1", "--noise", "0.1", "--lost-byte", "0.1", "--cut", "0.1", "--seed")
    first, again, other = (recorded(tmp_path, *words, seed) for seed in ("3", "3", "4"))
    spoken = [[e for e in run if e.what == "<"] for run in (first, again, other)]
    assert spoken[0] == spoken[1]
    assert spoken[0] != spoken[2]


def test_faults_by_chance_make_bad_frames_and_gaps(tmp_path: Path) -> None:
    clean = decoded(recorded(tmp_path, "b1"))
    assert not any(isinstance(r, BadFrame) for r in clean)
    noisy = decoded(recorded(tmp_path, "b1", "--noise", "0.2", "--flipped-bit", "0.3"))
    assert sum(isinstance(r, BadFrame) for r in noisy) > 10
    sparse = decoded(recorded(tmp_path, "b1", "--silence", "0.5"))
    assert 0.3 * len(clean) < len(sparse) < 0.7 * len(clean)
    double = decoded(recorded(tmp_path, "b1", "--repeat", "1"))
    assert len(double) == 2 * len(clean)


def test_a_plan_is_kept_to_the_frame(tmp_path: Path) -> None:
    plan = ("22=freeze", "23=thaw", "24=silence", "25=speak", "26=unplug", "27=plug")
    words = [word for item in plan for word in ("--at", item)]
    entries = recorded(tmp_path, "b1", *words, seconds="28")  # the pin turns from about 17 s on
    frames = [
        (e.at_ns, r.value_nm)
        for e in entries
        if e.what == "<" and e.text
        for r in decoded([e])
        if isinstance(r, Reading)
    ]

    def values(since: float, until: float) -> list[int | None]:
        return [value for at, value in frames if since * S + S // 20 < at < until * S]

    assert len(set(values(21, 22))) > 1
    assert len(set(values(22, 23))) == 1
    assert len(set(values(23, 24))) > 1
    assert values(24, 25) == values(26, 27) == []
    assert len(values(25, 26)) >= 18
    assert len(values(27, 28)) >= 17
    (lost,) = [e.at_ns for e in entries if e.what == "lost"][:1]
    assert lost == pytest.approx(26 * S, abs=S)


def test_a_unit_switched_in_mid_stream_comes_with_its_own_unit_text(
    tmp_path: Path,
) -> None:
    two_units = ("--option", 'unit={ mm = "mm", in = "inch" }', "--option", "decimals=5",
                 "--option", "digits=8")  # fmt: skip
    entries = recorded(tmp_path, "ascii-line", *two_units, "--at", "2=switch-unit")
    assert any(b"in" in e.data for e in entries if e.at_ns > 2.1 * S)
    assert not any(b"in" in e.data for e in entries if e.what == "<" and e.at_ns < 2 * S)


@pytest.mark.parametrize("own", ["7E1", "7O1"])
def test_a_recording_is_sampled_as_its_reader_is_set(tmp_path: Path, own: str) -> None:
    words = ("ascii-line", "--framing", own)
    wrong = decoded(recorded(tmp_path, *words, "--sampled", "9600-8N1"), "ascii-line")
    assert wrong
    assert {f"looks like {own} read as 8N1" in r.reason for r in wrong
            if isinstance(r, BadFrame)} == {True}  # fmt: skip
    right = decoded(recorded(tmp_path, *words), "ascii-line")
    assert right
    assert not any(isinstance(r, BadFrame) for r in right)


def test_a_wrong_speed_is_no_reading_and_has_framing_errors(tmp_path: Path) -> None:
    entries = recorded(tmp_path, "ascii-line", "--sampled", "19200-8N1")
    assert not any(isinstance(r, Reading) for r in decoded(entries, "ascii-line"))
    assert any(0 in e.data for e in entries if e.what == "<")  # a framing error reads as zero


@pytest.mark.parametrize("sign", [signal.SIGTERM, signal.SIGINT])
def test_it_ends_in_order_at_a_signal_and_leaves_no_link(
    tmp_path: Path, sign: signal.Signals
) -> None:
    link = tmp_path / "line"
    command = [sys.executable, "-m", "daemon.cli", "simulate", "b1", "--port", f"pty:{link}"]
    with subprocess.Popen([*command, "--json"], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        ready = json.loads(process.stdout.readline())
        assert ready["port"] == str(link)
        assert link.is_symlink()
        process.send_signal(sign)
        ended = json.loads(process.stdout.readline())
        assert process.wait(20) == 0
    assert ended["ended"] is True
    assert not link.exists()
