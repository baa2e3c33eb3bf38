"""Sampling plans by acceptance quality limit, for contracts that name one.

Tables I, II-A and II-B of MIL-STD-105E (10 May 1989, approved for public release,
distribution unlimited): single sampling, normal and tightened. They are for a continuing
series of lots; the unmeasured rest of one lot is proved by `rules.rest_proof`, never by
these. No reduced inspection: its tables differ between editions, and a plan that accepts a
lot and refuses it in one breath (105E's gap between Ac and Re) is no rule for a bench.

The tables lie as printed in ``rules/data``: ``Ac/Re``, ``v`` for "use the first plan below"
and ``^`` for the one above. The arrow is followed to the plan's own row, so the sample size
is that of the row it leads to. Pieces are counted, not nonconformities: AQL up to 10.
"""

from collections.abc import Mapping
from csv import DictReader
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from functools import cache
from importlib.resources import files
from math import comb
from types import MappingProxyType
from typing import Literal

from rules.finite_lot import PlanError

EDITION = "mil-std-105e-1989"
"""The edition, as a rule file names it."""

LEVELS = ("S-1", "S-2", "S-3", "S-4", "I", "II", "III")

LARGEST_AQL = Decimal(10)
"""Above it the tables count nonconformities per hundred pieces."""

Severity = Literal["normal", "tightened"]

_TABLE_OF: Mapping[Severity, str] = MappingProxyType({"normal": "2a", "tightened": "2b"})


@dataclass(frozen=True, slots=True)
class AttributePlan:
    """A single sampling plan read from the tables.

    Attributes:
        edition: Whose tables.
        level: Inspection level.
        severity: ``normal`` or ``tightened``.
        aql: Acceptance quality limit, per cent nonconforming.
        letter: Code letter by the lot's size.
        plan_letter: Letter of the plan the arrows lead to.
        size: Pieces to draw; the whole lot where the plan's size reaches it.
        acceptance_number: Most nonconforming that still accept; one more refuses.
        is_whole_lot: Whether every piece is inspected.
    """

    edition: str
    level: str
    severity: Severity
    aql: Decimal
    letter: str
    plan_letter: str
    size: int
    acceptance_number: int
    is_whole_lot: bool

    def chance_of_acceptance(self, share: float) -> float:
        """Return the chance that a series with this share nonconforming is accepted.

        Binomial: lots from a continuing process (type B). 0 ≤ share ≤ 1.
        """
        if not 0 <= share <= 1:
            raise PlanError(f"share {share}: accepted is 0 … 1")
        kept = 1 - share
        return sum(
            comb(self.size, k) * share**k * kept ** (self.size - k)
            for k in range(min(self.acceptance_number, self.size) + 1)
        )


def code_letter(lot: int, level: str = "II") -> str:
    """Return the sample size code letter of a lot (Table I).

    Raises:
        PlanError: If the lot is below 2 pieces or the level unknown.
    """
    if level not in LEVELS:
        raise PlanError(f"inspection level {level!r}: accepted are {', '.join(LEVELS)}")
    for row in _rows("1"):
        if lot >= int(row["lot_min"]) and (not row["lot_max"] or lot <= int(row["lot_max"])):
            return row[level]
    raise PlanError(f"lot of {lot}: the table begins at 2 pieces")


def aqls() -> tuple[Decimal, ...]:
    """Return the acceptance quality limits a plan can be asked for, per cent nonconforming."""
    return tuple(aql for aql in _columns("2a") if aql <= LARGEST_AQL)


def single_plan(
    lot: int, aql: str | Decimal, severity: Severity = "normal", level: str = "II"
) -> AttributePlan:
    """Return the single sampling plan for a lot.

    Args:
        lot: Pieces, 2 or more.
        aql: One of `aqls`, as text or decimal; "1" and "1.0" are the same.
        severity: Taken from the switching rules (`rules.switching`).
        level: General level I, II, III or special S-1 … S-4.

    Raises:
        PlanError: If the tables have no such lot, level or acceptance quality limit.
    """
    asked = _tabled(aql)
    letter = code_letter(lot, level)
    plan_letter, size, acceptance_number = _follow(_TABLE_OF[severity], letter, asked)
    return AttributePlan(
        EDITION, level, severity, asked, letter, plan_letter,
        min(size, lot), acceptance_number, size >= lot,
    )  # fmt: skip


def _tabled(aql: str | Decimal) -> Decimal:
    known = ", ".join(str(value) for value in aqls())
    try:
        asked = Decimal(aql)
    except InvalidOperation:
        raise PlanError(f"AQL {aql!r}: accepted are {known}") from None
    if asked not in aqls():
        raise PlanError(f"AQL {aql}: accepted are {known} (per cent nonconforming)")
    return asked


def _follow(table: str, letter: str, aql: Decimal) -> tuple[str, int, int]:
    """Return letter, size and acceptance number of the plan a cell leads to."""
    rows = _rows(table)
    column = _columns(table)[aql]
    at = next(i for i, row in enumerate(rows) if row["code"] == letter)
    while (cell := rows[at][column]) in ("v", "^"):
        at += 1 if cell == "v" else -1
    return rows[at]["code"], int(rows[at]["n"]), int(cell.split("/")[0])


@cache
def _columns(table: str) -> Mapping[Decimal, str]:
    """Return the heading of each acceptance quality limit."""
    headings = [name for name in _rows(table)[0] if name not in ("code", "n")]
    return MappingProxyType({Decimal(name): name for name in headings})


@cache
def _rows(table: str) -> tuple[dict[str, str], ...]:
    name = f"{EDITION}-table-{table}.csv"
    text = files("rules").joinpath("data", name).read_text(encoding="utf-8")
    return tuple(DictReader(text.splitlines()))
