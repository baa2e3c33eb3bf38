"""What one table of a rule file can't see: grades in order, guard bands had, bins told apart.

Works on the raw file, so that a fault in one table hides no fault in another.
"""

from collections.abc import Iterator

from daemon.rule_outline import (
    OTHER_BINS,
    RawArticle,
    RawGrade,
    RawLimit,
    RuleOutline,
    articles,
    length_nm,
    outline,
)  # fmt: skip
from daemon.toml_file import Faults, Raw, table
from rules.length import um_text

__all__ = ["RuleOutline", "check_together", "outline"]


def check_together(raw: Raw, faults: Faults) -> None:
    """Note every fault between tables."""
    known = list(articles(raw))
    _check_articles(known, faults)
    for one in known:
        _check_ids(one, faults)
        _check_clampings(one, faults)
        _check_positions(one, faults)
        _check_guards(one, faults)
        _check_limits(one, faults)
    _check_bins(raw, known, faults)


def _check_articles(known: list[RawArticle], faults: Faults) -> None:
    first: dict[str, str] = {}
    for one in known:
        key = one.key.rstrip(".")
        if one.id and one.id in first:
            text = f"{one.id!r} is used by {first[one.id]} as well; accepted is one of its own"
            faults.add(f"{key}.id", text)
        first.setdefault(one.id, key)


def _check_ids(one: RawArticle, faults: Faults) -> None:
    first: dict[str, str] = {}
    for grade in one.grades:
        name = grade.table.get("id")
        if not isinstance(name, str):
            continue
        if name in first:
            text = f"{name!r} is used by {first[name]} as well; accepted is an id of its own"
            faults.add(f"{grade.key}.id", text)
        first.setdefault(name, grade.key)


def _check_clampings(one: RawArticle, faults: Faults) -> None:
    most = one.cycle.get("clampings", 3)
    for grade in one.grades:
        asked = grade.table.get("clampings")
        if _is_count(asked) and _is_count(most) and asked > most > 0:
            text = f"got {asked}; accepted is at most cycle.clampings = {most}"
            faults.add(f"{grade.key}.clampings", text)


def _is_count(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _check_positions(one: RawArticle, faults: Faults) -> None:
    """Ask for the same positions in every grade that names some: they are one bench's."""
    leading = next((grade for grade in one.grades if grade.positions), None)
    for grade in one.grades:
        if leading is None or not grade.positions or grade.positions == leading.positions:
            continue
        names, accepted = (", ".join(sorted(g.positions)) for g in (grade, leading))
        text = f"limits at {names}; accepted are {accepted} as in {leading.name}"
        faults.add(f"{grade.key}.position", text)


def _check_guards(one: RawArticle, faults: Faults) -> None:
    """Hold each guard band to the decision rule the grade names."""
    for grade in one.grades:
        rule = grade.table.get("decision_rule")
        for limit in grade.limits:
            given = length_nm(limit.place, "guard_um", "guard_in")
            if rule == "simple-acceptance" and given:
                text = "simple acceptance has no guard band; accepted is none, or 0"
                faults.add(_guard_key(limit), text)
            elif rule == "guarded-acceptance" and given is None:
                _check_uncertainty(one, limit, faults)
            elif rule == "guarded-acceptance" and given == 0:
                text = "guarded acceptance needs a guard band; accepted is more than 0"
                faults.add(_guard_key(limit), text)


def _check_uncertainty(one: RawArticle, limit: RawLimit, faults: Faults) -> None:
    if any(key in limit.place for key in ("guard_um", "guard_in")):
        return  # given, and no length: told by the models
    if one.expanded_nm is None:
        text = (
            "guarded acceptance needs a guard band; accepted is guard_um, guard_in, or a table "
            "[uncertainty] with expanded_um, which is then taken for it"
        )
        faults.add(_guard_key(limit), text)
    elif one.expanded_nm >= limit.limit_nm:
        text = (
            f"the guard band is U = {um_text(one.expanded_nm)} µm, not less than the limit "
            f"{um_text(limit.limit_nm)} µm; accepted is a smaller guard_um"
        )
        faults.add(_guard_key(limit), text)


def _guard_key(limit: RawLimit) -> str:
    return f"{limit.key}.{'guard_in' if 'guard_in' in limit.place else 'guard_um'}"


def _limit_key(limit: RawLimit) -> str:
    return f"{limit.key}.{'limit_um' if 'limit_um' in limit.place else 'limit_in'}"


def _check_limits(one: RawArticle, faults: Faults) -> None:
    """Hold tolerance and acceptance limits to their order: grades stand best first."""
    previous: RawGrade | None = None
    for grade in one.grades:
        if not grade.limits:
            continue
        if previous is not None:
            _check_order(previous, grade, faults)
        previous = grade


def _check_order(better: RawGrade, grade: RawGrade, faults: Faults) -> None:
    """Ask for limits no lower at any position than the better grade's, and higher at one."""
    pairs = list(_pairs(better, grade))
    lower = [pair for pair in pairs if pair[1].limit_nm < pair[0].limit_nm]
    if all(own.limit_nm == above.limit_nm for above, own in pairs):
        lower = pairs
    for _, own in lower:
        text = f"grades stand best first; accepted is a limit above that of {better.name}"
        faults.add(_limit_key(own), text)
    if lower:
        return
    rises = any(own.accepted_nm > above.accepted_nm for above, own in pairs)
    for above, own in pairs:
        if own.accepted_nm < above.accepted_nm or not rises:
            text = (
                f"limit less guard band is not above that of {better.name}; "
                "accepted is a smaller guard band"
            )
            faults.add(_guard_key(own), text)


def _pairs(better: RawGrade, grade: RawGrade) -> Iterator[tuple[RawLimit, RawLimit]]:
    """Yield the limits of two grades that hold at the same place."""
    places = sorted(better.positions | grade.positions) or [""]
    for place in places:
        above, own = better.limit_at(place), grade.limit_at(place)
        if above is not None and own is not None:
            yield above, own


def _bins(raw: Raw, known: list[RawArticle]) -> Iterator[tuple[str, str, object, object]]:
    """Yield article, key, bin and what it is for: a grade's id, or a kind of its own."""
    for one in known:
        for grade in one.grades:
            yield one.key, f"{grade.key}.bin", grade.table.get("bin"), grade.table.get("id")
    for key in OTHER_BINS:
        yield "*", f"{key}.bin", table(raw, key).get("bin"), None


def _check_bins(raw: Raw, known: list[RawArticle], faults: Faults) -> None:
    """Refuse one bin for two kinds; articles may share one for grades of the same id."""
    taken: dict[str, tuple[str, str, object]] = {}
    for article, key, name, what in _bins(raw, known):
        if not isinstance(name, str):
            continue
        other, where, holds = taken.setdefault(name, (article, key, what))
        if where != key and (other == article or holds != what or what is None):
            text = f"bin {name!r} is taken by {where}; accepted is one kind a bin"
            faults.add(key, text)
