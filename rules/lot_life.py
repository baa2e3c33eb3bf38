"""Lot life: what may be done to an open lot, and the facts it gives.

One lot at a time on a bench. What was delivered has to be accounted for when it is closed:
in = every grade + nonconforming + hold + abandoned + set aside + unmeasured.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from rules.facts import BoxFact, Fact, Finding, LotFact, OrderFact, VisualFact
from rules.lot import LotView


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
    if is_filled and lot.order_state != "filled-check-due":
        facts = (*facts, LotFact("order-filled", f"the order was lowered: {reason}", role))
    return facts


def set_aside(
    lot: LotView, finding: Finding, pieces: int, reason: str, role: str
) -> tuple[Fact, ...]:
    """Return the facts of setting pieces aside at visual inspection.

    Raises:
        LotRefusedError: If the lot has not so many unmeasured pieces.
    """
    left = lot.unmeasured
    if pieces < 1 or (left is not None and pieces > left):
        most = "" if left is None else f" and at most {left}, the unmeasured ones"
        raise LotRefusedError(f"{pieces} pieces; accepted is 1 or more{most}")
    return (VisualFact(finding, pieces, reason, role),)


def change_box(
    bins: Sequence[str], bin_id: str, label: str, capacity: int | None, role: str
) -> tuple[Fact, ...]:
    """Return the facts of putting another box into a bin.

    Raises:
        LotRefusedError: For an unknown bin, no label, or a capacity below 1.
    """
    if bin_id not in bins:
        raise LotRefusedError(f"no bin {bin_id!r}; accepted are {', '.join(bins)}")
    if not label.strip():
        raise LotRefusedError("a box needs its label: a binned piece is known by its box")
    if capacity is not None and capacity < 1:
        raise LotRefusedError(f"capacity {capacity}; accepted is 1 or more")
    return (BoxFact(bin_id, label.strip(), capacity, role),)


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
