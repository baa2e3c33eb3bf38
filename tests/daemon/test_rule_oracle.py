"""Verdicts of whole rule files, against an oracle that reads the numbers in the file itself.

Random files of every kind (one limit or one for each position, µm and inch, every decision
rule, U as guard band), read by the real models; the oracle knows the TOML tables only.
"""

from decimal import Decimal
from pathlib import Path
from random import Random
from typing import Any

from daemon.rule_file import rules_of
from daemon.toml_file import toml_of
from rules.grading import Assessed, Decision, assess_tirs, decide
from rules.ruleset import RuleSet

FILES, SETS = 250, 40
PLACES = ("face", "far")
Table = dict[str, Any]
Clampings = list[dict[str, int] | None]
"""TIR (nm) of each clamping at each position; None is an invalid one that showed nothing."""


def oracle(file: Table, clampings: Clampings) -> str | None:
    """Say it again in ten lines, in exact micrometres, from the tables as written."""

    def um(table: Table, key: str) -> Any:
        inch = table.get(f"{key}_in")
        return inch * 25_400 if inch is not None else table.get(f"{key}_um")

    def fits(grade: Table, guarded: bool) -> bool:
        for place, nm in ((p, nm) for c in clampings if c for p, nm in c.items()):
            there = grade.get("position", {}).get(place, grade)
            guard = um(there, "guard")
            if guard is None and grade.get("decision_rule") == "guarded-acceptance":
                guard = um(file["uncertainty"], "expanded")
            if Decimal(nm) / 1000 > um(there, "limit") - (guard or 0 if guarded else 0):
                return False
        return True

    left = [grade for grade in file["grade"] if fits(grade, guarded=True)]
    valid = sum(c is not None for c in clampings)
    if not left:
        return "H" if fits(file["grade"][-1], guarded=False) else "N"
    if valid >= left[0].get("clampings", file["cycle"]["clampings"]):
        return str(left[0]["bin"])
    return "H" if len(clampings) - valid > file["cycle"]["invalid_max"] else None


def random_file(rng: Random) -> Table:
    """Return the tables of a rule file: one to three grades, best first."""
    is_by_place, unit = rng.random() < 0.5, rng.random() < 0.3
    expanded = rng.randint(3, 15)
    grades: list[Table] = []
    floor = dict.fromkeys(PLACES, 20)
    most = rng.randint(1, 4)
    for number in range(rng.randint(1, 3)):
        way = rng.choice(("plain", "simple", "guard", "guarded", "by-u"))
        guard = {"guard": rng.randint(1, 15), "guarded": rng.randint(1, 15), "by-u": expanded}
        grade: Table = {"id": f"g{number}", "bin": f"{number + 1}"}
        if rng.random() < 0.7:
            grade["clampings"] = rng.randint(1, most)
        if way in ("simple", "guarded", "by-u"):
            grade["decision_rule"] = (
                "simple-acceptance" if way == "simple" else "guarded-acceptance"
            )
        places: dict[str, Table] = {}
        for place in PLACES if is_by_place else PLACES[:1]:
            floor[place] += rng.randint(16, 60)  # above any guard band: best first
            tenths = floor[place] + guard.get(way, 0)
            whole = {"limit_um": Decimal(tenths) / 10}
            if unit:  # 0.00001 in is 0.254 µm: all of the file, so that limits still rise
                whole = {"limit_in": Decimal(tenths) / 100_000}
            if way in ("guard", "guarded"):
                key, per = ("guard_in", 100_000) if unit else ("guard_um", 10)
                whole[key] = Decimal(guard[way]) / per
            places[place] = whole
        grades.append(grade | ({"position": places} if is_by_place else places[PLACES[0]]))
    u = {"expanded_in": Decimal(expanded) / 100_000} if unit else {}
    return {
        "cycle": {"clampings": most, "invalid_max": rng.randint(0, 2)},
        "uncertainty": u or {"expanded_um": Decimal(expanded) / 10},
        "grade": grades,
    }


def as_toml(file: Table) -> str:
    def inline(table: Table) -> str:
        return "{ " + ", ".join(f"{k} = {value(v)}" for k, v in table.items()) + " }"

    def value(one: object) -> str:
        if isinstance(one, dict):
            return inline(one)
        if isinstance(one, str):
            return f'"{one}"'
        return f"{one:f}" if isinstance(one, Decimal) else str(one)

    lines = ['revision = "1"']
    for name in ("cycle", "uncertainty"):
        lines += [f"[{name}]", *(f"{k} = {value(v)}" for k, v in file[name].items())]
    for grade in file["grade"]:
        lines += ["[[grade]]", *(f"{k} = {value(v)}" for k, v in grade.items())]
    return "\n".join([*lines, '[nonconforming]\nbin = "N"', '[hold]\nbin = "H"\n'])


def read(file: Table) -> RuleSet:
    found = rules_of(toml_of(as_toml(file).encode(), Path("random.rules.toml")))
    assert found.rules is not None, (found.faults, as_toml(file))
    return found.rules.first


def random_clampings(rng: Random, rules: RuleSet) -> Clampings:
    near = [
        nm
        for grade in rules.grades
        for limit in grade.limits
        for nm in (limit.acceptance_limit_nm, limit.tolerance_limit_nm)
    ]
    most = rng.choice(near) + 400

    def tir() -> int:
        if rng.random() < 0.3:
            return max(0, rng.choice(near) + rng.randint(-1, 1))
        return rng.randrange(most)

    places = PLACES if rules.positions else ("",)
    return [
        {place: tir() for place in places} if rng.random() < 0.85 else None
        for _ in range(rng.randint(1, 4))
    ]


def decided(clampings: Clampings, rules: RuleSet) -> Decision | None:
    assessed = [
        Assessed("invalid", None) if c is None else assess_tirs(tuple(c.items()), rules)
        for c in clampings
    ]
    return decide(assessed, rules)


def test_ten_thousand_sets_under_random_rule_files_go_where_the_oracle_says() -> None:
    rng = Random(20_260_302)
    bins: dict[str, int] = {}
    kinds: dict[tuple[bool, str], int] = {}
    for _ in range(FILES):
        file = random_file(rng)
        rules = read(file)
        for grade in rules.grades:
            rule = "by U" if grade.limits[0].guard_is_uncertainty else grade.decision_rule
            kind = (bool(grade.positions), rule)
            kinds[kind] = kinds.get(kind, 0) + 1
        for _ in range(SETS):
            clampings = random_clampings(rng, rules)
            decision = decided(clampings, rules)
            where = decision.bin if decision else None
            assert where == oracle(file, clampings), (as_toml(file), clampings)
            bins[where or "more"] = bins.get(where or "more", 0) + 1
    assert sum(bins.values()) == 10_000
    # A test that never sees one of the ways proves nothing about it.
    assert min(bins[way] for way in ("1", "2", "3", "N", "H", "more")) > 100, bins
    assert len(kinds) == 6, kinds
    assert min(kinds.values()) > 20, kinds
