"""The kit, case by case, and the simulated indicator against frames written by hand."""

import importlib
import tomllib
from pathlib import Path

import pytest

from daemon.driver_template.skeleton.driver_specimens import SPECIMENS
from drivers.conformance import CASES, Case, Specimen, run

PYPROJECT = Path(__file__).parents[1] / "pyproject.toml"
by_name = pytest.mark.parametrize("specimen", SPECIMENS, ids=lambda specimen: specimen.name)


@by_name
@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name.replace(" ", "-"))
def test_the_driver_keeps_the_contract(specimen: Specimen, case: Case) -> None:
    """Every case of the kit holds, or says why it can't be tried on this pattern."""
    (result,) = run(specimen, [case])
    assert result.failures == ()
    assert result.tried > 0 or result.lacking


@by_name
def test_the_simulated_indicator_writes_the_frames(specimen: Specimen) -> None:
    """Driver and simulator can't share a misreading: both meet frames written by hand."""
    assert specimen.encode is not None
    for frame in specimen.good:
        assert specimen.encode(frame.reading) == frame.raw


def test_reclamp_finds_the_driver_where_pyproject_says() -> None:
    """The entry point leads to the factory that was tried."""
    points = tomllib.loads(PYPROJECT.read_text("utf-8"))["project"]["entry-points"]
    for target in points["reclamp.drivers"].values():
        module, _, attribute = target.partition(":")
        assert getattr(importlib.import_module(module), attribute) is SPECIMENS[0].make
