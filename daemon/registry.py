"""Driver name → driver: entry points of installed packages, or one file by the bench file."""

import hashlib
import importlib.util
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from typing import cast

from daemon.errors import DriverMakeError, UnknownDriverError
from drivers import Driver, LineSettings, MakeDriver, OptionError

GROUP = "reclamp.drivers"

_ANYTHING = (Exception, SystemExit)
"""How a foreign module may fail; one that exits at import must not end the service."""

_PARTS = ("feed", "next_request", "timed_out")


@dataclass(frozen=True, slots=True)
class FoundDriver:
    """A driver and where it comes from.

    Attributes:
        name: As the bench file names it.
        make: Its factory.
        origin: Distribution and version, or the file.
        version: What a record names: the distribution's version, or the file's hash.
    """

    name: str
    make: MakeDriver
    origin: str
    version: str


def known_drivers() -> Mapping[str, EntryPoint]:
    """Return the entry points of every installed driver, by name."""
    return {point.name: point for point in entry_points(group=GROUP)}


def find_driver(name: str, beside: Path) -> FoundDriver:
    """Return the driver a bench file names.

    Args:
        name: An entry point's name, or ``FILE.py:NAME`` relative to ``beside``.
        beside: Folder of the bench file.

    Raises:
        UnknownDriverError: If there is none, or if it can't be loaded.
    """
    known = known_drivers()
    if name in known:
        return _installed(known[name], list(known))
    file, colon, attribute = name.rpartition(":")
    if colon and file.endswith(".py"):
        return _from_file(name, beside / file, attribute, list(known))
    raise UnknownDriverError(name, sorted(known))


def make_driver(found: FoundDriver, options: Mapping[str, object]) -> Driver:
    """Return a new driver with these options.

    Raises:
        OptionError: If an option is unknown, missing or wrong.
        DriverMakeError: If the factory fails otherwise, or makes what is no driver.
    """
    accepted = "accepted is a factory: options in, a driver of drivers.contract out"
    try:
        driver = found.make(options)
    except OptionError:
        raise
    except _ANYTHING as error:
        text = f"{found.name} can't be made ({type(error).__name__}: {error}); {accepted}"
        raise DriverMakeError(text) from error
    lacking = [name for name in _PARTS if not callable(getattr(driver, name, None))]
    if not isinstance(getattr(driver, "line", None), LineSettings):
        lacking.append("line")
    if lacking:
        text = f"what {found.name} makes has no {', '.join(lacking)}; {accepted}"
        raise DriverMakeError(text)
    return driver


def _installed(point: EntryPoint, known: list[str]) -> FoundDriver:
    try:
        make = cast(MakeDriver, point.load())
    except _ANYTHING as error:
        why = f" that loads ({type(error).__name__}: {error})"
        raise UnknownDriverError(point.name, sorted(known), why) from error
    origin = f"{point.dist.name} {point.dist.version}" if point.dist else "unknown package"
    return FoundDriver(point.name, make, origin, point.dist.version if point.dist else "")


def _from_file(name: str, path: Path, attribute: str, known: list[str]) -> FoundDriver:
    try:
        text = path.read_bytes()
        version = hashlib.sha256(text).hexdigest()[:12]
        module_name = f"reclamp_driver_{path.stem}_{version}"
        spec = importlib.util.spec_from_file_location(module_name, path)
        if spec is None or spec.loader is None:
            raise ImportError("no Python module")
        module = importlib.util.module_from_spec(spec)
        sys.modules[module_name] = module  # dataclasses look their own module up
        spec.loader.exec_module(module)
        make = cast(MakeDriver, getattr(module, attribute))
    except _ANYTHING as error:
        why = f" that loads: {path} ({type(error).__name__}: {error})"
        raise UnknownDriverError(name, sorted(known), why) from error
    return FoundDriver(name, make, str(path), version)
