"""What a record names can be repeated: the version that is written now, and those before."""

from dataclasses import replace
from random import Random

from rules.evaluations import SHIPPED
from rules.run_out import EVALUATION_VERSION, Sweep, evaluate
from tests.rules.bench_tape import INDEX_RULES
from tests.rules.turned_sweeps import Pin, Reader, steady
from tests.rules.waves import eccentric, sweep_of


def spiked() -> Sweep:
    """Return two whole turns of 3 µm with one reading in the second that stands out."""
    clean = sweep_of(eccentric(1_500), samples=96, step_nm=100)
    values = list(clean.value_nm)
    values[130] += 4_000
    return replace(clean, value_nm=tuple(values))


def at_its_end() -> Sweep:
    """Return whole turns of 6.4 µm that a stylus shows 5 µm of, in noise."""
    reader = Reader(Random(4), index_at=0.3)
    pin = Pin(((3_200, 0.1),), end_nm=1_800)
    return reader.sweep(pin, steady(), INDEX_RULES)


def test_the_version_that_is_recorded_now_can_be_repeated() -> None:
    assert SHIPPED[EVALUATION_VERSION].sweep is evaluate
    assert max(SHIPPED, key=int) == EVALUATION_VERSION


def test_each_version_stays_what_it_was_when_it_was_recorded() -> None:
    # Version 1 looked for no spikes: turns that differ so were turns that disagree.
    # Version 2 took a level in noise for a broad crest.
    by_version = {
        version: tuple(one.sweep(s, INDEX_RULES).invalid for s in (spiked(), at_its_end()))
        for version, one in SHIPPED.items()
    }
    assert by_version == {
        "1": ("turns-disagree", None),
        "2": ("spike", None),
        "3": ("spike", "stylus-off"),
        "4": ("spike", "stylus-off"),
    }
