"""Pieces on which much went wrong, at a bench with two indicators: for pictures of them."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from rules.sweep import Sweep
from simulators.collet import ColletKind
from simulators.stand import Harmonic
from tests.daemon.measured import Bench, Shop, measured

BY_SPEED = ('proof = "index"', 'proof = "speed"\nturn_s = 2.4')

_SECOND = """[[bench.indicator]]
id = "IND-22"
line = "usb1"
channel = "2"
position = "face"
projection_mm = 5
step_um = 0.1

[bench.capture]"""

TWO_POSITIONS = (
    '[bench.capture]\nmode = "sweep"\nturning = "driven"\nproof = "index"',
    _SECOND + '\nmode = "sweep"\nturning = "driven"\nproof = "index"',
)
FIRST_CHANNEL = ('id = "IND-21"\nline = "usb1"', 'id = "IND-21"\nline = "usb1"\nchannel = "1"')

PER_POSITION = (
    "limit_um = 4.0\nguard_um = 0.8",
    "position.face = { limit_um = 1.5, guard_um = 0.3 }\n"
    "position.far = { limit_um = 4.0, guard_um = 0.8 }",
)

SPIKED, FROZEN, CUT, FAR_OUT, HONEST = ODD = (1, 2, 3, 4, 5)


def spoil(piece: int, before: int, position: str, swept: Sweep) -> Sweep:
    """Return the sweep as this piece's mishap left it; a retry goes well."""
    values = list(swept.value_nm)
    if position == "face":
        return replace(swept, value_nm=tuple(value * 45 // 100 for value in values))
    if before >= 10:
        return swept
    if piece == SPIKED:
        values[60] += 5_000
    elif piece == FROZEN:
        values[40:] = [-60_000] * len(values[40:])
    elif piece == CUT and before == 0:
        third = len(values) // 3
        return Sweep(swept.at_ns[:third], swept.value_nm[:third], swept.index_ns[:1], "lifted")
    elif piece == FAR_OUT:
        values = [value * 12 for value in values]
    return replace(swept, value_nm=tuple(values))


def odd_shop(bench_folder: Callable[..., Path]) -> Shop:
    """Return a store of one piece of each kind."""
    kind = Bench(
        collets=ColletKind(0.9, 0.4, outlier_share=0.0, chip_share=0.0),
        harmonics=(Harmonic(3, 0.2), Harmonic(2, 0.15)),
        spoil=spoil,
        retried=frozenset({SPIKED}),
    )
    return measured(bench_folder(TWO_POSITIONS, FIRST_CHANNEL), len(ODD), kind=kind)
