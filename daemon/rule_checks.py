"""What one table of a rule file can't see: grades in order, bins told apart.

Works on the raw file, so that a fault in one table hides no fault in another, nor one in
the bench file that names these rules.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from daemon.toml_file import Faults, Raw, table, tables
from daemon.toml_values import number_of
from rules.length import LengthError, inch_to_nm, um_to_nm
from rules.ruleset import EVIDENCE_RANK, Evidence

_OTHER_BINS = {"nonconforming": "nonconforming pieces", "hold": "pieces on hold"}


@dataclass(frozen=True, slots=True)
class RuleOutline:
    """What a bench file is held to, as far as the rule file can be read.

    Attributes:
        bins: What each bin is for.
        grades: Grade ids, best first.
        is_whole: Whether every table names its bin and its grade: only then can the
            bench file be told that it has one too many.
        tightest_nm: Smallest tolerance limit; None if none can be read.
        least_loosening: Strongest evidence of a loosening that any grade asks for.
    """

    bins: Mapping[str, str]
    grades: tuple[str, ...]
    is_whole: bool
    tightest_nm: int | None
    least_loosening: Evidence


def outline(raw: Raw) -> RuleOutline:
    """Return what can be read of a rule file, faulty or not."""
    grades = [grade for _, grade in tables(raw, "grade")]
    named = [(g.get("bin"), f"grade {g.get('id')!r}") for g in grades]
    named += [(table(raw, key).get("bin"), what) for key, what in _OTHER_BINS.items()]
    bins: dict[str, str] = {}
    for name, what in named:
        if isinstance(name, str):
            bins.setdefault(name, what)
    ids = [g["id"] for g in grades if isinstance(g.get("id"), str)]
    limits = [limit for limit in map(limit_nm, grades) if limit is not None]
    asked: list[Evidence] = [
        known for g in grades for known in EVIDENCE_RANK if known == g.get("loosening")
    ]
    return RuleOutline(
        bins=bins,
        grades=tuple(ids),
        is_whole=bool(grades)
        and len(ids) == len(grades)
        and all(isinstance(name, str) for name, _ in named),
        tightest_nm=min(limits, default=None),
        least_loosening=max(asked, key=EVIDENCE_RANK.__getitem__, default="not-observed"),
    )


def limit_nm(grade: Raw) -> int | None:
    """Return the tolerance limit of a raw grade; None if it can't be one."""
    found = _length_nm(grade, "limit_um", "limit_in")
    return found if found is not None and found > 0 else None


def _length_nm(grade: Raw, in_um: str, in_inch: str) -> int | None:
    um, inch = number_of(grade.get(in_um)), number_of(grade.get(in_inch))
    try:
        if um is not None and inch is None:
            return um_to_nm(um)
        return inch_to_nm(inch) if inch is not None and um is None else None
    except LengthError:
        return None


def check_together(raw: Raw, faults: Faults) -> None:
    """Note every fault between tables."""
    _check_ids(raw, faults)
    _check_clampings(raw, faults)
    _check_limits(raw, faults)
    _check_bins(raw, faults)


def _check_ids(raw: Raw, faults: Faults) -> None:
    first: dict[str, int] = {}
    for number, grade in tables(raw, "grade"):
        name = grade.get("id")
        if not isinstance(name, str):
            continue
        if name in first:
            text = (
                f"{name!r} is used by grade.{first[name]} as well; accepted is an id of its own"
            )
            faults.add(f"grade.{number}.id", text)
        first.setdefault(name, number)


def _check_clampings(raw: Raw, faults: Faults) -> None:
    most = table(raw, "cycle").get("clampings", 3)
    for number, grade in tables(raw, "grade"):
        asked = grade.get("clampings")
        if _is_count(asked) and _is_count(most) and asked > most > 0:
            text = f"got {asked}; accepted is at most cycle.clampings = {most}"
            faults.add(f"grade.{number}.clampings", text)


def _is_count(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _check_limits(raw: Raw, faults: Faults) -> None:
    """Hold tolerance and acceptance limits to their order: grades stand best first."""
    previous: tuple[str, int, int] | None = None
    for number, grade in tables(raw, "grade"):
        limit = limit_nm(grade)
        if limit is None:
            continue
        guard = _length_nm(grade, "guard_um", "guard_in") or 0
        accepted = limit - (guard if 0 < guard < limit else 0)
        name = f"grade.{number} ({grade.get('id')})"
        if previous is not None and limit <= previous[1]:
            text = f"grades stand best first; accepted is a limit above that of {previous[0]}"
            key = "limit_um" if "limit_um" in grade else "limit_in"
            faults.add(f"grade.{number}.{key}", text)
        elif previous is not None and accepted <= previous[2]:
            text = (
                "limit less guard band is not above that of "
                f"{previous[0]}; accepted is a smaller guard band"
            )
            key = "guard_um" if "guard_um" in grade else "guard_in"
            faults.add(f"grade.{number}.{key}", text)
        previous = (name, limit, accepted)


def _bins(raw: Raw) -> Iterator[tuple[str, object]]:
    for number, grade in tables(raw, "grade"):
        yield f"grade.{number}.bin", grade.get("bin")
    for key in _OTHER_BINS:
        yield f"{key}.bin", table(raw, key).get("bin")


def _check_bins(raw: Raw, faults: Faults) -> None:
    taken: dict[str, str] = {}
    for key, name in _bins(raw):
        if not isinstance(name, str):
            continue
        if name in taken:
            text = f"bin {name!r} is taken by {taken[name]}; accepted is one kind a bin"
            faults.add(key, text)
        taken.setdefault(name, key)
