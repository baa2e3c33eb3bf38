"""Signals: what the bench shows, as one pure function of where it stands.

State word, prompt and lamps come from the same look at the same state, so that they can't
contradict each other.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from rules import cycle, rest_prompt
from rules.bench import BenchRules, BenchState, why_refused
from rules.capture_model import CaptureRules
from rules.check_at_bench import CheckAtWork, CheckRules, seating, seats_needed
from rules.lot import LotView

StateWord = Literal[
    "coming-up", "master-check", "no-lot", "clamping", "loosen",
    "put-away", "order-filled", "sampling", "blocked", "fault",
]  # fmt: skip
"""The one list of states: MQTT, board and terminal go by it."""
PromptWord = Literal[
    "clean", "clamp", "turn", "loosen", "put-away", "right-the-bin", "change-box", "check",
    "wait", "call",
]  # fmt: skip
LampWord = Literal["off", "on", "slow", "fast"]
WaitsFor = Literal["operator", "lead", "indicator", "service", "nobody"]


@dataclass(frozen=True, slots=True)
class Signals:
    """What state topic, prompt and lamps say.

    Attributes:
        word: State word of the bench.
        waits_for: Whose move it is.
        reason: For people: why it is blocked, and what to do; "" when it runs.
        prompt: What the operator does next, one word.
        text: The same as a sentence.
        clamping: Number of the clamping in work, from 1; None between pieces in hand.
        clampings: How many are needed as it looks now.
        lamps: Lamp word of every bin that is not off.
        cell: Tray cell the next piece is taken from, while one is wanted.
    """

    word: StateWord
    waits_for: WaitsFor
    prompt: PromptWord
    text: str
    reason: str = ""
    clamping: int | None = None
    clampings: int | None = None
    lamps: Mapping[str, LampWord] = field(default_factory=dict)
    cell: int | None = None


def show(
    state: BenchState,
    rules: BenchRules,
    lot: LotView | None,
    fault: str | None = None,
) -> Signals:
    """Return what the bench shows. With a ``fault`` of the store every lamp is off."""
    if fault is not None:
        return Signals("fault", "lead", "call", "Call the lead: nothing is recorded", fault)
    stopped = _stopped(state, rules)
    if state.put_away.pending is not None:
        return _in_hand(state, state.put_away.pending, stopped, lot)
    if stopped is not None:
        return stopped
    if state.check is not None and rules.check is not None:
        return _checking(state, state.check, rules.check, rules.capture)
    refusal = why_refused(state, lot)
    if refusal == "check-due":
        return _check_due(state, rules)
    if lot is None or refusal == "no-lot":
        return Signals("no-lot", "lead", "wait", "Wait: no lot is open", "no lot is open")
    if refusal == "order-filled":
        return _order_filled(lot)
    if refusal == "beyond-lot":
        text = "Every piece of the lot was measured: call the lead to close it"
        return Signals("blocked", "lead", "call", text, "the lot has no more pieces")
    if refusal == "box-held":
        return _change_box(lot)
    return _working(state, rules, lot)


def _change_box(lot: LotView) -> Signals:
    """Ask for another box, by the lamps of the bins whose box is on hold as well."""
    bins = tuple(lot.held_bins)
    which = f"bin {bins[0]}" if len(bins) == 1 else f"bins {', '.join(bins)}"
    text = f"Set the box of {which} apart: it is on hold. Put another one there and tell it"
    if len(bins) > 1:
        text = f"Set the boxes of {which} apart: they are on hold. Put others there, tell them"
    lamps: dict[str, LampWord] = dict.fromkeys(bins, "slow")
    reason = rest_prompt.held_boxes_text(lot)
    return Signals("blocked", "operator", "change-box", text, reason, lamps=lamps)


def _order_filled(lot: LotView) -> Signals:
    if rest_prompt.is_held(lot):
        text = "The sample failed: the rest is on hold. Stop, call the lead"
        return Signals("order-filled", "lead", "call", text, "filled, the rest is on hold")
    if lot.order_state == "filled":
        text = "The order is filled and checked: stop measuring, call the lead to close the lot"
        return Signals("order-filled", "lead", "wait", text, "filled")
    text = "The order is filled: stop measuring, call the lead for the closing check"
    return Signals("order-filled", "lead", "wait", text, "filled, check due")


def _checking(
    state: BenchState, at_work: CheckAtWork, rules: CheckRules, capture: CaptureRules
) -> Signals:
    """Show the check as it goes: like a clamping, of the master."""
    number, needed = at_work.seat, seats_needed(at_work.kind, capture)
    note = f" ({at_work.note})" if at_work.note else ""
    text = f"{seating(at_work, rules, capture)}{note}"
    if capture.mode == "single-value":
        text = f"{text}. Turn it at the fastest speed, send the value"
        return Signals("master-check", "operator", "check", text, "", number, needed)
    if at_work.kind == "static-step":
        prompt: PromptWord = "wait" if at_work.face.is_reading else "check"
        return Signals("master-check", "operator", prompt, text, "", number, needed)
    turns = state.is_measuring or state.capture.phase in ("resting", "running-up", "sweeping")
    if turns:
        text = f"Let it turn at the fastest speed: master check, {at_work.kind}, seat {number}"
        return Signals("master-check", "operator", "turn", text, "", number, needed)
    if state.capture.loosening is None:
        text = f"{text}. Lift the stylus first"
        return Signals("master-check", "operator", "check", text, "", number, needed)
    return Signals("master-check", "operator", "check", text, "", number, needed)


def _check_due(state: BenchState, rules: BenchRules) -> Signals:
    """Ask for a check, by every bin's lamp as well: nothing belongs into any bin before it."""
    grading = rules.grading
    bins = {grade.bin for grade in grading.grades}
    lamps: dict[str, LampWord] = dict.fromkeys(
        sorted(bins | {grading.hold_bin, grading.nonconforming_bin}), "slow"
    )
    unproved = rules.check.unproved.values() if rules.check is not None else ()
    reason = "; ".join((*state.due.reasons, *unproved))
    if unproved:
        text = "A master check is due and its master is not in order: call the lead"
        return Signals("master-check", "lead", "call", text, reason, lamps=lamps)
    text = "A master check is due: press the foot switch to begin it"
    return Signals("master-check", "operator", "check", text, reason, lamps=lamps)


def _stopped(state: BenchState, rules: BenchRules) -> Signals | None:
    if state.lost:
        reason = "; ".join(f"{name}: {why}" for name, why in state.lost)
        text = "Wait: the indicator does not speak. Check its cable and battery"
        return Signals("blocked", "indicator", "wait", text, reason)
    if rules.capture.mode == "single-value":
        return None  # it speaks when its key is pressed, and not before
    silent = [i.id for i in rules.capture.indicators if i.id not in state.seen]
    if silent:
        text = "Wait: no reading has come yet"
        reason = f"no reading has come yet from {', '.join(silent)}"
        return Signals("coming-up", "indicator", "wait", text, reason)
    return None


def _in_hand(
    state: BenchState, where: str, stopped: Signals | None, lot: LotView | None
) -> Signals:
    """Show where the piece belongs, also while a line is lost: the verdict is there."""
    if state.put_away.wrong is not None:
        wrong = state.put_away.wrong
        text = f"Move it from bin {wrong} to bin {where}"
        lamps: dict[str, LampWord] = {where: "on", wrong: "fast"}
        reason = f"piece {state.piece} was put into bin {wrong}"
        return Signals("blocked", "operator", "right-the-bin", text, reason, lamps=lamps)
    reason = stopped.reason if stopped is not None else ""
    box = lot.boxes.get(where) if lot is not None else None
    text = f"Put the collet into bin {where}"
    if box is not None and box.is_full:
        text = f"Change the box of bin {where}: it is full. Then put the collet in"
    if state.cycle.was_put_away:
        text = f"Piece {state.piece} is regraded: take it from where it lies. {text}"
    return Signals("put-away", "operator", "put-away", text, reason, lamps={where: "on"})


def _working(state: BenchState, rules: BenchRules, lot: LotView) -> Signals:
    number = len(state.cycle.assessed) + 1
    needed = max(number, cycle.needed(state.cycle, rules.grading))
    last = state.cycle.assessed[-1] if state.cycle.assessed else None
    note = f" (no result: {last.reason})" if last is not None and last.reason else ""
    is_next = state.piece is None
    cell = lot.next_cell if is_next else None
    on_pin = state.capture.phase in ("resting", "running-up", "sweeping")
    is_single = rules.capture.mode == "single-value"
    is_fetched = state.cycle.kind == "re-measured" and not state.cycle.assessed
    is_between = not on_pin and not state.is_measuring
    word: StateWord = "sampling" if is_next and is_between and lot.wants_proof else "clamping"
    take = rest_prompt.take(lot) if is_next and is_between else ""
    if is_fetched and is_between:
        take = f"Piece {state.piece} is measured again: take it from where it lies. "
    if not is_single and state.capture.loosening is None and not state.is_measuring:
        way = rules.rotation.way
        text = f"Loosen the nut, turn the collet a third {way}, tighten again{note}"
        if number == 1:
            text = (
                f"{take}Loosen the nut and clamp the collet: nothing counts before a loosening"
            )
        word = "sampling" if word == "sampling" else "loosen"
        return Signals(word, "operator", "loosen", text, "", number, needed, cell=cell)
    if on_pin or state.is_measuring:
        text = f"Let it turn: clamping {number} of {needed}"
        return Signals("clamping", "operator", "turn", text, "", number, needed, cell=cell)
    text = f"clamp the collet: clamping {number} of {needed}{note}"
    if (is_next or is_fetched) and (is_single or state.capture.phase == "away"):
        text = f"{take}Brush taper, slots, pin and nut clean, {text}"
        # Finished values do not tell an empty holder from a full one.
        prompt: PromptWord = "clamp" if is_single else "clean"
        return Signals(word, "operator", prompt, text, "", number, needed, cell=cell)
    text = f"{take}{text[0].upper()}{text[1:]}"
    return Signals(word, "operator", "clamp", text, "", number, needed, cell=cell)
