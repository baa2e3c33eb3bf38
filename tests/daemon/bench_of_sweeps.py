"""A real bench runner on a real store, fed by a tape of sweeps: a bench that checks itself."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from daemon.config import load
from rules.capture_model import Seen
from rules.reading import Reading
from tests.daemon.bench_of_values import INDICATOR, ValueBench
from tests.rules.bench_tape import Tape

AT_CHECK = '[[bench.bin]]\nid = "1"\nshape = "ring"\nbox = "A-1-001"'
"""Where ``[bench.check]`` goes into the demo's bench file, before the bins of b1."""

CHECK = """[bench.check]
every_pieces = 4
every_hours = 8
warn_percent = 75
zero_drift_um = 2

[[bench.check.master]]
id = "MM-1"
subject = "solid-mandrel"
tir_um = 0.1
uncertainty_um = 0.1

[[bench.check.master]]
id = "EM-1"
subject = "eccentric-master"
tir_um = 5.1
uncertainty_um = 0.1

"""


class SweepBench(ValueBench):
    """Bench b1 of the demo's file with two masters; what a hand does is written on a tape."""

    def __init__(self, path: Path) -> None:
        super().__init__(load(path))
        self.tape = Tape(seed=3, indicator=INDICATOR, period_s=2.1, now_ns=self.clock.now_ns())
        self.scale = 1.0
        self.do(self.tape.rest)

    def do(self, action: Callable[..., object], *values: float) -> None:
        first = len(self.tape.events)
        action(*values)
        for event in self.tape.events[first:]:
            self.clock.seconds = (event.at_ns - 10**12) / 10**9
            if isinstance(event, Seen) and event.reading.value_nm is not None:
                value_nm = round(event.reading.value_nm * self.scale / 100) * 100
                event = replace(event, reading=Reading(value_nm))
            assert self.handle(event)
        self.clock.seconds = (self.tape.now_ns - 10**12) / 10**9

    def press_foot(self) -> None:
        self.do(lambda: self.tape.edge("foot"))
        self.do(self.tape.rest, 0.3)
        self.do(lambda: self.tape.edge("foot", is_on=False))

    def clamp(self, *tirs_um: float) -> None:
        for tir_um in tirs_um:
            self.do(self.tape.honest, tir_um)

    def seat(self, tir_um: float, phase: float) -> None:
        self.do(lambda: self.tape.reclamp(tir_um, phase).turn(3.4))

    def sensitivity(self) -> None:
        """Seat the eccentric master twice, half a turn apart."""
        self.seat(5.1, 0.1)
        self.seat(5.1, 0.6)

    def check(self) -> None:
        """Make a whole check, as an operator does who is asked for it."""
        self.press_foot()
        self.seat(0.3, 0.2)
        self.sensitivity()

    def piece(self, *tirs_um: float) -> None:
        """Measure a piece and put it where its lamp says."""
        self.clamp(*tirs_um)
        (bin_id,) = self.lamps
        assert self.placed(bin_id)
        self.tape.now_ns = self.clock.now_ns()
        self.tape._due_ns = float(self.tape.now_ns)


def sweep_bench(make: Callable[..., Path], *replacements: tuple[str, str]) -> SweepBench:
    """Return a bench with masters from the ``bench_folder`` fixture."""
    return SweepBench(make((AT_CHECK, CHECK + AT_CHECK), *replacements))
