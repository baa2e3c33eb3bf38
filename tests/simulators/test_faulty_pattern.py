"""An indicator that freezes, changes its unit, falls silent; a cable that spoils frames."""

from random import Random

import pytest

from drivers import BadFrame, ascii_line, modbus_rtu
from rules.reading import Flag, Reading
from simulators.ascii_line import AsciiLineEncoder
from simulators.ascii_poll import AsciiPollResponder
from simulators.faults import LineFaults
from simulators.faulty_pattern import FaultyPattern, finest_step_nm
from simulators.modbus_rtu import ModbusRtuResponder
from simulators.packed_bcd import PackedBcdResponder
from simulators.scenario import B1_FRAME, B2_FRAME

NONE = LineFaults()
TWO_UNITS = {"unit": {"mm": "mm", "in": "inch"}, "decimals": 5, "digits": 8}
FIXED_UNIT = {"unit": "mm", "decimals": 4, "digits": 7}
IN_FLAGS: frozenset[Flag] = frozenset({"index", "foot"})


def faulty(
    options: dict[str, object], faults: LineFaults = NONE, seed: int = 1
) -> FaultyPattern:
    return FaultyPattern(AsciiLineEncoder(options), faults, Random(seed))


def said(pattern: FaultyPattern, options: dict[str, object], *values_nm: int) -> list[object]:
    driver = ascii_line.make(options)
    return [
        result
        for value_nm in values_nm
        for result in driver.feed(pattern.encode(Reading(value_nm, "mm")))
    ]


def test_without_faults_it_says_what_the_pattern_says() -> None:
    pattern = faulty(dict(B1_FRAME))
    reading = Reading(4100, "mm", flags=IN_FLAGS)
    assert pattern.encode(reading) == AsciiLineEncoder(B1_FRAME).encode(reading)


def test_a_frozen_indicator_holds_its_value_and_still_passes_flags_on() -> None:
    pattern = faulty(dict(B1_FRAME))
    driver = ascii_line.make(B1_FRAME)
    pattern.encode(Reading(4100, "mm"))
    pattern.is_frozen = True
    (held,) = driver.feed(pattern.encode(Reading(9900, "mm", flags=frozenset({"index"}))))
    (plain,) = driver.feed(pattern.encode(Reading(5000, "mm")))
    pattern.is_frozen = False
    (thawed,) = driver.feed(pattern.encode(Reading(5000, "mm")))
    assert held == Reading(4100, "mm", flags=frozenset({"index"}))
    assert plain == Reading(4100, "mm")
    assert thawed == Reading(5000, "mm")


def test_a_unit_switched_in_mid_stream_is_said_where_the_frame_has_a_unit() -> None:
    pattern = faulty(TWO_UNITS)
    pattern.is_switched = True
    (reading,) = said(pattern, TWO_UNITS, 25_400)
    assert reading == Reading(25_400, "inch")


def test_a_unit_switched_where_the_frame_has_none_sends_the_bare_digits() -> None:
    pattern = faulty(FIXED_UNIT)
    pattern.is_switched = True
    (reading,) = said(pattern, FIXED_UNIT, 254_000)
    assert reading == Reading(10_000, "mm")  # 0.01 inch, taken for 0.01 mm: the dangerous one


def test_a_silent_indicator_sends_nothing_and_hears_nothing() -> None:
    pattern = faulty(FIXED_UNIT)
    pattern.is_silent = True
    assert pattern.encode(Reading(0, "mm")) == b""
    answers = AsciiPollResponder(B2_FRAME)
    asked = FaultyPattern(answers, NONE, Random(1), answers)
    assert asked.respond(b"tell\r", lambda _: Reading(0, "mm")) != b""
    asked.is_silent = True
    assert asked.respond(b"tell\r", lambda _: Reading(0, "mm")) == b""


def test_a_pattern_that_is_not_asked_answers_nothing() -> None:
    assert faulty(FIXED_UNIT).respond(b"tell\r", lambda _: Reading(0, "mm")) == b""


@pytest.mark.parametrize("flags", [frozenset(), {"index"}, {"foot"}, {"index", "foot"}])
def test_flags_without_room_in_the_frame_are_left_out_and_others_kept(flags: set[str]) -> None:
    options: dict[str, object] = {**FIXED_UNIT, "flags": {"-": [], "I": "index"}}
    driver = ascii_line.make(options)
    reading = Reading(0, "mm", flags=frozenset(flags))  # type: ignore[arg-type]
    (seen,) = driver.feed(faulty(options).encode(reading))
    assert isinstance(seen, Reading)
    assert seen.flags == flags & {"index"}


def test_the_same_seed_spoils_the_same_frames() -> None:
    faults = LineFaults(0.2, 0.2, 0.2, 0.2, 0.2, 0.2)

    def run(seed: int) -> list[bytes]:
        pattern = faulty(FIXED_UNIT, faults, seed)
        return [pattern.encode(Reading(100 * n, "mm")) for n in range(200)]

    assert run(3) == run(3)
    assert run(3) != run(4)


def test_spoiled_frames_of_a_guarded_line_are_bad_frames_and_never_other_values() -> None:
    options: dict[str, object] = {
        **FIXED_UNIT, "start": "STX", "end": "ETX", "checksum": {"kind": "crc-16"},
    }  # fmt: skip
    pattern = faulty(options, LineFaults(noise=0.3, flipped_bit=0.3, cut=0.2), seed=5)
    results = said(pattern, options, *range(0, 40_000, 100))
    values = [r.value_nm or 0 for r in results if isinstance(r, Reading)]
    assert values == sorted(set(values))
    assert set(values) <= set(range(0, 40_000, 100))
    assert 50 < len(values) < 350
    assert any(isinstance(r, BadFrame) for r in results)


def test_answers_are_spoiled_too() -> None:
    options: dict[str, object] = {
        "unit_id": 1, "function": 3, "address": 0, "address_base": 0, "format": "int32",
        "byte_order": "ABCD", "unit": "um", "scale": 0.1,
    }  # fmt: skip
    units = ModbusRtuResponder(options)
    pattern = FaultyPattern(units, LineFaults(flipped_bit=1.0), Random(1), units)
    driver = modbus_rtu.make(options)
    request = driver.next_request()
    assert request is not None
    answer = pattern.respond(request, lambda _: Reading(4100, "mm"))
    assert answer
    assert not any(isinstance(result, Reading) for result in driver.feed(answer))


@pytest.mark.parametrize(
    ("pattern", "unit", "step_nm"),
    [
        (AsciiLineEncoder(FIXED_UNIT), "mm", 100),
        (AsciiLineEncoder({"unit": "mm", "decimals": 3, "digits": 6}), "mm", 1_000),
        (AsciiLineEncoder({"unit": "inch", "decimals": 5, "digits": 6}), "inch", 254),
        (PackedBcdResponder({"unit": "mm", "digits": 5, "decimals": 2}), "mm", 10_000),
    ],
)
def test_the_step_is_the_finest_that_the_frame_can_say(
    pattern: AsciiLineEncoder | PackedBcdResponder, unit: str, step_nm: int
) -> None:
    assert finest_step_nm(pattern, Reading(0, unit)) == step_nm  # type: ignore[arg-type]


def test_a_frame_that_can_say_no_length_is_refused() -> None:
    whole_mm = AsciiLineEncoder({"unit": "mm", "decimals": 0, "digits": 3})
    with pytest.raises(ValueError, match="can't say any length"):
        finest_step_nm(whole_mm, Reading(0, "mm"))
