"""Alarms of a bench: raised and returned once each, whatever says so again."""

from dataclasses import replace

from rules import foot_switch
from rules.bench_model import BenchState, Result
from rules.facts import AlarmCode, AlarmFact, Fact
from rules.foot_switch import CALLS
from rules.line_events import SignalFault

OF_THE_BENCH: tuple[AlarmCode, ...] = ("holder-share", "instrument-unfit", "clock-doubt")
"""Alarms that have nothing to do with a lot: they outlive it."""


def clear(state: BenchState) -> Result:
    """Return the alarms about a piece in hand to normal: it is no longer awaited."""
    facts: tuple[Fact, ...] = ()
    codes: tuple[AlarmCode, ...] = ("wrong-bin", "not-put-away")
    for code in codes:
        if stands(state, code):
            state, returned = alarm(state, code, False, "")
            facts = (*facts, *returned)
    return state, facts


def stands(state: BenchState, code: AlarmCode) -> bool:
    """Return whether an alarm stands."""
    return any(known == code for known, _ in state.alarms)


def alarm(state: BenchState, code: AlarmCode, is_raised: bool, text: str) -> Result:
    """Raise an alarm or return it to normal; nothing where it is so already."""
    others = tuple(entry for entry in state.alarms if entry[0] != code)
    if is_raised:
        if (code, text) in state.alarms:
            return state, ()
        return replace(state, alarms=(*others, (code, text))), (AlarmFact(code, True, text),)
    if others == state.alarms:
        return state, ()
    return replace(state, alarms=others), (AlarmFact(code, False, text),)


def call(state: BenchState, code: foot_switch.Call) -> Result:
    """Call somebody; where a call stands already, the second long press takes it back."""
    if any(stands(state, standing) for standing in CALLS):
        return end_calls(state, "taken back")
    text = foot_switch.CALL_TEXT[code]
    if code == "attention-asked":
        text = f"piece {state.piece}: {text}"
    return alarm(state, code, True, text)


def end_calls(state: BenchState, text: str) -> Result:
    """Return every call to normal; ``text`` says how it was answered."""
    facts: tuple[Fact, ...] = ()
    for code in CALLS:
        state, returned = alarm(state, code, False, text)
        facts = (*facts, *returned)
    return state, facts


def joined(entries: tuple[tuple[str, str], ...]) -> str:
    """Return named conditions in one line."""
    return "; ".join(f"{name}: {why}" for name, why in entries)


def without(
    faults: tuple[tuple[str, str], ...], event: SignalFault
) -> tuple[tuple[str, str], ...]:
    """Return the faults of wired signals after one of them came or went."""
    others = tuple(entry for entry in faults if entry[0] != event.signal)
    return (*others, (event.signal, event.text)) if event.text else others
