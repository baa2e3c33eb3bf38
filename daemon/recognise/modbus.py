"""Candidates for Modbus RTU: requests say which registers, values say in which order."""

import struct
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from daemon.recognise.proposal import Candidate, Doubt
from daemon.recognise.sample import Sample, Turn
from daemon.recognise.smooth import is_smooth
from drivers.checksum import crc_16

_LONG_ORDERS = {"ABCD": (0, 1, 2, 3), "CDAB": (2, 3, 0, 1), "BADC": (1, 0, 3, 2),
                "DCBA": (3, 2, 1, 0)}  # fmt: skip
_FUNCTIONS = (3, 4)
_REQUEST_BYTES = 8
_LARGEST, _SMALLEST = 10_000.0, 1e-7
_MOST_DECIMALS = 6
_MOST_COUNTS = 10**7
_MOST_REGISTERS = 16

_UNIT = Doubt("unit", "registers have none: mm is assumed; prove it with a known step")


@dataclass(frozen=True, slots=True)
class Asked:
    """One kind of request and the registers that its answers held."""

    unit_id: int
    function: int
    address: int
    count: int
    answers: tuple[bytes, ...]


def with_crc(body: bytes) -> bytes:
    """Return a frame with its checksum."""
    return body + crc_16(body).to_bytes(2, "little")


def is_whole(frame: bytes) -> bool:
    """Return True if a frame's checksum fits."""
    return len(frame) > 3 and with_crc(frame[:-2]) == frame


def read_request(unit_id: int, function: int, address: int, count: int) -> bytes:
    """Return the request that reads registers."""
    body = bytes((unit_id, function)) + address.to_bytes(2, "big") + count.to_bytes(2, "big")
    return with_crc(body)


def asked_registers(turns: Sequence[Turn]) -> list[Asked]:
    """Return what was asked over Modbus and answered well, most often asked first."""
    found: dict[tuple[int, int, int, int], list[bytes]] = {}
    for turn in turns:
        request, answer = turn.request, turn.answer
        if len(request) != _REQUEST_BYTES or not is_whole(request):
            continue
        unit_id, function = request[0], request[1]
        address, count = (
            int.from_bytes(request[2:4], "big"),
            int.from_bytes(request[4:6], "big"),
        )
        head = bytes((unit_id, function, 2 * count & 0xFF))
        is_answer = len(answer) == 5 + 2 * count and answer.startswith(head)
        if function in _FUNCTIONS and is_answer and is_whole(answer):
            found.setdefault((unit_id, function, address, count), []).append(answer[3:-2])
    kinds = [Asked(*key, tuple(answers)) for key, answers in found.items()]
    return sorted(kinds, key=lambda asked: -len(asked.answers))


def modbus_candidates(sample: Sample) -> Iterator[Candidate]:
    """Yield every description of the sample as a number in registers."""
    for asked in asked_registers(sample.turns)[:4]:
        for at in range(min(asked.count, _MOST_REGISTERS)):
            if at + 2 <= asked.count:
                yield from _long_numbers(asked, at)
            yield _short_number(asked, at)


def _long_numbers(asked: Asked, at: int) -> Iterator[Candidate]:
    raw = [answer[2 * at : 2 * at + 4] for answer in asked.answers]
    for name, order in _LONG_ORDERS.items():
        sorted_bytes = [bytes(item[place] for place in order) for item in raw]
        floats = [struct.unpack(">f", item)[0] for item in sorted_bytes]
        decimals = _decimals(floats)
        if decimals is not None:
            yield _float_number(asked, at, name, floats, decimals)
        integers = [int.from_bytes(item, "big", signed=True) for item in sorted_bytes]
        yield _integer_number(asked, at, "int32", name, integers)


def _decimals(floats: Sequence[float]) -> int | None:
    """Return how many decimals the floats have, if each is the nearest to a short decimal.

    The bytes of a float in a wrong order give numbers of any size, with no short decimal.
    """
    if any(number and not _SMALLEST <= abs(number) <= _LARGEST for number in floats):
        return None
    for decimals in range(_MOST_DECIMALS + 1):
        if all(_as_float(round(number, decimals)) == number for number in floats):
            return decimals
    return None


def _as_float(number: float) -> float:
    (found,) = struct.unpack(">f", struct.pack(">f", number))
    return float(found)


def _float_number(
    asked: Asked, at: int, order: str, floats: Sequence[float], decimals: int
) -> Candidate:
    step_um = 10.0 ** (3 - decimals)
    text = f"{decimals} decimals came, so {step_um:g} µm is taken for the indicator's step"
    doubts = [_UNIT, Doubt("step_um", text)]
    if not any(floats):
        text = "every value was zero, which reads zero in every order and format"
        doubts.append(Doubt("byte_order", text))
    options = {"format": "float32", "byte_order": order, "step_um": step_um}
    merit = 6 + (6 if len(set(floats)) > 2 else 0)
    return _candidate(asked, at, 2, options, merit, doubts)


def _integer_number(
    asked: Asked, at: int, form: str, order: str, integers: Sequence[int]
) -> Candidate:
    """Return the description as an integer; moving within a metre speaks for it."""
    spread = max(map(abs, integers), default=0)
    is_likely = len(set(integers)) > 2 and spread < _MOST_COUNTS
    merit = 5 * is_likely + 3 * (is_likely and is_smooth(integers))
    scale = Doubt("scale", "a count is taken for 0.0001 mm; prove it with a known step")
    options: dict[str, object] = {"format": form, "byte_order": order, "scale": 0.0001}
    size = 2 if form == "int32" else 1
    return _candidate(asked, at, size, options, merit, [_UNIT, scale])


def _short_number(asked: Asked, at: int) -> Candidate:
    raw = [answer[2 * at : 2 * at + 2] for answer in asked.answers]
    integers = [int.from_bytes(item, "big", signed=True) for item in raw]
    return _integer_number(asked, at, "int16", "AB", integers)


def _candidate(
    asked: Asked,
    at: int,
    size: int,
    options: dict[str, object],
    merit: int,
    doubts: list[Doubt],
) -> Candidate:
    address = asked.address + at
    request = read_request(asked.unit_id, asked.function, address, size)
    head = bytes((asked.unit_id, asked.function, 2 * size))
    turns = tuple(
        Turn(request, with_crc(head + answer[2 * at : 2 * (at + size)]))
        for answer in asked.answers
    )
    others = asked.count - size
    if others:
        text = f"{asked.count} registers were read and {size} are used: one may be a status"
        doubts.append(Doubt("status", text))
    else:
        merit += 2
    place = {
        "unit_id": asked.unit_id,
        "function": asked.function,
        "address": address,
        "address_base": 0,
        "unit": "mm",
    }
    return Candidate("modbus-rtu", {**place, **options}, merit, tuple(doubts), turns)


def most_seen_exception(turns: Sequence[Turn]) -> tuple[int, int] | None:
    """Return unit id and code of the exception that was answered most often."""
    codes = Counter(
        (turn.answer[0], turn.answer[2])
        for turn in turns
        if len(turn.answer) == 5 and is_whole(turn.answer) and turn.answer[1] & 0x80
    )
    return codes.most_common(1)[0][0] if codes else None
