"""modbus-rtu against an independent far end: pymodbus's server behind a loopback socket."""

import asyncio
from collections.abc import AsyncIterator, Mapping
from typing import cast

import pytest

from drivers.contract import BadFrame
from drivers.modbus_rtu import ModbusRtu, make
from rules.reading import Reading

pytest.importorskip("pymodbus", reason="pymodbus is the independent far end (pip: pymodbus)")
from pymodbus import FramerType
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

ANSWER_S = 2.0
Line = tuple[asyncio.StreamReader, asyncio.StreamWriter]

UNIT_1 = SimDevice(
    1,
    simdata=[
        SimData(0, values=[0.0042, -0.0041, 0.0, 12.3456], datatype=DataType.FLOAT32),
        SimData(8, values=[0x0002], datatype=DataType.REGISTERS),
        SimData(20, values=[-82, 123], datatype=DataType.INT16),
        SimData(30, values=[-123456, 987654], datatype=DataType.INT32),
        SimData(40, values=[float("nan")], datatype=DataType.FLOAT32),
    ],
)
# 0.0052 is the float 3B AA 64 C3 (IEEE 754); its bytes in the three other orders.
UNIT_2 = SimDevice(
    2,
    simdata=[
        SimData(0, values=[0x64C3, 0x3BAA], datatype=DataType.REGISTERS),
        SimData(2, values=[0xAA3B, 0xC364], datatype=DataType.REGISTERS),
        SimData(4, values=[0xC364, 0xAA3B], datatype=DataType.REGISTERS),
    ],
)
PLACE: Mapping[str, object] = {"unit_id": 1, "function": 3, "address_base": 0, "unit": "mm"}
FLOAT: Mapping[str, object] = {
    **PLACE,
    "format": "float32",
    "byte_order": "ABCD",
    "step_um": 0.1,
}
SHORT: Mapping[str, object] = {**PLACE, "format": "int16", "scale": "0.0001"}
LONG: Mapping[str, object] = {
    **PLACE,
    "format": "int32",
    "byte_order": "ABCD",
    "scale": "0.00001",
}


@pytest.fixture
async def line() -> AsyncIterator[Line]:
    server = ModbusTcpServer([UNIT_1, UNIT_2], framer=FramerType.RTU, address=("127.0.0.1", 0))
    await server.listen()
    listening = cast(asyncio.Server, server.transport)
    port = listening.sockets[0].getsockname()[1]
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    yield reader, writer
    writer.close()
    await writer.wait_closed()
    await server.shutdown()  # type: ignore[no-untyped-call]


async def ask(driver: ModbusRtu, line: Line) -> Reading | BadFrame:
    """Send the driver's next request and return the one result of the answer."""
    reader, writer = line
    request = driver.next_request()
    assert request is not None
    writer.write(request)
    while True:
        chunk = await asyncio.wait_for(reader.read(256), ANSWER_S)
        assert chunk, "the far end hung up"
        if results := driver.feed(chunk):
            (result,) = results
            return result


@pytest.mark.parametrize(
    ("options", "value_nm"),
    [
        ({**FLOAT, "address": 0}, 4200),
        ({**FLOAT, "address": 1, "address_base": 1}, 4200),
        ({**FLOAT, "address": 2}, -4100),
        ({**FLOAT, "address": 4}, 0),
        ({**FLOAT, "address": 6}, 12_345_600),
        ({**FLOAT, "address": 0, "function": 4}, 4200),
        ({**FLOAT, "address": 0, "scale": 10}, 42_000),
        ({**SHORT, "address": 20}, -8200),
        ({**SHORT, "address": 21, "unit": "inch", "scale": "0.00005"}, 156_210),
        ({**LONG, "address": 30}, -1_234_560),
        ({**LONG, "address": 32}, 9_876_540),
    ],
)
async def test_registers_of_another_implementation_are_read(
    line: Line, options: dict[str, object], value_nm: int
) -> None:
    driver = make(options)
    for _ in range(3):
        result = await ask(driver, line)
        assert isinstance(result, Reading), result
        assert result.value_nm == value_nm


async def test_the_status_is_read_in_the_same_request(line: Line) -> None:
    options = {**FLOAT, "address": 6, "status": {"address": 8, "bits": {"1": "low-battery"}}}
    result = await ask(make(options), line)
    assert result == Reading(12_345_600, flags=frozenset({"low-battery"}), channel="1")


@pytest.mark.parametrize(("address", "order"), [(0, "CDAB"), (2, "BADC"), (4, "DCBA")])
async def test_two_units_with_their_own_byte_order_share_a_line(
    line: Line, address: int, order: str
) -> None:
    first = make({**FLOAT, "address": 0})
    second = make({**FLOAT, "address": address, "unit_id": 2, "byte_order": order})
    for _ in range(3):
        assert await ask(first, line) == Reading(4200, channel="1")
        assert await ask(second, line) == Reading(5200, channel="2")


async def test_a_wrong_byte_order_gives_no_value(line: Line) -> None:
    driver = make({**FLOAT, "address": 0, "unit_id": [1, 2]})
    assert await ask(driver, line) == Reading(4200, channel="1")
    wrong = await ask(driver, line)
    assert isinstance(wrong, BadFrame)
    assert "too far for the step" in wrong.reason
    assert await ask(driver, line) == Reading(4200, channel="1")


async def test_not_a_number_is_refused(line: Line) -> None:
    result = await ask(make({**FLOAT, "address": 40}), line)
    assert isinstance(result, BadFrame)
    assert "is no number" in result.reason


async def test_an_exception_is_told_and_asking_goes_on(line: Line) -> None:
    driver = make({**FLOAT, "address": 900})
    for _ in range(2):
        result = await ask(driver, line)
        assert isinstance(result, BadFrame)
        assert result.reason == "unit 1: exception 02, illegal data address"
