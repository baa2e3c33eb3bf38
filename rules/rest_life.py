"""When a sample is drawn and a look is taken: facts that follow from where the lot stands.

Asked after every commit that may change a lot, within its transaction: draw and look lie on
record with the put-away that made them due, or neither does. Looks are taken only between
pieces, and only those planned at the opening.

Pieces of a sample and those up to a further look are graded like any others, so an order may
be overfilled by them. The alternative, to end them after one clamping because no more of the
top grade is wanted, would make a piece's grade hang on what else was measured; and a spare
piece stands ready when a master check takes one back.
"""

from collections.abc import Callable
from dataclasses import replace

from rules.draw import ALGORITHM
from rules.facts import DrawFact, Fact, LookFact
from rules.finite_lot import PlanError
from rules.first_clamping import Tally
from rules.lot import LotView
from rules.rest_view import Judged, LookTaken, RestView, judged_now, sample_to_draw


def opening_draw(cells: int, given_seed: str, make_seed: Callable[[], str]) -> DrawFact:
    """Return the draw of the order in which a lot is measured.

    Args:
        cells: Numbered cells of the tray, from 1.
        given_seed: Seed given with the opening; "" lets one be made.
        make_seed: Makes one.
    """
    seed = f"{given_seed}/order" if given_seed else make_seed()
    return DrawFact(
        "order", True, ALGORITHM, seed, bool(given_seed), tuple(range(1, cells + 1)), cells,
        cells, 0,
    )  # fmt: skip


def due(
    lot: LotView, make_seed: Callable[[], str], rest_cells: Callable[[], tuple[int, ...]]
) -> tuple[Fact, ...]:
    """Return the facts that are due of the proof of the rest.

    Args:
        lot: The lot as it is after the facts they follow from.
        make_seed: Makes the seed of a draw.
        rest_cells: Cells that still hold a piece, where they are numbered.
    """
    rest = lot.rest
    if rest is None or lot.unmeasured is None or rest.open_pieces:
        return ()
    if rest.looks or rest.sample is not None:
        return _looked_again(lot, rest)
    last = lot.next_piece - 1
    if lot.unmeasured <= 0:
        count = rest.all_pieces
        found = Judged(1, count.pieces, count, 0, 0, "nothing-left")
        return (_look(found, last),)
    if lot.order_state in ("none", "open"):
        return ()
    if rest.plan.kind != "measured":
        return (_sample(lot, rest, make_seed, rest_cells),)
    return _first_look(rest, last)


def _sample(
    lot: LotView,
    rest: RestView,
    make_seed: Callable[[], str],
    rest_cells: Callable[[], tuple[int, ...]],
) -> DrawFact:
    left = lot.unmeasured or 0
    try:
        plan = sample_to_draw(rest.plan, left)
        size, accepts = plan.size, plan.acceptance_number
    except PlanError:  # below what the tables know: every piece of it
        size, accepts = left, 0
    if lot.tray is None:
        return DrawFact("sample", False, "", "", False, (), left, size, accepts)
    given = rest.given_seed
    seed = f"{given}/sample" if given else make_seed()
    return DrawFact(
        "sample", True, ALGORITHM, seed, bool(given), rest_cells(), left, size, accepts
    )


def _first_look(rest: RestView, last: int) -> tuple[Fact, ...]:
    found = judged_now(_with_look(rest, LookTaken(1, last, rest.all_pieces, 0, "short")))
    return () if found is None else (_look(found, last),)


def looked(rest: RestView, fact: LookFact) -> RestView:
    """Return the rest as it is once a look is on record."""
    taken = LookTaken(fact.look, fact.after_piece, fact.tally, fact.at_most or 0, fact.outcome)
    if fact.look > len(rest.looks):
        return _with_look(rest, taken)
    others = [look for look in rest.looks if look.look != fact.look]
    return replace(rest, looks=tuple(sorted([*others, taken], key=lambda look: look.look)))


def _with_look(rest: RestView, taken: LookTaken) -> RestView:
    return replace(rest, looks=(*rest.looks, taken), tallies=(*rest.tallies, Tally(0, 0)))


def _looked_again(lot: LotView, rest: RestView) -> tuple[Fact, ...]:
    """Return a further planned look, or a look told anew because its data were corrected."""
    found = judged_now(rest)
    if found is None:
        return ()
    last = lot.next_piece - 1
    if not rest.looks:  # the sample is under way
        return (_look(found, last),) if found.outcome != "under-way" else ()
    facts: tuple[Fact, ...] = ()
    before = rest.looks[-1]
    if _differs(found, before):
        facts = (_look(found, before.after_piece),)
    if _is_further_due(lot, rest, found):
        taken = LookTaken(found.look + 1, last, rest.all_pieces, 0, "short")
        further = judged_now(_with_look(rest, taken))
        if further is not None:
            facts = (*facts, _look(further, last))
    return facts


def _differs(found: Judged, before: LookTaken) -> bool:
    """Return whether a look says something else than on record.

    Pieces measured since change the rest it is about and so what it bounds, piece by piece:
    that alone is no news, a corrected count or another outcome is.
    """
    return found.outcome != before.outcome or found.tally != before.tally


def _is_further_due(lot: LotView, rest: RestView, found: Judged) -> bool:
    if rest.plan.kind != "measured" or len(rest.looks) >= rest.plan.looks:
        return False
    if found.outcome != "short":
        return False
    return rest.tallies[-1].pieces >= rest.plan.further or (lot.unmeasured or 0) <= 0


def _look(found: Judged, after_piece: int) -> LookFact:
    return LookFact(
        found.look, after_piece, found.judged, found.tally, found.rest, found.at_most,
        found.outcome,
    )  # fmt: skip
