"""``reclamp recognise`` on recordings, on pseudo-terminals and behind RFC 2217."""

import json
import tomllib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from decimal import Decimal
from itertools import chain, cycle, repeat
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from daemon.cli import app
from daemon.config import plain_options
from daemon.recognise.bench_piece import Place, bench_piece
from daemon.recognise.judge import recognise
from daemon.registry import find_driver
from drivers import LineSettings, Reading
from rules.reading import Reading as SentReading
from simulators.modbus_rtu import ModbusRtuResponder
from tests.far_end import FarEnd, far_end
from tests.hand_made_streams import HandMade, load_streams
from tests.rfc2217_far_end import behind_rfc_2217, old_thread_calls

DATA = Path(__file__).parents[1] / "data"
STREAMS = load_streams(DATA / "streams.toml")
READ = [stream for stream in STREAMS if stream.driver is not None]
SWEEP = [f"{count / 1e4:+09.4f} mm\r\n".encode() for count in (*range(-40, 40, 7), 3, -1, 25)]


def command(*words: str) -> Result:
    return CliRunner().invoke(app, ["recognise", *words])


def report(*words: str) -> dict[str, object]:
    result = command(*words, "--json")
    assert result.exit_code in (0, 1), result.output
    found: dict[str, object] = json.loads(result.stdout)
    assert found["recognised"] == (result.exit_code == 0)
    return found


def recorded(folder: Path, stream: HandMade) -> str:
    path = folder / "wire.rec"
    lines = [
        f"{piece.at_ns} usb1 {'>' if piece.is_sent else '<'} {piece.data.hex()}\n"
        for piece in stream.sample.pieces
    ]
    path.write_text("0 usb1 opened\n" + "".join(lines))
    return str(path)


def named(name: str) -> HandMade:
    return next(stream for stream in STREAMS if stream.name == name)


# --- what it writes ---


@pytest.mark.parametrize("stream", READ, ids=[stream.name for stream in READ])
def test_the_proposal_is_a_piece_of_a_bench_file_that_reads_the_stream(
    stream: HandMade,
) -> None:
    finding = recognise(stream.sample)
    assert finding is not None
    text = bench_piece(finding, Place("/dev/ttyUSB0", 9600, "8N1"), finding.doubts)
    (line,) = tomllib.loads(text, parse_float=Decimal)["line"]
    driver = find_driver(line["driver"], Path()).make(plain_options(line["options"]))
    if stream.requests or stream.framing:
        return  # what a polled one reads was tried already; a parity is not masked away
    got = [found for found in driver.feed(stream.sample.heard) if isinstance(found, Reading)]
    assert [found.value_nm for found in got] in (stream.says, stream.says[1:])


def test_a_recording_gives_driver_options_sureness_and_what_is_open(tmp_path: Path) -> None:
    found = report(recorded(tmp_path, named("counter, value and angle")))
    assert found["driver"] == "ascii-line"
    assert found["sureness"] == "sure"
    assert isinstance(found["open"], list)
    about = {doubt["about"] for doubt in found["open"]}
    assert {"unit", "angle_per_turn", "baud"} <= about
    assert found["baud"] is None


def test_a_stream_that_stands_still_is_a_guess_and_says_why(tmp_path: Path) -> None:
    result = command(recorded(tmp_path, named("a stream that stands still")))
    assert result.exit_code == 0
    assert result.stdout.startswith("# a guess: ascii-line reads 20 frames")
    assert "the value never moved" in result.stdout
    assert "a minus was never seen" in result.stdout


def test_seven_bits_read_as_eight_are_named_and_the_port_is_to_be_set(tmp_path: Path) -> None:
    found = report(recorded(tmp_path, named("7O1 read as 8N1, comma")))
    assert found["framing"] == "7O1"
    assert 'framing = "7O1"' in str(found["toml"])


def test_noise_is_the_answer_no_with_what_came(tmp_path: Path) -> None:
    result = command(recorded(tmp_path, named("noise")))
    assert result.exit_code == 1
    assert "not recognised: 320 bytes came" in result.stdout
    assert "reclamp driver new NAME" in result.stdout


def test_a_recording_of_several_lines_wants_one_named(tmp_path: Path) -> None:
    path = tmp_path / "two.rec"
    path.write_text("1 usb1 < 4142\n2 usb2 < 4344\n")
    assert command(str(path)).exit_code == 2
    assert command(str(path), "--line", "usb3").exit_code == 2
    assert command(str(path), "--line", "usb1").exit_code == 1


def test_a_port_that_is_not_there_could_not_be_heard() -> None:
    result = command("/dev/ttyNOWHERE")
    assert result.exit_code == 3
    assert "is not there" in result.stderr


# --- on a pseudo-terminal ---


@contextmanager
def talking(frames: Iterator[bytes]) -> Iterator[FarEnd]:
    with far_end() as end:
        end.send_each(frames, 0.02)
        yield end


def test_a_talking_port_is_recognised_and_never_a_byte_is_sent() -> None:
    with talking(cycle(SWEEP)) as end:
        found = report(end.path, "--seconds", "1.5")
        heard = end.heard
    assert (found["driver"], found["sureness"]) == ("ascii-line", "sure")
    assert f'port = "{end.path}"' in str(found["toml"])
    assert heard == b""


def test_a_silent_port_is_sent_nothing_unless_it_is_to_be_asked() -> None:
    with far_end(lambda data: SWEEP[0] * data.count(b"go\r")) as end:
        result = command(end.path, "--seconds", "0.5")
        heard = end.heard
    assert result.exit_code == 1
    assert "polled indicator is silent until it is asked" in result.stdout
    assert heard == b""


def test_a_request_without_ask_is_wrong_use() -> None:
    result = command("/dev/null", "--request", "go\\r")
    assert result.exit_code == 2
    assert "--ask" in result.stderr


def test_a_polled_indicator_is_recognised_by_the_request_that_a_person_names() -> None:
    values = cycle(SWEEP)
    with far_end(
        lambda data: b"".join(next(values) for _ in range(data.count(b"go\r")))
    ) as end:
        found = report(end.path, "--seconds", "2.5", "--ask", "--request", "go\\r")
        heard = end.heard
    assert found["driver"] == "ascii-poll"
    assert found["sureness"] == "sure"
    assert isinstance(found["options"], dict)
    assert found["options"]["request"] == "go\r"
    assert heard == b"go\r" * (len(heard) // 3)


def test_an_answer_without_a_value_ends_the_asking() -> None:
    with far_end(lambda data: b"------- mm\r" * data.count(b"go\r")) as end:
        result = command(end.path, "--seconds", "0.5", "--ask", "--request", "go\\r")
        heard = end.heard
    assert result.exit_code == 1
    assert "no value in it" in result.stdout
    assert set(heard) == set(b"go\r")


def scpi_indicator() -> Callable[[bytes], bytes]:
    numbers = chain.from_iterable(repeat(range(-40, 40, 7)))

    def answer(data: bytes) -> bytes:
        if data == b"*IDN?\n":
            return b"WORKSHOP,D1,0042,1.0\n"
        if data == b"READ?\n":
            return f"{next(numbers) * 1e-7:+.5E}\n".encode()
        return b""

    return answer


def test_an_indicator_that_keeps_ieee_488_2_is_recognised_by_asking_who_is_there() -> None:
    with far_end(scpi_indicator()) as end:
        found = report(end.path, "--seconds", "1.5", "--ask")
    assert found["driver"] == "scpi"
    assert isinstance(found["options"], dict)
    assert found["options"]["identity"] == "WORKSHOP,D1,0042"


def modbus_indicator() -> Callable[[bytes], bytes]:
    options = {
        "unit_id": 3, "function": 4, "address": 10, "address_base": 0, "unit": "mm",
        "format": "float32", "byte_order": "CDAB", "step_um": 0.1,
    }  # fmt: skip
    responder = ModbusRtuResponder(options)
    counts = cycle(range(-40, 40, 7))
    return lambda data: responder.respond(data, lambda _: SentReading(next(counts) * 100))


def test_a_modbus_indicator_is_found_with_its_unit_id_registers_and_byte_order() -> None:
    with far_end(modbus_indicator()) as end:
        found = report(end.path, "--seconds", "1.5", "--ask")
    assert found["driver"] == "modbus-rtu"
    assert isinstance(found["options"], dict)
    wanted = {"unit_id": 3, "function": 4, "address": 10, "byte_order": "CDAB"}
    assert wanted.items() <= found["options"].items()


@pytest.mark.long  # seconds of scanning; run before closing
def test_a_modbus_indicator_with_its_registers_elsewhere_is_named_all_the_same() -> None:
    illegal_address = bytes.fromhex("01 83 02 C0 F1")

    def answer(data: bytes) -> bytes:
        return illegal_address if data[:2] == b"\x01\x03" else b""

    with far_end(answer) as end:
        result = command(end.path, "--seconds", "0.5", "--ask")
    assert result.exit_code == 1
    assert "Modbus unit 1 is there and answers with exception 2" in result.stdout


# --- behind RFC 2217: a UART at either end ---


@old_thread_calls
def test_speed_and_framing_are_found_and_confirmed_behind_rfc_2217() -> None:
    with behind_rfc_2217(SWEEP, LineSettings(19200, 7, "E", 1)) as url:
        found = report(url, "--seconds", "1.5")
    assert (found["baud"], found["framing"]) == (19200, "7E1")
    assert (found["driver"], found["sureness"]) == ("ascii-line", "sure")


@old_thread_calls
def test_a_server_that_ignores_settings_leaves_the_speed_open() -> None:
    with behind_rfc_2217(SWEEP, LineSettings()) as url:
        found = report(url + "?ign_set_control", "--seconds", "1.5")
    assert found["recognised"]
    assert found["baud"] is None
