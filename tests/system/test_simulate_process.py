"""The simulated bench as a process: real pseudo-terminal, real broker, real signals."""

import json
import signal
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

import pytest
import serial

from daemon.recording import read_recording
from daemon.simulate.bench_process import main, read_mistakes
from drivers import Driver, Reading, ascii_line, ascii_poll
from simulators.bench import Bench, Placed, Sent
from simulators.scenario import B1_FRAME, B2_FRAME, LOT_A, demo_bench
from simulators.truth import as_record
from tests.mosquitto_process import Mosquitto, running_mosquitto
from tests.simulated_bench import SimulatedBench, running_bench

WAIT_S = 20.0

pytestmark = pytest.mark.system


def _until(holds: Callable[[], object], why: str) -> None:
    deadline = time.monotonic() + WAIT_S
    while not holds():
        assert time.monotonic() < deadline, why
        time.sleep(0.02)


def _read(port: serial.Serial, driver: Driver, seconds: float) -> list[Reading]:
    found: list[Reading] = []
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        request = driver.next_request()
        if request is not None:
            port.write(request)
        results = driver.feed(port.read(port.in_waiting or 1))
        found += [result for result in results if isinstance(result, Reading)]
        assert len(found) == 0 or all(isinstance(r, Reading) for r in results), results
    return found


# --- the line ----------------------------------------------------------------------------


def test_a_streaming_bench_sends_twenty_readings_a_second(tmp_path: Path) -> None:
    with running_bench(tmp_path) as bench:
        with serial.Serial(str(bench.link), 9600, timeout=0.2) as port:
            _read(port, ascii_line.make(B1_FRAME), 0.3)
            seen = _read(port, ascii_line.make(B1_FRAME), 3.0)
        summary = bench.end()
    assert 57 <= len(seen) <= 62
    assert summary["lost_bytes"] == 0


def test_a_polled_bench_answers_each_request(tmp_path: Path) -> None:
    with (
        running_bench(tmp_path, "--bench", "b2") as bench,
        serial.Serial(str(bench.link), 9600, timeout=0.2) as port,
    ):
        seen = _read(port, ascii_poll.make(B2_FRAME), 2.0)
    assert 30 <= len(seen) <= 62  # 20 ms to the answer and 12.5 ms on the wire


@pytest.mark.parametrize("speed", [1, 20, 60])
def test_it_keeps_pace(tmp_path: Path, speed: int) -> None:
    with running_bench(tmp_path, "--speed", str(speed)) as bench:
        with serial.Serial(str(bench.link), 9600, timeout=0.2) as port:
            deadline = time.monotonic() + 3.0
            count = 0
            while time.monotonic() < deadline:
                count += port.read(port.in_waiting or 1).count(b"\n")
        summary = bench.end()
    assert summary["lost_bytes"] == 0
    assert count == pytest.approx(3.0 * 20 * speed, rel=0.1)
    assert isinstance(summary["late_mean_ms"], float)
    assert summary["late_mean_ms"] < 20.0


@pytest.mark.parametrize("way", ["word", "signal"])
def test_unplugged_the_reader_breaks_and_plugged_in_again_the_readings_go_on(
    tmp_path: Path, way: str
) -> None:
    def do(bench: SimulatedBench, word: str, sign: signal.Signals) -> None:
        if way == "word":
            bench.tell(word)
        else:
            bench.popen.send_signal(sign)

    with running_bench(tmp_path, "--control") as bench:
        with serial.Serial(str(bench.link), 9600, timeout=0.2) as port:
            assert _read(port, ascii_line.make(B1_FRAME), 0.5)
            do(bench, "unplug", signal.SIGUSR1)
            _until(lambda: not bench.link.is_symlink(), "the link is still there")
            with pytest.raises(OSError):  # noqa: PT011  (OSError or SerialException)
                _read(port, ascii_line.make(B1_FRAME), 2.0)
        do(bench, "plug", signal.SIGUSR2)
        _until(bench.link.is_symlink, "the link did not come back")
        with serial.Serial(str(bench.link), 9600, timeout=0.2) as port:
            assert _read(port, ascii_line.make(B1_FRAME), 0.5)


# --- its end -----------------------------------------------------------------------------


@pytest.mark.parametrize("sign", [signal.SIGTERM, signal.SIGINT])
def test_it_ends_in_order_and_leaves_no_line(tmp_path: Path, sign: signal.Signals) -> None:
    with running_bench(tmp_path) as bench:
        summary = bench.end(sign)
    assert summary["ended"] is True
    assert not bench.link.is_symlink()
    assert [path.name for path in tmp_path.iterdir()] == ["truth.jsonl"]


def test_it_ends_when_the_word_says_so_or_when_nobody_is_left_to_speak(tmp_path: Path) -> None:
    with running_bench(tmp_path, "--control") as bench:
        bench.tell("stop")
        assert bench.ended()["ended"] is True
    with running_bench(tmp_path, "--control") as bench:
        assert bench.popen.stdin is not None
        bench.popen.stdin.close()
        bench.popen.stdin = None
        assert bench.ended()["ended"] is True
        assert not bench.link.is_symlink()


# --- files -------------------------------------------------------------------------------


def test_the_truth_file_holds_what_the_model_says(tmp_path: Path) -> None:
    with running_bench(tmp_path, "--speed", "60", "--seed", "7") as bench:
        _until(lambda: len(bench.truth()) > 12, "too little happened")
        bench.end()
    model = Bench(demo_bench("b1", 7), 7, LOT_A.limits)
    model.advance(3600 * 1_000_000_000)
    told = bench.truth()
    assert told == [as_record(fact) for fact in model.truth[: len(told)]]


def test_a_recording_holds_the_bytes_that_a_run_without_a_clock_gives(tmp_path: Path) -> None:
    path = tmp_path / "recording.jsonl"
    words = ("--speed", "60", "--seed", "7", "--recording", str(path))
    with running_bench(tmp_path, *words) as bench:
        _until(lambda: path.stat().st_size > 200_000, "nothing is recorded")
        bench.end()
    entries = list(read_recording(path))
    assert (entries[0].what, entries[-1].what) == ("opened", "lost")
    assert {entry.where for entry in entries} == {"usb1"} | {
        entry.where for entry in entries if entry.what == "placed" and entry.where == "b1"
    }
    frames = [(entry.at_ns, entry.data) for entry in entries if entry.what == "<"]
    placed = [(entry.at_ns, entry.text) for entry in entries if entry.what == "placed"]
    model = Bench(demo_bench("b1", 7), 7, LOT_A.limits).advance(entries[-1].at_ns)
    assert frames == [(e.at_ns, e.data) for e in model if isinstance(e, Sent)][: len(frames)]
    assert placed == [(e.at_ns, e.bin) for e in model if isinstance(e, Placed)][: len(placed)]
    assert placed


# --- the shop floor ----------------------------------------------------------------------


class Service:
    """What a service says and hears over the broker, done by hand with its own tools."""

    def __init__(self, broker: Mosquitto, root: str = "reclamp/b1") -> None:
        self._root = root
        self._at = ["-h", "127.0.0.1", "-p", str(broker.port)]

    def prompt(self, word: str) -> None:
        self._publish("prompt", json.dumps({"word": word, "text": "…"}), "-r")

    def lamp(self, bin_id: str, word: str) -> None:
        self._publish(f"lamp/{bin_id}", word)

    def placed(self, count: int, wait_s: int) -> list[tuple[str, str]]:
        """Return topic and payload of the next ``count`` messages, or of what came in time."""
        command = ["mosquitto_sub", *self._at, "-q", "1", "-v", "-t", f"{self._root}/placed/+"]
        done = subprocess.run(
            [*command, "-C", str(count), "-W", str(wait_s)],
            capture_output=True, text=True, timeout=WAIT_S + wait_s,
        )  # fmt: skip
        return [tuple(line.split(" ", 1)) for line in done.stdout.splitlines()]  # type: ignore[misc]

    def _publish(self, topic: str, payload: str, *more: str) -> None:
        command = ["mosquitto_pub", *self._at, "-q", "1", "-t", f"{self._root}/{topic}"]
        subprocess.run([*command, "-m", payload, *more], check=True, timeout=WAIT_S)


def _count(bench: SimulatedBench, kind: str) -> int:
    return sum(fact["kind"] == kind for fact in bench.truth())


@pytest.mark.parametrize("protocol", ["3.1.1", "5"])
def test_the_operator_works_as_prompt_and_lamp_say(tmp_path: Path, protocol: str) -> None:
    with running_mosquitto() as broker:
        service = Service(broker)
        words = ("--mqtt", broker.url, "--protocol", protocol, "--speed", "60")
        with running_bench(tmp_path, *words) as bench:
            time.sleep(1.0)
            assert bench.truth() == []  # nobody has asked for anything
            service.prompt("clamp")
            _until(lambda: _count(bench, "spindle-switched"), "the spindle was not started")
            service.prompt("loosen")
            _until(lambda: _count(bench, "nut-opened"), "the nut was not opened")
            service.prompt("put-away")
            _until(lambda: _count(bench, "tightened") == 2, "it was not tightened again")
            time.sleep(0.7)
            assert _count(bench, "dropped") == 0  # no lamp is on
            told: list[tuple[str, str]] = []
            deadline = time.monotonic() + WAIT_S
            while not told and time.monotonic() < deadline:
                # The drop may come before our ear is there; unanswered it is pressed again.
                service.lamp("H", "on")
                told = service.placed(1, wait_s=2)
            ((topic, payload),) = told
            assert topic == "reclamp/b1/placed/H"
            assert set(json.loads(payload)) == {"id"}
            bench.end()


def test_each_placed_message_has_an_id_of_its_own_and_is_not_retained(tmp_path: Path) -> None:
    with running_mosquitto() as broker:
        service = Service(broker)
        with running_bench(tmp_path, "--mqtt", broker.url, "--speed", "60") as bench:
            service.prompt("clamp")
            _until(lambda: _count(bench, "spindle-switched"), "the spindle was not started")
            service.prompt("put-away")
            for _ in range(3):  # nobody answers: the button is pressed again
                service.lamp("2", "on")
            _until(lambda: _count(bench, "dropped") == 1, "it was not put away")
            seen: list[str] = []
            while len(seen) < 2:
                service.lamp("2", "on")
                seen += [json.loads(payload)["id"] for _, payload in service.placed(1, 1)]
            bench.end()
        assert len(set(seen)) == len(seen)
        assert service.placed(1, wait_s=1) == []


def test_a_retained_prompt_is_heeded_by_a_bench_that_comes_later(tmp_path: Path) -> None:
    with running_mosquitto() as broker:
        Service(broker).prompt("clamp")
        with running_bench(tmp_path, "--mqtt", broker.url, "--speed", "60") as bench:
            _until(lambda: _count(bench, "taken"), "no piece was taken")


def test_a_broker_that_goes_and_comes_back_is_found_again(tmp_path: Path) -> None:
    with running_mosquitto() as broker:
        service = Service(broker)
        with running_bench(tmp_path, "--mqtt", broker.url, "--speed", "60") as bench:
            _until(lambda: "lamp/+" in broker.log(), "it did not subscribe")
            broker.stop()
            time.sleep(0.5)
            broker.start()
            deadline = time.monotonic() + WAIT_S
            while not _count(bench, "taken") and time.monotonic() < deadline:
                service.prompt("clamp")
                time.sleep(0.2)
            assert _count(bench, "taken") == 1
            bench.end()


# --- wrong use ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "accepted"),
    [
        (["--mistake", "wrong-bin"], "WORD@PIECE"),
        (["--mistake", "wrong-bin@0"], "WORD@PIECE"),
        (["--mistake", "sneeze@3"], "'sneeze' is no mistake"),
        (["--chance", "chip=2"], "WORD=P with P from 0 to 1"),
        (["--speed", "0"], "above 0"),
        (["--pieces", "0"], "1 or more"),
        (["--mqtt", "http://x"], "mqtt://HOST"),
        (["--bench", "b9"], "invalid choice"),
    ],
)
def test_wrong_words_are_refused_with_what_is_accepted(
    words: list[str], accepted: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as stopped:
        main(["--link", str(tmp_path / "indicator"), *words])
    assert stopped.value.code == 2
    assert accepted in capsys.readouterr().err


def test_a_link_that_cannot_be_made_ends_it_with_code_3(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    taken = tmp_path / "indicator"
    taken.write_text("notes")
    assert main(["--link", str(taken)]) == 3
    assert f"{taken}: there is a file already" in capsys.readouterr().err


def test_mistakes_are_read_as_they_are_written() -> None:
    mistakes = read_mistakes(["chip@3", "no-spindle@3", "wrong-bin@12"], ["chip=0.25"])
    assert mistakes.planned == {3: {"chip", "no-spindle"}, 12: {"wrong-bin"}}
    assert mistakes.chance == {"chip": 0.25}
