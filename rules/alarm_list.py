"""The alarms of a bench: what each means, who acts, what to do, how long it may chatter.

One table: the bench raises by it, MQTT and board tell it, README prints it (``as_markdown``).
An alarm needs an answer; all else is an event. States are those of IEC 62682 and ISA-18.2
(from memory): raised, acknowledged, shelved, returned to normal.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from rules.facts import AlarmCode

S = 1_000_000_000

Who = Literal["operator", "lead"]


@dataclass(frozen=True, slots=True)
class AlarmEntry:
    """One alarm.

    Attributes:
        meaning: What is the matter.
        who: Whose move it is.
        to_do: What he does.
        on_ns: The condition has to last so long before the alarm is raised.
        off_ns: It has to be gone so long before the alarm returns.
        is_kept: Nothing shows at once after a start whether it still stands: it is kept
            until somebody or something says otherwise.
        is_of_lot: Whether it ends with the lot.
        is_shelvable: Whether it may be shelved.
    """

    meaning: str
    who: Who
    to_do: str
    on_ns: int = 0
    off_ns: int = 0
    is_kept: bool = False
    is_of_lot: bool = False
    is_shelvable: bool = True


ALARMS: Mapping[AlarmCode, AlarmEntry] = {
    "indicator-lost": AlarmEntry(
        "an indicator does not speak; the piece in work starts again",
        "operator", "check its cable, plug and battery; if it stays mute, call the lead",
        off_ns=5 * S,
    ),
    "battery-low": AlarmEntry(
        "an indicator says that its battery is low", "operator",
        "put a new battery in before the next lot", on_ns=2 * S, off_ns=30 * S,
    ),
    "signal-fault": AlarmEntry(
        "a wired contact (index, foot, torque, run) can't be believed", "lead",
        "look at the contact named in the text and its cable", off_ns=5 * S,
    ),
    "wrong-bin": AlarmEntry(
        "the piece in hand lies in a wrong bin; the bench is locked", "operator",
        "take it out and put it into the lit bin", is_shelvable=False,
    ),
    "not-put-away": AlarmEntry(
        "the piece in hand is not confirmed in its bin: not in time, or the next clamping"
        " was begun",
        "operator", "put it into the lit bin and confirm",
    ),
    "beyond-lot": AlarmEntry(
        "more pieces come than the lot has", "lead",
        "count the tray, then close the lot or find where the piece comes from",
        is_of_lot=True,
    ),
    "order-short": AlarmEntry(
        "the lot will probably run out before the order is filled", "lead",
        "have a second lot made ready, or agree a smaller order", is_kept=True,
        is_of_lot=True,
    ),
    "rest-held": AlarmEntry(
        "the sample failed: the rest of the lot is on hold",
        "lead", "decide about the rest: measure it, or set it apart", is_kept=True,
        is_of_lot=True,
    ),
    "box-full": AlarmEntry(
        "a box holds as many pieces as it may", "operator",
        "put another box into that bin and tell it: `reclamp box change`", is_kept=True,
        is_of_lot=True,
    ),
    "box-held": AlarmEntry(
        "a box on hold stands in a bin: what is put into it is lost to the hold, so no further"
        " piece is begun",
        "operator", "set that box apart, put another one into the bin and tell it: "
        "`reclamp box change`", is_kept=True, is_of_lot=True, is_shelvable=False,
    ),
    "instrument-unfit": AlarmEntry(
        "an instrument of the bench is overdue or not fit; no new lot is opened", "lead",
        "have it calibrated, or enter its new certificate: `reclamp instrument add`",
        is_kept=True,
    ),
    "clock-doubt": AlarmEntry(
        "the time of day can't be believed: no due date can be kept", "lead",
        "set the clock right, then `reclamp instrument clock-right`", is_kept=True,
    ),
    "rule-file-fault": AlarmEntry(
        "the rule file was changed and has faults; the rules before stay in force", "lead",
        "put right what the text names: `reclamp check` lists every fault", is_kept=True,
    ),
    "rules-differ": AlarmEntry(
        "the rule file is another than the one the open lot goes by", "lead",
        "leave the lot as it is, or let it go by the new one: `reclamp lot rules`",
        is_kept=True, is_of_lot=True,
    ),
    "help-called": AlarmEntry(
        "the operator calls for help", "lead", "go there; acknowledge answers the call",
        is_kept=True, is_shelvable=False,
    ),
    "attention-asked": AlarmEntry(
        "the operator asks for a look at the piece in hand", "lead",
        "look at the piece before it is put away; acknowledge answers the call",
        is_kept=True, is_shelvable=False,
    ),
    "clampings-alike": AlarmEntry(
        "two clampings read alike point by point: perhaps the nut was not opened", "operator",
        "open the nut and turn the collet a third before each clamping",
    ),
    "values-never-fall": AlarmEntry(
        "finished values that never fall: the indicator keeps its largest", "operator",
        "clear the indicator's largest value before each clamping",
    ),
    "holder-share": AlarmEntry(
        "the holder's share of the run-out is above its limit", "lead",
        "clean taper, nut and holder, check with the master; if it stays, change the holder",
        is_kept=True,
    ),
    "rotated-backwards": AlarmEntry(
        "collets seem to be rotated the other way than the bench file says", "operator",
        "turn the collet the way the prompt says; else correct the bench file",
        is_kept=True, is_of_lot=True,
    ),
    "check-soon": AlarmEntry(
        "a master check will be due soon", "operator",
        "make it after the piece in hand: foot switch when due, or `reclamp master check`",
        is_kept=True,
    ),
    "check-due": AlarmEntry(
        "a master check is due: no further piece is graded", "operator",
        "press the foot switch and do what the prompt says", is_kept=True,
        is_shelvable=False,
    ),
    "check-failed": AlarmEntry(
        "the last master check failed: what was graded since the last good one is on hold",
        "lead", "do what the check said, make it again, then decide about `hold list`",
        is_kept=True, is_shelvable=False,
    ),
    "span-unproved": AlarmEntry(
        "an instrument left the bench before a check closed its span: what it measured is on"
        " hold",
        "lead", "decide about `hold list`; next time have the closing check made first:"
        " `reclamp master leaving`", is_kept=True, is_of_lot=True,
    ),
    "zero-drift": AlarmEntry(
        "the zero moved too far between two good checks", "lead",
        "let the bench warm up; look at stylus, stand and clamp of the indicator",
        is_kept=True,
    ),
}  # fmt: skip


def as_markdown() -> str:
    """Return the table as README prints it."""
    lines = ["| Code | Meaning | Who | What to do | On / off after |", "|---|---|---|---|---|"]
    for code, one in ALARMS.items():
        shelf = "" if one.is_shelvable else " (can't be shelved)"
        delays = f"{one.on_ns // S} / {one.off_ns // S} s"
        if not one.on_ns and not one.off_ns:
            delays = "at once"
        lines.append(
            f"| `{code}` | {one.meaning}{shelf} | {one.who} | {one.to_do} | {delays} |"
        )
    return "\n".join(lines) + "\n"
