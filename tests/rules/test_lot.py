"""The lot as the bench sees it: no more than ordered."""

from collections.abc import Mapping
from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from rules.lot import BoxView, LotView


def lot(
    ordered: Mapping[str, int] | None = None,
    put_away: Mapping[str, int] | None = None,
    pending: Mapping[str, int] | None = None,
    next_piece: int = 1,
    quantity: int | None = 120,
) -> LotView:
    return LotView(
        "W-1", "X-10", quantity, next_piece, ordered or {}, put_away or {}, pending or {}
    )


def test_without_an_order_nothing_is_ever_filled() -> None:
    view = lot(put_away={"top": 50})
    assert view.order_state == "none"
    assert not view.is_covered
    assert not view.fills_order("top", "1")


def test_the_last_ordered_piece_fills_the_order() -> None:
    view = lot({"top": 36}, {"top": 35})
    assert view.order_state == "open"
    assert view.fills_order("top", "1")
    assert not view.fills_order("ordinary", "1")
    assert not view.fills_order(None, "1")
    assert lot({"top": 36}, {"top": 36}).order_state == "filled-check-due"


def test_a_piece_graded_and_pending_stops_the_next_one_too() -> None:
    view = lot({"top": 36}, {"top": 35}, {"top": 1})
    assert view.order_state == "open"
    assert view.is_covered
    assert not lot({"top": 36}, {"top": 35}, {"ordinary": 1}).is_covered


def test_an_order_of_two_grades_is_filled_when_both_are() -> None:
    ordered = {"top": 2, "ordinary": 3}
    assert not lot(ordered, {"top": 9, "ordinary": 2}).fills_order("top", "1")
    assert lot(ordered, {"top": 9, "ordinary": 2}).fills_order("ordinary", "1")
    assert lot(ordered, {"top": 1, "ordinary": 2}).order_state == "open"
    assert not lot(ordered, {"top": 1, "ordinary": 2}).fills_order("top", "1")


def test_what_is_put_into_a_box_on_hold_fills_nothing() -> None:
    boxed = replace(lot({"top": 2}, {"top": 1}), boxes={"1": BoxView("A-1")})
    assert not replace(boxed, held_boxes=frozenset({"A-1"})).fills_order("top", "1")
    assert replace(boxed, held_boxes=frozenset({"A-2"})).fills_order("top", "1")
    doubted = replace(boxed, doubted=frozenset({7}))
    assert (doubted.fills_order("top", "1", 7), doubted.fills_order("top", "1", 8)) == (
        False, True,
    )  # fmt: skip
    assert not replace(boxed, held_boxes=frozenset({"bin 2 of W-1"})).fills_order("top", "2")


def test_a_bin_is_held_by_the_box_that_stands_in_it_or_by_its_own_pieces() -> None:
    boxed = replace(lot({"top": 2}, {}), boxes={"1": BoxView("A-1"), "2": BoxView("A-2")})
    assert boxed.held_bins == {}
    held = frozenset({"A-2", "A-0", f"bin H of {boxed.code}", f"bin 1 of {boxed.code}"})
    # A-0 was changed for A-1, and bin 1 had no box of its own before.
    assert replace(boxed, held_boxes=held).held_bins == {"2": "A-2", "H": ""}


def test_a_lot_is_exhausted_when_its_last_piece_was_begun() -> None:
    assert not lot(next_piece=120).is_exhausted
    assert lot(next_piece=121).is_exhausted
    assert not lot(next_piece=10_000, quantity=None).is_exhausted


COUNTS = st.dictionaries(st.sampled_from(["a", "b", "c"]), st.integers(0, 5))


@given(COUNTS, COUNTS, st.sampled_from(["a", "b", "c"]))
def test_a_piece_fills_the_order_just_when_the_count_after_it_says_so(
    ordered: dict[str, int], put_away: dict[str, int], grade: str
) -> None:
    before = lot(ordered, put_away)
    after = lot(ordered, {**put_away, grade: put_away.get(grade, 0) + 1})
    fills = before.order_state == "open" and after.order_state == "filled-check-due"
    assert before.fills_order(grade, "1") == fills
