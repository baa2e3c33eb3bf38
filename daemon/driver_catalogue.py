"""Which drivers there are, where each comes from, and whether it loads."""

import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path

from daemon.errors import UnknownDriverError
from daemon.registry import GROUP, find_driver

OWN_DISTRIBUTION = "reclamp"


@dataclass(frozen=True, slots=True)
class CatalogueEntry:
    """One driver.

    Attributes:
        name: As a bench file names it.
        target: Module and factory.
        origin: Distribution and version.
        is_built_in: True if reclamp itself brings it.
        about: First line of its module's text, "" if it has none.
        trouble: Why it can't be used; "" if it can.
    """

    name: str
    target: str
    origin: str
    is_built_in: bool
    about: str
    trouble: str


def catalogue() -> Iterator[CatalogueEntry]:
    """Yield every installed driver, built-in ones first, then by name."""
    points = sorted(
        entry_points(group=GROUP), key=lambda point: (_is_foreign(point), point.name)
    )
    times = Counter(point.name for point in points)
    for point in points:
        yield _entry(point, is_double=times[point.name] > 1)


def _is_foreign(point: EntryPoint) -> bool:
    return point.dist is None or point.dist.name != OWN_DISTRIBUTION


def _entry(point: EntryPoint, *, is_double: bool) -> CatalogueEntry:
    about, trouble = "", ""
    try:
        make = find_driver(point.name, Path.cwd()).make
    except UnknownDriverError as error:
        trouble = str(error)
    else:
        module = sys.modules.get(getattr(make, "__module__", ""))
        about = ((module.__doc__ if module else "") or "").strip().partition("\n")[0]
    if is_double:
        trouble = "several distributions bring this name: only one of them is used"
    origin = f"{point.dist.name} {point.dist.version}" if point.dist else "unknown package"
    return CatalogueEntry(
        point.name, point.value, origin, not _is_foreign(point), about, trouble
    )
