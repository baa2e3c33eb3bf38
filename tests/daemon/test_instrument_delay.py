"""``reclamp instrument delay``: from recorded bytes and flags to the key of the bench file."""

import json
from collections.abc import Callable
from math import cos, pi
from pathlib import Path
from random import Random

import pytest
from typer.testing import CliRunner

from daemon.cli import app
from daemon.config import load, plain_options
from rules.reading import Reading
from simulators.ascii_line import AsciiLineEncoder

WIRED = (
    'driver = "ascii-line"\noptions',
    'driver = "ascii-line"\nsignals = { dsr = "index" }\noptions',
)
S = 1_000_000_000


def recording(bench_file: Path, turn_s: float, delay_s: float, name: str) -> Path:
    """Write what comes of a master 2.55 µm off, read so much late; the index on a line."""
    config, rng = load(bench_file), Random(name)
    encoder = AsciiLineEncoder(plain_options(config.lines["usb1"].section.options))
    entries: list[tuple[int, str]] = [(0, "opened")]
    for count in range(int(6.4 * turn_s * 20)):
        at_s = count / 20 + rng.uniform(0, 0.004)
        um = 2.55 * cos(2 * pi * ((at_s - delay_s) / turn_s - 0.36)) + rng.gauss(0, 0.05)
        frame = encoder.encode(Reading(round(um * 10) * 100))
        entries.append((round(at_s * S), f"< {frame.hex()}"))
    for turn in range(7):
        at_ns = round(turn * turn_s * S)
        entries += [
            (at_ns + 8_000_000, f"edge dsr on {at_ns}"),
            (at_ns + 60_000_000, f"edge dsr off {at_ns + 50_000_000}"),
        ]
    lines = [f"{at_ns} usb1 {what}\n" for at_ns, what in sorted(entries)]
    path = bench_file.with_name(name)
    path.write_text("".join(lines), encoding="utf-8")
    return path


def told(*words: str) -> tuple[int, str]:
    done = CliRunner().invoke(app, ["instrument", "delay", *words])
    return done.exit_code, done.output


@pytest.fixture
def at_bench(bench_folder: Callable[..., Path]) -> Path:
    return bench_folder(WIRED)


@pytest.mark.parametrize("delay_s", [0.06, 0.3])
def test_two_recordings_tell_what_to_write_into_the_bench_file(
    at_bench: Path, delay_s: float
) -> None:
    slow = recording(at_bench, 6.0, delay_s, "slow.rec")
    fast = recording(at_bench, 2.4, delay_s, "fast.rec")
    words = (str(slow), str(fast), "--config", str(at_bench), "--bench", "b1")
    code, output = told(*words, "--json")
    answer = json.loads(output)
    assert (code, answer["indicator"], answer["shown"]) == (0, "IND-21", True)
    assert answer["delay_s"] == pytest.approx(delay_s, abs=0.01)
    assert answer["uncertainty_s"] < 0.02
    assert answer["fast"]["turns"] == answer["slow"]["turns"] == 6
    code, output = told(*words)
    assert code == 0
    key = f"delay_s = {answer['delay_s']:.3f}"
    assert key in output
    text = at_bench.read_text(encoding="utf-8")
    at_bench.write_text(text.replace("step_um = 0.1", f"step_um = 0.1\n{key}", 1), "utf-8")
    known = load(at_bench).benches[0].rules.capture.indicators[0].sweep
    assert known.delay_ns == pytest.approx(delay_s * S, abs=0.01 * S)


def test_no_delay_beyond_doubt_is_no(at_bench: Path) -> None:
    slow = recording(at_bench, 6.0, 0.0, "slow.rec")
    fast = recording(at_bench, 2.4, 0.0, "fast.rec")
    code, output = told(str(slow), str(fast), "--config", str(at_bench), "--bench", "b1")
    assert code == 1
    assert "IND-21: no delay beyond doubt" in output


def test_what_can_not_be_told_names_what_is_accepted(at_bench: Path) -> None:
    slow = recording(at_bench, 6.0, 0.1, "slow.rec")
    fast = recording(at_bench, 2.4, 0.1, "fast.rec")
    both, config = (str(slow), str(fast)), ("--config", str(at_bench))
    assert told(*both, *config) == (2, "--bench : accepted is one of b1, b2\n")
    code, output = told(*both, *config, "--bench", "b2")
    assert code == 2
    assert "without an index or an encoder nothing marks the angle" in output
    code, output = told(*both, *config, "--bench", "b1", "--indicator", "IND-9")
    assert (code, output) == (2, "--indicator IND-9: accepted is one of IND-21\n")
    code, output = told(str(fast), str(fast), *config, "--bench", "b1")
    assert code == 2
    assert "accepted are two speeds" in output
    text = fast.read_text(encoding="utf-8")
    fast.write_text(f"{text}{20 * S} usb1 lost unplugged\n", encoding="utf-8")
    code, output = told(*both, *config, "--bench", "b1")
    assert code == 2
    assert "IND-21 was lost (unplugged); accepted is a recording without a break" in output
