"""``reclamp listen`` on real pseudo-terminals and on recordings."""

import json
import re
import signal
import subprocess
import sys
from collections.abc import Callable
from itertools import chain, pairwise, repeat
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from daemon.cli import app
from daemon.recording import read_recording
from drivers import LineSettings
from tests.far_end import far_end
from tests.rfc2217_far_end import behind_rfc_2217, old_thread_calls

PLAIN = ["--driver", "ascii-line", "--option", 'unit={mm="mm"}', "--option", "decimals=4"]
FRAMES = (b"+000.0041 mm\r\n", b"-000.0003 mm\r\n", b"+000,0052 mm\r\n", b"+000.0000 mm\r\n")


def listen(*words: str) -> Result:
    return CliRunner().invoke(app, ["listen", *words])


def objects(result: Result) -> list[dict[str, object]]:
    return [json.loads(line) for line in result.stdout.splitlines()]


def of_kind(kind: str, result: Result) -> list[dict[str, object]]:
    return [found for found in objects(result) if found["kind"] == kind]


def test_readings_and_bad_frames_are_told_in_their_order_with_the_reason_and_the_bytes() -> (
    None
):
    with far_end() as end:
        end.send_each(chain.from_iterable(repeat(FRAMES)), 0.02)
        result = listen(end.path, *PLAIN, "--count", "9", "--json")
    assert result.exit_code == 0
    readings = of_kind("reading", result)
    values = [found["value_um"] for found in readings]
    assert set(values) == {4.1, -0.3, 0.0}
    bad = of_kind("bad-frame", result)[-1]
    assert bytes.fromhex(str(bad["hex"])) == b"+000,0052 mm\r\n"
    assert bad["reason"] == "decimal comma where decimal point is expected"
    told = [found.get("value_um", found["kind"]) for found in objects(result)[1:-1]]
    order = [4.1, -0.3, "bad-frame", 0.0]
    first = order.index(told[2])  # what came first may have been half a frame
    assert told[2:] == [order[(first + at) % 4] for at in range(len(told) - 2)]


def test_the_rate_is_that_of_the_sender() -> None:
    with far_end() as end:
        end.send_each(repeat(FRAMES[0]), 0.02)
        result = listen(end.path, *PLAIN, "--count", "50", "--json")
    (summary,) = of_kind("summary", result)
    rate = summary["rate_per_s"]
    assert isinstance(rate, float)
    assert 10 < rate <= 51  # 50 a second at most; a busy machine sends later, never sooner
    assert summary["readings"] == 50


def test_people_see_bad_bytes_as_text_and_as_hex() -> None:
    with far_end() as end:
        end.send_each(chain.from_iterable(repeat(FRAMES)), 0.02)
        result = listen(end.path, *PLAIN, "--count", "6")
    assert r"b'+000,0052 mm\r\n'" in result.stdout
    assert "2B 30 30 30 2C 30 30 35 32 20 6D 6D 0D 0A" in result.stdout
    assert re.search(r"\d s +4\.1 µm  sent in mm", result.stdout)
    assert "values from -0.3 to 4.1 µm" in result.stdout


def test_without_a_driver_bytes_are_shown_as_they_came_and_nothing_is_sent() -> None:
    with far_end() as end:
        end.send_each(iter([b"\x00\x41\x5c", b"HELLO\r\n"]), 0.5)
        result = listen(end.path, "--seconds", "1.2")
        heard = end.heard
    assert result.exit_code == 0
    assert re.search(r"00 41 5C +·A\\", result.stdout)
    assert re.search(r"48 45 4C 4C 4F 0D 0A +HELLO··", result.stdout)
    assert heard == b""


def test_a_silent_line_is_the_answer_no() -> None:
    with far_end() as end:
        result = listen(end.path, *PLAIN, "--seconds", "0.3")
    assert result.exit_code == 1
    assert "0 readings, 0 bad frames" in result.stdout


def test_a_polled_indicator_is_asked_one_request_at_a_time() -> None:
    def answer(data: bytes) -> bytes:
        return b"+000.0041 mm\r" * data.count(b"say\r")

    polled = [
        "--driver",
        "ascii-poll",
        "--option",
        'request="say\\r"',
        "--option",
        "unit={mm='mm'}",
    ]
    with far_end(answer) as end:
        result = listen(
            end.path, *polled, "--option", "terminator=CR", "--count", "5", "--json"
        )
        heard = end.heard
    assert [found["value_um"] for found in of_kind("reading", result)] == [4.1] * 5
    assert heard in (b"say\r" * 5, b"say\r" * 6)


def test_a_recording_gives_the_same_readings_again(tmp_path: Path) -> None:
    record = tmp_path / "wire.rec"
    with far_end() as end:
        end.send_each(chain.from_iterable(repeat(FRAMES)), 0.01)
        live = listen(end.path, *PLAIN, "--count", "12", "--record", str(record), "--json")
    again = listen("--replay", str(record), *PLAIN, "--count", "12", "--json")
    assert of_kind("reading", again) == of_kind("reading", live)
    entries = list(read_recording(record))
    assert [entries[0].what, entries[1].what] == ["opened", "<"]
    assert (
        b"".join(entry.data for entry in entries if entry.what == "<") in b"".join(FRAMES) * 9
    )


def test_a_recorded_poll_is_replayed_with_its_requests(tmp_path: Path) -> None:
    record = tmp_path / "wire.rec"
    polled = ["--driver", "ascii-poll", "--option", "request=V", "--option", "unit=mm"]
    with far_end(lambda data: b"+000.0041\r\n" * data.count(b"V")) as end:
        live = listen(end.path, *polled, "--count", "4", "--record", str(record), "--json")
    again = listen("--replay", str(record), *polled, "--json")
    assert of_kind("bad-frame", again) == []
    assert len(of_kind("reading", again)) >= 4 == len(of_kind("reading", live))
    assert {entry.data for entry in read_recording(record) if entry.what == ">"} == {b"V"}


def test_the_line_of_a_bench_file_is_heard_as_the_service_hears_it(
    bench_folder: Callable[..., Path],
) -> None:
    with far_end() as end:
        bench_file = bench_folder(('port = "b1.port"', f'port = "{end.path}"'))
        end.send_each(repeat(b"+000.0041 mm I.\r\n"), 0.02)
        result = listen("--config", str(bench_file), "--line", "usb1", "--count", "3", "--json")
    assert [found["flags"] for found in of_kind("reading", result)] == [["index"]] * 3


def test_an_unplugged_line_is_told_and_tried_again() -> None:
    with far_end() as end:
        end.send_each(repeat(FRAMES[0]), 0.05)
        command = [sys.executable, "-m", "daemon.cli", "listen", end.path, *PLAIN, "--json"]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as heard:
            assert heard.stdout is not None
            kinds = [json.loads(heard.stdout.readline())["kind"]]
            for awaited in ("reading", "lost"):
                while kinds[-1] != awaited:
                    kinds.append(json.loads(heard.stdout.readline())["kind"])
                end.close()
            heard.send_signal(signal.SIGINT)
            summary = json.loads(heard.stdout.readlines()[-1])
    assert kinds[0] == "opened"
    assert kinds[-1] == "lost"
    assert summary["kind"] == "summary"
    assert heard.returncode == 0


@old_thread_calls
def test_modem_lines_are_told_recorded_and_replayed(tmp_path: Path) -> None:
    record = tmp_path / "wire.rec"
    with behind_rfc_2217(FRAMES, LineSettings(19200, 7, "E"), "dsr") as url:
        words = ["--baud", "19200", "--framing", "7E1", "--seconds", "2"]
        live = listen(url, *PLAIN, *words, "--record", str(record), "--json")
    assert live.exit_code == 0, (live.output, live.exception)
    states = of_kind("line-state", live)
    assert {state["line"] for state in states} == {"dsr"}
    levels = [state["is_on"] for state in states]
    assert len(levels) >= 3
    assert all(left != right for left, right in pairwise(levels))
    apart = [
        float(str(right["at_s"])) - float(str(left["at_s"])) for left, right in pairwise(states)
    ]
    assert all(0.2 < each < 0.6 for each in apart)  # fifteen frames, fifty a second
    again = listen("--replay", str(record), *PLAIN, "--json")
    assert [(state["line"], state["is_on"]) for state in of_kind("line-state", again)] == [
        ("dsr", is_on) for is_on in levels
    ]
    assert of_kind("reading", again)


@pytest.mark.parametrize(
    ("words", "named"),
    [
        ((), "accepted is PORT, --config BENCH.toml or --replay FILE"),
        (("/dev/null", "--replay", "x"), "PORT and --replay"),
        (("/dev/null", "--config", "x"), "PORT and --config"),
        (("/dev/null", "--driver", "nobody"), "no driver 'nobody'"),
        (("/dev/null", "--driver", "ascii-line"), "options.unit: got None, accepted is"),
        (("/dev/null", "--driver", "ascii-line", "--option", "unit"), "KEY=VALUE"),
        (("/dev/null", "--option", "unit=mm"), "options.unit"),
        (("/dev/null", "--framing", "9N1"), "line.framing"),
        (("/dev/null", "--baud", "1"), "line.baud"),
        (("--config", "x.toml", "--driver", "ascii-line"), "--config and --driver"),
        (("--replay", "nowhere.rec"), "nowhere.rec"),
    ],
)
def test_wrong_use_says_what_is_accepted(words: tuple[str, ...], named: str) -> None:
    result = listen(*words)
    assert result.exit_code == 2, result.output
    assert named in result.stderr


def test_a_foreign_factory_that_fails_is_wrong_use_with_its_reason(tmp_path: Path) -> None:
    path = tmp_path / "broken.py"
    path.write_text("def make(options): return options['key']\n")
    result = listen("/dev/null", "--driver", f"{path}:make")
    assert result.exit_code == 2
    assert "KeyError: 'key'" in result.stderr


def test_a_port_that_is_not_there_could_not_be_heard() -> None:
    result = listen("/dev/ttyNOWHERE")
    assert result.exit_code == 3
    assert "/dev/ttyNOWHERE is not there" in result.stderr


def test_a_recording_of_several_lines_wants_one_named(tmp_path: Path) -> None:
    record = tmp_path / "wire.rec"
    record.write_text("1 usb1 < 4142\n2 usb2 < 4344\n")
    result = listen("--replay", str(record))
    assert result.exit_code == 2
    assert "usb1, usb2" in result.stderr
    assert "43 44" in listen("--replay", str(record), "--line", "usb2").stdout
