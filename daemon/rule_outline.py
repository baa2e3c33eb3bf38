"""What can be read of a rule file, faulty or not: limits by grade and position, bins.

Works on the raw file, so that a fault in one table hides no fault in another, nor one in
the bench file that names these rules.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from daemon.toml_file import Raw, table, tables
from daemon.toml_values import number_of
from rules.length import LengthError, inch_to_nm, um_to_nm
from rules.ruleset import EVIDENCE_RANK, Evidence, Resolution

OTHER_BINS = {"nonconforming": "nonconforming pieces", "hold": "pieces on hold"}


@dataclass(frozen=True, slots=True)
class RawLimit:
    """A limit as far as it can be read.

    Attributes:
        key: Where it stands, e.g. ``grade.0`` or ``grade.0.position.face``.
        position: Where it holds; "" is everywhere.
        place: Its table.
        limit_nm: Tolerance limit.
        guard_nm: Guard band; 0 where none is given.
    """

    key: str
    position: str
    place: Raw
    limit_nm: int
    guard_nm: int

    @property
    def accepted_nm(self) -> int:
        """Return the acceptance limit; a guard band that can't be one takes nothing off."""
        return self.limit_nm - (self.guard_nm if 0 < self.guard_nm < self.limit_nm else 0)


@dataclass(frozen=True, slots=True)
class RawGrade:
    """One grade as far as it can be read: ``key`` is where its table stands."""

    key: str
    table: Raw
    limits: tuple[RawLimit, ...]

    @property
    def name(self) -> str:
        """Return how a fault names it."""
        return f"{self.key} ({self.table.get('id')})"

    @property
    def positions(self) -> frozenset[str]:
        """Return the positions it names, whether their limits can be read or not."""
        found = self.table.get("position")
        return frozenset(found if isinstance(found, Mapping) else ())

    def limit_at(self, position: str) -> RawLimit | None:
        """Return the limit that holds at a position; None if none can be read."""
        return next((one for one in self.limits if one.position in ("", position)), None)


@dataclass(frozen=True, slots=True)
class RawArticle:
    """One article, or the whole file where it names none (``id`` is "" then)."""

    key: str
    id: str
    cycle: Raw
    grades: tuple[RawGrade, ...]
    expanded_nm: int | None


def articles(raw: Raw) -> Iterator[RawArticle]:
    """Yield the articles of a rule file, what it says of all filled in."""
    named = list(tables(raw, "article"))
    if not named:
        yield _article("", "", raw, raw)
    for number, one in named:
        said = one.get("id")
        yield _article(f"article.{number}.", said if isinstance(said, str) else "", raw, one)


def _article(key: str, name: str, raw: Raw, one: Raw) -> RawArticle:
    said = table(one, "uncertainty") or table(raw, "uncertainty")
    expanded_nm = length_nm(said, "expanded_um", "expanded_in")
    cycle = {**table(raw, "cycle"), **table(one, "cycle")}
    grades = tuple(
        _raw_grade(f"{key}grade.{number}", grade, expanded_nm)
        for number, grade in tables(one, "grade")
    )
    return RawArticle(key, name, cycle, grades, expanded_nm)


def _raw_grade(key: str, grade: Raw, expanded_nm: int | None) -> RawGrade:
    places: list[tuple[str, str, Raw]] = [(key, "", grade)]
    if "position" in grade:
        places = [
            (f"{key}.position.{name}", name, table(table(grade, "position"), name))
            for name in table(grade, "position")
        ]
    is_guarded = grade.get("decision_rule") == "guarded-acceptance"
    found = (_raw_limit(*place, expanded_nm if is_guarded else None) for place in places)
    return RawGrade(key, grade, tuple(one for one in found if one is not None))


def _raw_limit(key: str, position: str, place: Raw, expanded_nm: int | None) -> RawLimit | None:
    limit_nm = length_nm(place, "limit_um", "limit_in")
    if limit_nm is None or limit_nm <= 0:
        return None
    guard_nm = length_nm(place, "guard_um", "guard_in")
    if guard_nm is None:
        guard_nm = expanded_nm or 0
    return RawLimit(key, position, place, limit_nm, guard_nm)


def length_nm(place: Raw, in_um: str, in_inch: str) -> int | None:
    """Return a length given in one of two units; None if it can't be one."""
    um, inch = number_of(place.get(in_um)), number_of(place.get(in_inch))
    try:
        if um is not None and inch is None:
            return um_to_nm(um)
        return inch_to_nm(inch) if inch is not None and um is None else None
    except LengthError:
        return None


@dataclass(frozen=True, slots=True)
class RuleOutline:
    """What a bench file is held to, as far as the rule file can be read.

    Attributes:
        bins: What each bin is for.
        grades: Grade ids of each article, best first; "" is any article.
        is_whole: Whether every table names its bin and its grade: only then can the
            bench file be told that it has one too many.
        limits: Every limit that can be read.
        positions: Positions that a grade names, by the key of the grade.
        least_loosening: Strongest evidence of a loosening that any grade asks for.
        refuse_percent: A step above that share of the tightest limit is refused.
    """

    bins: Mapping[str, str]
    grades: Mapping[str, tuple[str, ...]]
    is_whole: bool
    limits: tuple[RawLimit, ...]
    positions: Mapping[str, frozenset[str]] = field(default_factory=dict)
    least_loosening: Evidence = "not-observed"
    refuse_percent: int = Resolution().refuse_percent

    def tightest_nm(self, position: str = "") -> int | None:
        """Return the smallest tolerance limit at a position; "" asks for any of them.

        None if none can be read.
        """
        found = (
            one.limit_nm
            for one in self.limits
            if not position or one.position in ("", position)
        )
        return min(found, default=None)

    def grades_of(self, article: object) -> tuple[str, ...] | None:
        """Return the grades of an article; None if the file has no such article."""
        if "" in self.grades:
            return self.grades[""]
        return self.grades.get(article) if isinstance(article, str) else None


def outline(raw: Raw) -> RuleOutline:
    """Return what can be read of a rule file, faulty or not."""
    known = list(articles(raw))
    grades = [grade for one in known for grade in one.grades]
    named = [(g.table.get("bin"), f"grade {g.table.get('id')!r}") for g in grades]
    named += [(table(raw, key).get("bin"), what) for key, what in OTHER_BINS.items()]
    bins: dict[str, str] = {}
    for name, what in named:
        if isinstance(name, str):
            bins.setdefault(name, what)
    return RuleOutline(
        bins=bins,
        grades={one.id: tuple(_ids(one.grades)) for one in known},
        is_whole=bool(grades)
        and all(isinstance(grade.table.get("id"), str) for grade in grades)
        and all(isinstance(name, str) for name, _ in named),
        limits=tuple(limit for grade in grades for limit in grade.limits),
        positions={grade.key: grade.positions for grade in grades if grade.positions},
        least_loosening=_strongest(grades),
        refuse_percent=_percent(table(raw, "resolution").get("refuse_percent")),
    )


def _ids(grades: Sequence[RawGrade]) -> Iterator[str]:
    for grade in grades:
        name = grade.table.get("id")
        if isinstance(name, str):
            yield name


def _strongest(grades: Sequence[RawGrade]) -> Evidence:
    asked: list[Evidence] = [
        known
        for grade in grades
        for known in EVIDENCE_RANK
        if known == grade.table.get("loosening")
    ]
    return max(asked, key=EVIDENCE_RANK.__getitem__, default="not-observed")


def _percent(value: object) -> int:
    is_one = isinstance(value, int) and not isinstance(value, bool) and value > 0
    return value if is_one and isinstance(value, int) else Resolution().refuse_percent
