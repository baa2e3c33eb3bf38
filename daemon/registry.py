"""Driver name → driver: entry points of installed packages, or one file by the bench file."""

import hashlib
import importlib.util
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from typing import cast

from daemon.errors import UnknownDriverError
from drivers import MakeDriver

GROUP = "reclamp.drivers"


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


def _installed(point: EntryPoint, known: list[str]) -> FoundDriver:
    try:
        make = cast(MakeDriver, point.load())
    except Exception as error:  # a foreign module may fail in any way
        why = f" that loads ({type(error).__name__}: {error})"
        raise UnknownDriverError(point.name, sorted(known), why) from error
    origin = f"{point.dist.name} {point.dist.version}" if point.dist else "unknown package"
    return FoundDriver(point.name, make, origin, point.dist.version if point.dist else "")


def _from_file(name: str, path: Path, attribute: str, known: list[str]) -> FoundDriver:
    try:
        text = path.read_bytes()
        spec = importlib.util.spec_from_file_location(f"reclamp_driver_{path.stem}", path)
        if spec is None or spec.loader is None:
            raise ImportError("no Python module")
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
        make = cast(MakeDriver, getattr(module, attribute))
    except Exception as error:  # a foreign module may fail in any way
        why = f": {path} ({type(error).__name__}: {error})"
        raise UnknownDriverError(name, sorted(known), why) from error
    return FoundDriver(name, make, str(path), hashlib.sha256(text).hexdigest()[:12])
