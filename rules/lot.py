"""The lot as the bench sees it: counts from the store, the order, what stops the next piece."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from rules.cycle import CycleKind
from rules.rest_view import RestView
from rules.separation import PinMoves
from rules.tray import TrayView


def box_name(label: str | None, bin_id: str, lot: str) -> str:
    """Return what a binned piece lies among: a box, or all that the bin took from a lot."""
    return label or f"bin {bin_id} of {lot}"


def _own_bin(name: str, lot: str) -> str | None:
    """Return the bin that is known by itself under this name; None for a box with a label."""
    before, after = "bin ", f" of {lot}"
    if not (name.startswith(before) and name.endswith(after)):
        return None
    return name[len(before) : -len(after)]


OrderState = Literal["none", "open", "filled-check-due", "filled"]


@dataclass(frozen=True, slots=True)
class BoxView:
    """The box that stands in a bin.

    Attributes:
        label: What it is known by.
        pieces: Pieces put into it.
        capacity: Pieces it holds; None when nobody said.
    """

    label: str
    pieces: int = 0
    capacity: int | None = None

    @property
    def is_full(self) -> bool:
        """Return whether another piece needs another box."""
        return self.capacity is not None and self.pieces >= self.capacity


@dataclass(frozen=True, slots=True)
class LotView:
    """A lot's facts, read anew from the store after every commit.

    Attributes:
        code: The lot's name.
        article: What is in it.
        quantity: Pieces delivered to the bench; None when nobody counted.
        set_aside: Pieces of those that visual inspection set aside.
        rest: How the rest is judged and what is proved of it; None without a plan.
        tray: Its numbered cells; None where they are not numbered.
        boxes: The box that stands in each bin.
        held_boxes: Boxes on hold: what is put into them is on hold as well.
        doubted: Pieces in hand whose span an instrument left unproved.
        unproved: Pieces on hold in such spans that nobody has decided about.
        unproved_why: What left the bench, of the last of these; "" without one.
        next_piece: Number the next new piece gets; numbers are never reused.
        ordered: Pieces ordered, by grade.
        put_away: Pieces that count as a grade today and lie in its bin, by grade.
        pending: Verdicts whose put-away is not recorded, by grade.
        pin_moves: What the pin goes along with when a collet is rotated; None: nobody said.
        torque_tool: What its nut is tightened with; "" where none was named.
        torque_nmm: What that is set to, in N·mm; None: nobody said.
        replaced: Pieces closed because their whole box is measured again under new numbers.
        is_released: Every graded piece lies between two good master checks.
    """

    code: str
    article: str
    quantity: int | None
    next_piece: int
    ordered: Mapping[str, int] = field(default_factory=dict)
    put_away: Mapping[str, int] = field(default_factory=dict)
    pending: Mapping[str, int] = field(default_factory=dict)
    set_aside: int = 0
    rest: RestView | None = None
    tray: TrayView | None = None
    boxes: Mapping[str, BoxView] = field(default_factory=dict)
    held_boxes: frozenset[str] = frozenset()
    doubted: frozenset[int] = frozenset()
    unproved: int = 0
    unproved_why: str = ""
    pin_moves: PinMoves | None = None
    torque_tool: str = ""
    torque_nmm: int | None = None
    replaced: int = 0
    is_released: bool = False

    @property
    def unmeasured(self) -> int | None:
        """Return how many pieces nobody has begun or set aside; None when nobody counted."""
        if self.quantity is None:
            return None
        return self.quantity - self.set_aside - (self.next_piece - 1) + self.replaced

    @property
    def order_state(self) -> OrderState:
        """Return whether every ordered grade has its pieces put away.

        A filled order still asks for the closing master check: it is ``filled`` once every
        graded piece lies between two good ones.
        """
        if not self.ordered:
            return "none"
        missing = any(self.put_away.get(g, 0) < n for g, n in self.ordered.items())
        if missing:
            return "open"
        return "filled" if self.is_released else "filled-check-due"

    @property
    def is_covered(self) -> bool:
        """Return whether the order is filled once all that is graded is put away."""
        return bool(self.ordered) and all(
            self.put_away.get(g, 0) + self.pending.get(g, 0) >= n
            for g, n in self.ordered.items()
        )

    @property
    def wants_proof(self) -> bool:
        """Return whether the proof of the rest asks for pieces beyond the order's."""
        return self.rest is not None and self.rest.wants_more and not self.is_exhausted

    @property
    def next_cell(self) -> int | None:
        """Return the cell the next piece is taken from, where cells are numbered."""
        return self.tray.next_cell if self.tray is not None else None

    @property
    def is_exhausted(self) -> bool:
        """Return whether every piece of the lot has been begun."""
        return self.unmeasured is not None and self.unmeasured <= 0

    def is_held(self, bin_id: str) -> bool:
        """Return whether what is put into a bin now lies among pieces on hold."""
        label = self.boxes[bin_id].label if bin_id in self.boxes else None
        return box_name(label, bin_id, self.code) in self.held_boxes

    @property
    def held_bins(self) -> Mapping[str, str]:
        """Return each bin whose box is on hold, in order, and its label; "" without one."""
        if not self.held_boxes:
            return {}
        found = {
            name: box.label for name, box in self.boxes.items() if box.label in self.held_boxes
        }
        for held in self.held_boxes:
            name = _own_bin(held, self.code)
            if name is not None and name not in self.boxes:
                found[name] = ""
        return dict(sorted(found.items()))

    def fills_order(self, grade: str | None, bin_id: str, piece: int | None = None) -> bool:
        """Return whether one more piece of ``grade`` put into this bin fills the order."""
        is_held = self.is_held(bin_id) or piece in self.doubted
        if grade is None or self.order_state != "open" or is_held:
            return False
        after = {**self.put_away, grade: self.put_away.get(grade, 0) + 1}
        return all(after.get(g, 0) >= n for g, n in self.ordered.items())


@dataclass(frozen=True, slots=True)
class OpenWork:
    """A piece that was begun and is not in its bin.

    Attributes:
        piece: Its number.
        cycle: Number of its last cycle.
        kind: Why that cycle exists.
        retries: Whole-set retries it has had.
        clampings: Clampings of that cycle.
        is_interrupted: The cycle's interruption is recorded already.
        bin: Where it belongs, when it has a verdict.
        grade: Its grade, when it has one.
        wrong: The wrong bin it was last seen in, until put right.
        regraded_seq: Sequence number of the decision that gave it another grade and bin
            after its verdict; None where the verdict's hold.
    """

    piece: int
    cycle: int
    kind: CycleKind
    retries: int
    clampings: int
    is_interrupted: bool
    bin: str | None
    grade: str | None
    wrong: str | None
    regraded_seq: int | None = None
