"""MIL-STD-105E plans, against an independently resolved table, published curves and corners."""

from collections.abc import Iterator
from csv import DictReader
from decimal import Decimal
from pathlib import Path

import pytest
from scipy.stats import binom

from rules.attribute_plans import (
    AttributePlan,
    Severity,
    aqls,
    code_letter,
    single_plan,
)
from rules.finite_lot import PlanError

DATA = Path(__file__).parent.parent / "data"

LOT_OF = {
    # the largest lot of level II that has the letter
    "A": 8, "B": 15, "C": 25, "D": 50, "E": 90, "F": 150, "G": 280, "H": 500, "J": 1_200,
    "K": 3_200, "L": 10_000, "M": 35_000, "N": 150_000, "P": 500_000, "Q": 500_001,
    "R": 500_001,  # level III
}  # fmt: skip


def resolved(table: str) -> Iterator[dict[str, str]]:
    with (DATA / f"mil105e_table_{table}_resolved.csv").open(encoding="utf-8") as file:
        yield from DictReader(file)


@pytest.mark.parametrize(
    ("table", "severity"), [("IIA_normal", "normal"), ("IIB_tightened", "tightened")]
)
def test_every_plan_is_that_of_the_table_somebody_else_resolved(
    table: str, severity: Severity
) -> None:
    """The arrows were followed by another program, from a scan of the public release."""
    compared = 0
    for row in resolved(table):
        aql = Decimal(row["aql"])
        if aql > 10:
            continue
        lot = LOT_OF[row["code"]]
        plan = single_plan(lot, aql, severity, "III" if row["code"] == "R" else "II")
        size = int(row["n"])
        assert (plan.letter, plan.plan_letter) == (row["code"], row["arrow_followed_to"])
        assert (plan.size, plan.acceptance_number) == (min(size, lot), int(row["ac"]))
        assert plan.is_whole_lot == (size >= lot)
        compared += 1
    assert compared == 16 * 16


CORNERS = [
    # lot, AQL, plan letter, size, Ac: worked by hand from the published tables
    ("J, two allowed", 1_200, "1.0", "J", 80, 2),
    ("F, the arrow leads up", 150, "1.0", "E", 13, 0),
    ("lot of 40: D, the arrow leads down to F", 40, "0.65", "F", 20, 0),
    ("lot of 30: the plan is as large as the lot", 30, "0.40", "G", 30, 0),
    ("B, the arrow leads down", 15, "10", "C", 5, 1),
    # Birolini, Reliability Engineering, 5th ed. 2007, p. 284, fig. 7.4
    ("F at 0.65", 150, "0.65", "F", 20, 0),
    ("J at 0.65", 1_200, "0.65", "J", 80, 1),
    ("N at 0.65", 150_000, "0.65", "N", 500, 7),
]


@pytest.mark.parametrize(("lot", "aql", "letter", "size", "ac"), [c[1:] for c in CORNERS],
                         ids=[c[0] for c in CORNERS])  # fmt: skip
def test_corners_of_the_normal_table(
    lot: int, aql: str, letter: str, size: int, ac: int
) -> None:
    plan = single_plan(lot, aql)
    assert (plan.plan_letter, plan.size, plan.acceptance_number) == (letter, size, ac)
    assert plan.edition == "mil-std-105e-1989"


@pytest.mark.parametrize(
    ("lot", "level", "letter"),
    [
        # Table I, ends of its ranges
        (2, "II", "A"), (8, "III", "B"), (9, "II", "B"), (50, "II", "D"), (51, "II", "E"),
        (500, "II", "H"), (501, "II", "J"), (500, "S-1", "B"), (500, "S-4", "E"),
        (35_001, "I", "L"), (500_000, "III", "Q"), (500_001, "III", "R"), (10**6, "S-3", "H"),
    ],
)  # fmt: skip
def test_code_letters(lot: int, level: str, letter: str) -> None:
    assert code_letter(lot, level) == letter


def test_a_tightened_plan_beyond_the_last_row_has_its_own_letter() -> None:
    plan = single_plan(500_001, "0.025", "tightened", "III")
    assert (plan.letter, plan.plan_letter, plan.size, plan.acceptance_number) == (
        "R", "S", 3_150, 1,
    )  # fmt: skip


def bare(size: int, acceptance_number: int) -> AttributePlan:
    return AttributePlan(
        "", "II", "normal", Decimal(1), "", "", size, acceptance_number, is_whole_lot=False
    )


def test_curve_of_the_nist_handbook() -> None:
    # NIST/SEMATECH e-Handbook 6.2.3.2, n = 52, c = 3, 1 … 12 % (from memory; the handbook's
    # last digit is off at 4 and 5 %)
    handbook = [
        0.998, 0.980, 0.930, 0.845, 0.739, 0.620, 0.502, 0.394, 0.300, 0.223, 0.162, 0.115,
    ]  # fmt: skip
    computed = [bare(52, 3).chance_of_acceptance(k / 100) for k in range(1, 13)]
    assert computed == pytest.approx(handbook, abs=0.0011)


def test_curve_of_the_federal_regulation() -> None:
    # 7 CFR 42.140(c): n = 500, c = 3: 1.0 % "26 percent", 0.10 % "about 99 percent"
    assert bare(500, 3).chance_of_acceptance(0.01) == pytest.approx(0.26, abs=0.005)
    assert bare(500, 3).chance_of_acceptance(0.001) == pytest.approx(0.99, abs=0.01)


@pytest.mark.parametrize(
    ("aql", "acceptance_number", "per_cent"),
    [
        # MIL-STD-105E, Table X-F-1 (from memory): p at Pa = 95, 90, 75, 50, 25, 10, 5, 1 %
        ("0.65", 0, (0.256, 0.525, 1.43, 3.41, 6.70, 10.9, 13.9, 20.6)),
        ("2.5", 1, (1.80, 2.69, 4.81, 8.25, 12.9, 18.1, 21.6, 28.9)),
    ],
)
def test_curves_of_letter_f(
    aql: str, acceptance_number: int, per_cent: tuple[float, ...]
) -> None:
    plan = single_plan(150, aql)
    assert (plan.size, plan.acceptance_number) == (20, acceptance_number)
    for chance, share in zip((95, 90, 75, 50, 25, 10, 5, 1), per_cent, strict=True):
        # three figures of the share, so the chance is met within what they leave open
        rounding = 0.005 * share / 100
        low = plan.chance_of_acceptance(share / 100 + rounding)
        high = plan.chance_of_acceptance(share / 100 - rounding)
        assert low <= chance / 100 <= high


def test_every_curve_is_the_binomial_of_scipy() -> None:
    for lot in LOT_OF.values():
        for aql in aqls():
            plan = single_plan(lot, aql)
            for share in (0.0, 0.001, 0.02, 0.3, 1.0):
                expected = binom.cdf(plan.acceptance_number, plan.size, share)
                assert plan.chance_of_acceptance(share) == pytest.approx(expected, abs=1e-10)


def test_good_lots_are_accepted_mostly_and_tightened_is_never_laxer() -> None:
    for lot in LOT_OF.values():
        for aql in aqls():
            normal, tight = single_plan(lot, aql), single_plan(lot, aql, "tightened")
            at_aql = float(aql) / 100
            if not normal.is_whole_lot:
                assert 0.87 < normal.chance_of_acceptance(at_aql) < 0.999
            for share in (at_aql, 2 * at_aql, 5 * at_aql):
                assert tight.chance_of_acceptance(share) <= (
                    normal.chance_of_acceptance(share) + 1e-12
                )


@pytest.mark.parametrize(
    ("lot", "aql", "level", "message"),
    [
        (1, "1.0", "II", "begins at 2 pieces"),
        (50, "1.0", "IV", "accepted are S-1"),
        (50, "0.7", "II", "AQL 0.7: accepted are 0.010"),
        (50, "15", "II", "per cent nonconforming"),
        (50, "one", "II", "AQL 'one'"),
    ],
)
def test_what_the_tables_do_not_hold_is_refused(
    lot: int, aql: str, level: str, message: str
) -> None:
    with pytest.raises(PlanError, match=message):
        single_plan(lot, aql, level=level)
