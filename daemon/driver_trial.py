"""The conformance kit on a driver, outside of any test tree."""

import hashlib
import importlib
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import cast

from daemon.errors import UnknownDriverError
from daemon.registry import FoundDriver, find_driver, known_drivers
from drivers import MakeDriver
from drivers.conformance import CaseResult, Specimen, find_specimens, run

DEFAULT_FACTORY = "make"
_ANYTHING = (Exception, SystemExit)
"""A foreign module may fail in any way."""


@dataclass(frozen=True, slots=True)
class TriedSpecimen:
    """A specimen and what each case of the kit found on it."""

    specimen: Specimen
    results: tuple[CaseResult, ...]

    @property
    def failed(self) -> int:
        """How many cases failed."""
        return sum(bool(result.failures) for result in self.results)

    @property
    def tried(self) -> int:
        """How many single trials were made."""
        return sum(result.tried for result in self.results)


def driver_to_try(name: str, beside: Path) -> FoundDriver:
    """Return a driver by name, as ``FILE.py:NAME``, or as ``FILE.py`` for its ``make``.

    A file that lies in a package is imported as a part of it, installed or not.

    Raises:
        UnknownDriverError: If there is none.
    """
    full_name = f"{name}:{DEFAULT_FACTORY}" if name.endswith(".py") else name
    file, _, attribute = full_name.rpartition(":")
    path = (beside / file).resolve()
    if file.endswith(".py") and (path.parent / "__init__.py").is_file():
        return _of_package(full_name, path, attribute)
    return find_driver(full_name, beside)


def _of_package(name: str, path: Path, attribute: str) -> FoundDriver:
    home = path.parent
    parts = [path.stem]
    while (home / "__init__.py").is_file():
        parts.insert(0, home.name)
        home = home.parent
    sys.path.insert(0, str(home))
    try:
        make = getattr(importlib.import_module(".".join(parts)), attribute)
    except _ANYTHING as error:
        why = f": {path} ({type(error).__name__}: {error})"
        raise UnknownDriverError(name, sorted(known_drivers()), why) from error
    version = hashlib.sha256(path.read_bytes()).hexdigest()[:12]
    return FoundDriver(name, cast(MakeDriver, make), str(path), version)


def try_driver(found: FoundDriver, options: Mapping[str, object]) -> Iterator[TriedSpecimen]:
    """Yield the result on each specimen that the driver brings; nothing if it brings none.

    Args:
        found: The driver.
        options: Put over the specimens' own; the frames stay what they are.
    """
    for specimen in find_specimens(found.make):
        changed = replace(specimen, options={**specimen.options, **options})
        yield TriedSpecimen(changed, tuple(run(changed)))
