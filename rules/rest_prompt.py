"""What the operator is told of tray cells and of the sample."""

from rules.lot import LotView
from rules.rest_view import judged_now, next_look


def take(lot: LotView) -> str:
    """Return which piece comes next, as the beginning of a prompt; "" where any will do."""
    cell = lot.next_cell
    where = f"take the piece from cell {cell}" if cell is not None else ""
    rest = lot.rest
    if rest is None or not lot.wants_proof:
        return f"{where[0].upper()}{where[1:]}. " if where else ""
    if rest.sample is not None:
        done = rest.tallies[1].pieces + 1
        where = where or "take any piece of the rest, without choosing"
        return f"Sample, piece {done} of {rest.sample.size}: {where}. "
    needs = next_look(rest)
    more = "" if needs is None else f", {needs.more} more pieces"
    return f"Proof of the rest{more}: {where}. "


def is_held(lot: LotView) -> bool:
    """Return whether the sample failed: the rest is on hold."""
    found = judged_now(lot.rest) if lot.rest is not None else None
    return found is not None and found.outcome == "hold"


def held_text(lot: LotView) -> str:
    """Return the alarm of a failed sample; "" while there is none."""
    if not is_held(lot) or lot.rest is None:
        return ""
    found = judged_now(lot.rest)
    if found is None or found.rest == 0:
        return ""
    return (
        f"the rest is on hold: {found.tally.beyond} of {found.tally.pieces} pieces drawn were "
        f"beyond; {found.rest} pieces are not measured"
    )


def unproved_text(lot: LotView) -> str:
    """Return how many pieces an instrument that left keeps on hold; "" while none."""
    if not lot.unproved:
        return ""
    pieces = "piece is" if lot.unproved == 1 else "pieces are"
    return f"{lot.unproved} {pieces} on hold: {lot.unproved_why}"


def held_boxes_text(lot: LotView) -> str:
    """Return which boxes on hold stand in a bin; "" while none does."""
    return "; ".join(
        f"change the box of bin {name}: {f'{box} is' if box else 'its pieces are'} on hold"
        for name, box in lot.held_bins.items()
    )


def boxes_text(lot: LotView) -> str:
    """Return which boxes are full; "" while none is."""
    full = [
        f"change the box of bin {name}: {box.label} holds {box.pieces} of {box.capacity}"
        for name, box in lot.boxes.items()
        if box.is_full
    ]
    return "; ".join(full)
