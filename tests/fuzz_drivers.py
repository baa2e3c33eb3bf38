"""Coverage-guided fuzzing of the drivers; a command, no test (needs ``pip install atheris``).

    python tests/fuzz_drivers.py NAME [-runs=N] [-seed=S] [further libFuzzer options]

NAME is a driver of pyproject.toml. Each input becomes chunks and timeouts for one of the
driver's specimens. What must hold: nothing raises, at most MAX_FRAME_BYTES or so are held,
and the second good frame after it all is read.
"""

import importlib
import sys
import tomllib
from pathlib import Path

import atheris  # type: ignore[import-not-found, import-untyped, unused-ignore]

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT))

with atheris.instrument_imports(include=["drivers"]):
    from drivers.conformance import Specimen, find_specimens
    from drivers.conformance.memory import held_bytes
    from drivers.conformance.trial import Trial
    from drivers.contract import MAX_FRAME_BYTES

    CODE = tomllib.loads((ROOT / "pyproject.toml").read_text())
    ENTRY_POINTS = CODE["project"]["entry-points"]["reclamp.drivers"]
    MODULES = {
        name: importlib.import_module(place.partition(":")[0])
        for name, place in ENTRY_POINTS.items()
    }


def try_input(specimens: tuple[Specimen, ...], data: bytes) -> None:
    """Feed one input to one specimen's driver and check what must hold."""
    provider = atheris.FuzzedDataProvider(data)
    specimen = specimens[provider.ConsumeIntInRange(0, len(specimens) - 1)]
    trial = Trial(specimen)
    before = held_bytes(trial.driver)
    while provider.remaining_bytes():
        what = provider.ConsumeIntInRange(0, 7)
        if what == 0:
            trial.time_out()
        elif what == 1:
            frame = specimen.golden[provider.ConsumeIntInRange(0, len(specimen.golden) - 1)]
            trial.feed(frame.raw)
        else:
            trial.feed(provider.ConsumeBytes(provider.ConsumeIntInRange(1, 40)))
        trial.driver.next_request()
    grown = held_bytes(trial.driver) - before
    assert grown <= 8 * MAX_FRAME_BYTES, f"{grown} bytes more are held"
    first, second, third = specimen.three()
    trial.time_out()
    trial.results.clear()
    trial.answer(first.raw, second.raw, third.raw)
    assert trial.readings[-2:] == [second.says, third.says], trial.results


def main() -> None:
    """Fuzz the driver named first on the command line."""
    if len(sys.argv) < 2 or sys.argv[1] not in MODULES:
        sys.exit(f"usage: {sys.argv[0]} {'|'.join(MODULES)} [-runs=N]")
    name = sys.argv.pop(1)
    specimens = find_specimens(MODULES[name].make)
    atheris.Setup(sys.argv, lambda data: try_input(specimens, data))
    atheris.Fuzz()


if __name__ == "__main__":
    main()
