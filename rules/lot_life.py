"""Lot life: what may be done to an open lot, and the facts it gives.

One lot at a time on a bench. What was delivered has to be accounted for when it is closed:
in = every grade + nonconforming + hold + abandoned + set aside + unmeasured.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from rules.facts import (
    BoxFact,
    CellFact,
    Fact,
    Finding,
    LotFact,
    OrderFact,
    RulesFact,
    VisualFact,
)  # fmt: skip
from rules.lot import LotView
from rules.rest_view import judged_now
from rules.ruleset import RuleSet
from rules.torque import torque_fault


class LotRefusedError(Exception):
    """A change of the lot that makes no sense; the message says why and what is accepted."""


def change_order(
    lot: LotView, grade: str, quantity: int, grades: Sequence[str], reason: str, role: str
) -> tuple[Fact, ...]:
    """Return the facts of raising or lowering the order of a grade to ``quantity``.

    Raises:
        LotRefusedError: For an unknown grade or more pieces than the lot has.
    """
    if grade not in grades:
        raise LotRefusedError(f"no grade {grade!r}; accepted are {', '.join(grades)}")
    ordered = {**lot.ordered, grade: quantity}
    total = sum(ordered.values())
    if quantity < 0 or (lot.quantity is not None and total > lot.quantity - lot.set_aside):
        most = "any" if lot.quantity is None else str(lot.quantity - lot.set_aside)
        raise LotRefusedError(
            f"{total} pieces ordered in all; accepted is 0 or more and at most {most}"
        )
    facts: tuple[Fact, ...] = (OrderFact(grade, quantity, reason, role),)
    is_filled = all(lot.put_away.get(g, 0) >= n for g, n in ordered.items())
    if is_filled and lot.order_state not in ("filled-check-due", "filled"):
        facts = (*facts, LotFact("order-filled", f"the order was lowered: {reason}", role))
    return facts


def set_aside(
    lot: LotView, finding: Finding, pieces: int, reason: str, role: str, cell: int | None = None
) -> tuple[Fact, ...]:
    """Return the facts of setting pieces aside at visual inspection.

    Args:
        lot: The open lot.
        finding: What was seen.
        pieces: How many; 1 where a cell is named.
        reason: More about it.
        role: Who, by role.
        cell: Where the piece lay: needed where the cells are numbered.

    Raises:
        LotRefusedError: If the lot has not so many unmeasured pieces, or the cell holds none.
    """
    left = lot.unmeasured
    if pieces < 1 or (left is not None and pieces > left):
        most = "" if left is None else f" and at most {left}, the unmeasured ones"
        raise LotRefusedError(f"{pieces} pieces; accepted is 1 or more{most}")
    if lot.tray is None and cell is not None:
        raise LotRefusedError("the cells of this lot's tray are not numbered: name no cell")
    if lot.tray is not None:
        if cell is None or pieces != 1:
            raise LotRefusedError("the cells are numbered: accepted is one piece and its cell")
        return (VisualFact(finding, 1, reason, role, cell, _is_drawn(lot, cell)),)
    return (VisualFact(finding, pieces, reason, role),)


def _is_drawn(lot: LotView, cell: int) -> bool:
    """Return whether a draw asked for this cell: leaving it out would choose.

    A piece set aside ahead of the draw's order is no part of what is judged.
    """
    tray = lot.tray
    if tray is None:
        return False
    return cell in tray.sample_left or (tray.is_drawn and cell == tray.next_cell)


def find_empty(
    lot: LotView, cell: int, is_done: bool, reason: str, role: str
) -> tuple[Fact, ...]:
    """Return the facts of a numbered cell found empty.

    Raises:
        LotRefusedError: If the cells are not numbered, there is no such cell, or its piece
            was begun or set aside.
    """
    if lot.tray is None:
        raise LotRefusedError("the cells of this lot's tray are not numbered")
    if not 1 <= cell <= lot.tray.cells:
        raise LotRefusedError(f"no cell {cell}; accepted are 1 to {lot.tray.cells}")
    if is_done:
        raise LotRefusedError(f"cell {cell}: its piece was begun, set aside or missed before")
    return (CellFact(cell, reason, role),)


def change_box(
    lot: LotView,
    bins: Sequence[str],
    bin_id: str,
    label: str,
    capacity: int | None,
    role: str,
) -> tuple[Fact, ...]:
    """Return the facts of putting another box into a bin.

    Raises:
        LotRefusedError: For an unknown bin, no label, a box on hold, or a capacity below 1.
    """
    if bin_id not in bins:
        raise LotRefusedError(f"no bin {bin_id!r}; accepted are {', '.join(bins)}")
    if not label.strip():
        raise LotRefusedError("a box needs its label: a binned piece is known by its box")
    if label.strip() in lot.held_boxes:
        raise LotRefusedError(
            f"box {label.strip()} is on hold and belongs set apart; accepted is another box"
        )
    if capacity is not None and capacity < 1:
        raise LotRefusedError(f"capacity {capacity}; accepted is 1 or more")
    return (BoxFact(bin_id, label.strip(), capacity, role),)


def change_rules(
    lot: LotView,
    before: RuleSet,
    after: RuleSet,
    piece: int | None,
    reason: str,
    role: str,
) -> tuple[Fact, ...]:
    """Return the facts of letting the lot go by another state of its rule file.

    Args:
        lot: The lot.
        before: Rules it goes by.
        after: Rules it is to go by, from the next piece on.
        piece: The piece in work, which keeps the rules before; None between pieces.
        reason: Why.
        role: Who asks, by role.

    Raises:
        LotRefusedError: If a grade that was ordered or given already would be no more, the
            rest is proved against other limits than the ordinary grade would have, or the nut
            is tightened otherwise.
    """
    known = {grade.id for grade in after.grades}
    in_use = {name for name, pieces in lot.ordered.items() if pieces}
    in_use |= {name for name, pieces in (*lot.put_away.items(), *lot.pending.items()) if pieces}
    missing = sorted(name for name in in_use - known if name)
    if missing:
        raise LotRefusedError(
            f"revision {after.revision!r} has no {', '.join(missing)}, which this lot has "
            f"orders or pieces of; accepted are rules with {', '.join(sorted(in_use))}"
        )
    if lot.rest is not None and not lot.rest.plan.is_against(after.grades[-1]):
        raise LotRefusedError(
            f"revision {after.revision!r} has other limits for the ordinary grade, and the "
            f"proof of the rest was fixed at the opening; accepted are the limits of "
            f"{lot.rest.plan.grade} as they are, or a lot without a plan for its rest"
        )
    fault = torque_fault(after.torque_nmm, lot.torque_nmm)
    if fault:
        raise LotRefusedError(f"revision {after.revision!r}: {fault}")
    changed = RulesFact(
        after.revision, after.sha256, before.revision, before.sha256, piece, reason, role
    )
    return (changed,)


@dataclass(frozen=True, slots=True)
class Reconciliation:
    """Whether what came in is accounted for.

    Attributes:
        quantity: Pieces delivered; None when nobody counted.
        accounted: Pieces by where they are, the unmeasured ones as counted in the tray.
        difference: Delivered less accounted; None when nobody counted.
    """

    quantity: int | None
    accounted: Mapping[str, int]
    difference: int | None


def reconcile(
    lot: LotView, standing: Mapping[str, int], counted_unmeasured: int | None
) -> Reconciliation:
    """Return the account of a lot.

    Args:
        lot: The lot.
        standing: Pieces that were begun, by what they count as today.
        counted_unmeasured: Unmeasured pieces counted in the tray; None takes the books'.
    """
    unmeasured = counted_unmeasured
    if unmeasured is None:
        unmeasured = lot.unmeasured or 0
    accounted = {**standing, "set-aside": lot.set_aside, "unmeasured": unmeasured}
    if lot.quantity is None:
        return Reconciliation(None, accounted, None)
    return Reconciliation(lot.quantity, accounted, lot.quantity - sum(accounted.values()))


def check_close(account: Reconciliation, mismatch: str) -> None:
    """Refuse to close a lot that doesn't add up unless a reason is given for that.

    Raises:
        LotRefusedError: With the figures.
    """
    if account.difference and not mismatch.strip():
        parts = ", ".join(f"{where} {n}" for where, n in account.accounted.items() if n)
        raise LotRefusedError(
            f"{account.quantity} came in, {parts} are accounted for: "
            f"{account.difference:+d} is missing a reason (mismatch)"
        )


def check_unproved(lot: LotView, unproved: str, counted: int | None = None) -> None:
    """Refuse to close a lot whose rest is not proved unless it is said what becomes of it.

    A lot may be closed so: the rest may be measured elsewhere, reworked or scrapped. It may
    not slip through as if it were proved.

    Args:
        lot: The lot to be closed.
        unproved: What becomes of its rest; "" where nobody said.
        counted: Unmeasured pieces counted in the tray; None where nobody counted.

    Raises:
        LotRefusedError: With what is missing.
    """
    left = counted if lot.unmeasured is None else lot.unmeasured
    if lot.rest is None or not left or unproved.strip():
        return
    found = judged_now(lot.rest)
    if found is not None and found.is_settled:
        return
    how = {None: "no look was due yet", "hold": "the sample failed"}.get(
        None if found is None else found.outcome, "short of proof"
    )
    raise LotRefusedError(
        f"{left} pieces are neither measured nor proved ({how}); accepted is a text "
        "that says what becomes of them (unproved)"
    )
