"""The simulated far ends: asked by the drivers, by pymodbus's client, and by noise."""

import asyncio
from collections.abc import AsyncIterator, Callable, Mapping
from random import Random
from typing import cast

import pytest

from drivers import ascii_poll, modbus_rtu, packed_bcd, scpi
from drivers.contract import BadFrame, MakeDriver
from rules.reading import Reading
from simulators.far_end import FAR_ENDS
from simulators.faults import LineFaults, spoil
from simulators.modbus_rtu import ModbusRtuResponder

pytest.importorskip("pymodbus", reason="pymodbus is the independent client (pip: pymodbus)")
from pymodbus import FramerType
from pymodbus.client import AsyncModbusTcpClient

Options = Mapping[str, object]

MODBUS: Options = {
    "unit_id": [1, 2],
    "function": 3,
    "address": 100,
    "address_base": 0,
    "format": "float32",
    "byte_order": "CDAB",
    "unit": "mm",
    "step_um": 0.1,
    "status": {"address": 103, "bits": {"0": "over-range", "5": "low-battery"}},
}
POLLED: dict[str, tuple[MakeDriver, Options]] = {
    "ascii-poll": (
        ascii_poll.make,
        {
            "request": {"1": "A", "2": "B"},
            "unit": "mm",
            "decimals": 4,
            "digits": 7,
            "checksum": {"kind": "crc-16"},
        },
    ),
    "modbus-rtu": (modbus_rtu.make, MODBUS),
    "packed-bcd": (
        packed_bcd.make,
        {
            "request": "05",
            "unit": "mm",
            "digits": 7,
            "decimals": 4,
            "checksum": {"kind": "crc-16"},
        },
    ),
    "scpi": (scpi.make, {"identity": "Fictive Works,D1", "unit": "m"}),
}


@pytest.mark.parametrize("name", POLLED)
def test_a_conversation_cut_anywhere_gives_every_reading_in_order(name: str) -> None:
    make, options = POLLED[name]
    driver, far_end, rng = make(options), FAR_ENDS[name](options), Random(5)
    sent: list[Reading] = []

    def indication(channel: str) -> Reading:
        sent.append(Reading(rng.randint(-7000, 7000) * 100, channel=channel))
        return sent[-1]

    results: list[Reading | BadFrame] = []
    for _ in range(300):
        request = driver.next_request()
        assert request is not None
        cut = rng.randrange(len(request) + 1)
        answer = far_end.respond(request[:cut], indication)
        answer += far_end.respond(request[cut:], indication)
        cut = rng.randrange(len(answer) + 1)
        results += [*driver.feed(answer[:cut]), *driver.feed(answer[cut:])]
    assert results == sent
    assert len(results) >= 298


def showing(value_nm: int) -> Callable[[str], Reading]:
    return lambda _: Reading(value_nm)


@pytest.mark.parametrize("name", POLLED)
def test_a_bad_line_never_gives_a_reading_to_the_wrong_request(name: str) -> None:
    make, options = POLLED[name]
    if name == "scpi":
        options = {**options, "sign": "+-", "decimals": 7, "digits": 8}
    driver, far_end, rng = make(options), FAR_ENDS[name](options), Random(6)
    faults = LineFaults(noise=0.1, lost_byte=0.1, cut=0.1, silence=0.1, repeat=0.1)
    late, right, turn = b"", 0, 0
    for turn in range(3000):
        request = driver.next_request()
        if request is None:
            driver.feed(late)
            late = b""
            driver.timed_out()
            continue
        value_nm = (turn - 1500) * 100
        answer = spoil(far_end.respond(request, showing(value_nm)), faults, rng)
        if rng.random() < 0.1:
            late = answer
            driver.timed_out()
            continue
        results = driver.feed(answer)
        read = {each.value_nm for each in results if isinstance(each, Reading)}
        assert read <= {value_nm}
        right += len(read)
        if not read:
            driver.timed_out()
    assert right > 300, "the line must recover again and again"


@pytest.mark.parametrize("name", POLLED)
def test_noise_to_a_far_end_gets_no_reading_and_does_not_pile_up(name: str) -> None:
    _, options = POLLED[name]
    far_end, rng = FAR_ENDS[name](options), Random(7)
    letters = bytes(set(range(256)) - set(b"AB\x05"))  # the requests of the two short ones

    def never(_: str) -> Reading:
        raise AssertionError

    for _ in range(200):
        far_end.respond(bytes(rng.choices(letters, k=100)), never)


def test_an_indicator_that_sends_unasked_answers_nothing() -> None:
    far_end = FAR_ENDS["ascii-line"]({"unit": "mm"})
    assert far_end.respond(b"?\r\n", lambda _: Reading(0)) == b""


# --- Modbus, asked by another implementation


@pytest.fixture
async def client() -> AsyncIterator[AsyncModbusTcpClient]:
    responder = ModbusRtuResponder(MODBUS)
    hung_up = asyncio.Event()

    def indication(channel: str) -> Reading:
        return Reading({"1": 4200, "2": -4100}[channel], flags=frozenset({"low-battery"}))

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while chunk := await reader.read(256):
            writer.write(responder.respond(chunk, indication))
        writer.close()
        await writer.wait_closed()
        hung_up.set()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    asking = AsyncModbusTcpClient(
        "127.0.0.1", port=port, framer=FramerType.RTU, timeout=1, retries=0
    )
    await asking.connect()
    yield asking
    asking.close()
    await hung_up.wait()
    server.close()
    await server.wait_closed()


@pytest.mark.parametrize(("unit_id", "expected"), [(1, 0.0042), (2, -0.0041)])
async def test_another_client_reads_value_and_status(
    client: AsyncModbusTcpClient, unit_id: int, expected: float
) -> None:
    answer = await client.read_holding_registers(100, count=4, device_id=unit_id)
    assert not answer.isError()
    low, high, _, status = answer.registers
    value = client.convert_from_registers([high, low], client.DATATYPE.FLOAT32)
    assert cast(float, value) == pytest.approx(expected, rel=1e-7)
    assert status == 0x0020


@pytest.mark.parametrize(
    ("function", "address", "count", "code"),
    [("input", 100, 2, 1), ("holding", 99, 2, 2), ("holding", 103, 2, 2)],
)
async def test_another_client_is_told_what_was_illegal(
    client: AsyncModbusTcpClient, function: str, address: int, count: int, code: int
) -> None:
    ask = client.read_input_registers if function == "input" else client.read_holding_registers
    answer = await ask(address, count=count, device_id=1)
    assert answer.isError()
    assert answer.exception_code == code
