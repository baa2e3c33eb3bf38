"""Every driver that pyproject.toml declares keeps the contract, by specimens of its own."""

import importlib
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest

from drivers.conformance import CASES, Case, Specimen, find_specimens, run
from simulators.far_end import FAR_ENDS

PYPROJECT = Path(__file__).parents[2] / "pyproject.toml"
ENTRY_POINTS: dict[str, str] = tomllib.loads(PYPROJECT.read_text())["project"]["entry-points"][
    "reclamp.drivers"
]


def specimens_of(name: str) -> tuple[Specimen, ...]:
    module, _, attribute = ENTRY_POINTS[name].partition(":")
    return find_specimens(getattr(importlib.import_module(module), attribute))


SPECIMENS = [(name, specimen) for name in ENTRY_POINTS for specimen in specimens_of(name)]


@pytest.mark.parametrize("name", ENTRY_POINTS)
def test_every_declared_driver_has_specimens_and_a_simulated_far_end(name: str) -> None:
    assert specimens_of(name)
    assert name in FAR_ENDS


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name.replace(" ", "-"))
@pytest.mark.parametrize(
    ("name", "specimen"), SPECIMENS, ids=[specimen.name for _, specimen in SPECIMENS]
)
def test_the_driver_keeps_the_contract(name: str, specimen: Specimen, case: Case) -> None:
    encode = FAR_ENDS[name](specimen.options).encode
    for complete in (specimen, replace(specimen, encode=encode)):
        (result,) = run(complete, [case])
        assert result.failures == ()
        assert result.tried > 0 or result.lacking


@pytest.mark.parametrize(
    ("name", "specimen"), SPECIMENS, ids=[specimen.name for _, specimen in SPECIMENS]
)
def test_the_simulated_indicator_writes_the_golden_frames(
    name: str, specimen: Specimen
) -> None:
    encode = FAR_ENDS[name](specimen.options).encode
    first_of_each = {frame.reading: frame for frame in reversed(specimen.good)}
    for reading, frame in first_of_each.items():
        assert encode(reading) == frame.raw
