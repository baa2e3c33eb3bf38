"""The foot switch: what a press means in every state of the bench, as one table.

A short press is the operator's next step, a long one calls somebody. README prints the table
(``as_markdown``), the bench goes by it. It is the bench's own switch and starts nothing that
turns: the spindle has another one.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from rules.put_away import PutAwayState

Place = Literal[
    "fault",              # no record can be kept
    "wrong-bin",          # the piece in hand lies in a wrong bin
    "put-away",           # a piece is in hand, and the bench file lets the foot confirm it
    "put-away-by-bin",    # a piece is in hand, and only the bin (or a removal) confirms it
    "blocked",            # an indicator does not speak
    "coming-up",          # no reading has come yet
    "no-lot",
    "check-due",          # a master check is due and not begun
    "static-step",        # a face of a master check's static step is awaited or read
    "order-filled",
    "lot-exhausted",      # every piece of the lot was measured
    "box-held",           # a box on hold stands in a bin
    "single-value",       # the indicator sends finished values
    "turning",            # the spindle runs up, or a turn is being swept
    "loosen",             # a loosening is awaited
    "clamp",              # the loosening was seen; the pin does not turn yet
]  # fmt: skip
"""Where a press finds the bench; the first that holds counts."""

Press = Literal["short", "long"]

Meaning = Literal[
    "nothing", "loosened", "confirm", "begin-check", "read-face", "call-help", "ask-attention"
]

Call = Literal["help-called", "attention-asked"]
"""Alarm codes of the two calls."""

CALLS: tuple[Call, ...] = ("help-called", "attention-asked")


@dataclass(frozen=True, slots=True)
class FootRules:
    """How a press is read.

    Attributes:
        long_press_ns: A press held this long or longer is a long one.
    """

    long_press_ns: int = 1_500_000_000

    def press(self, held_ns: int) -> Press:
        """Return which press it was, by how long the switch was down."""
        return "long" if held_ns >= self.long_press_ns else "short"


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table.

    Attributes:
        state: The state in words, for README.
        short: What a short press means.
        long: What a long press means.
        why: Why a short press does just that; "" where it needs no reason.
    """

    state: str
    short: Meaning
    long: Meaning
    why: str = ""


TABLE: Mapping[Place, Row] = {
    "fault": Row(
        "`fault`: no record can be kept", "nothing", "nothing",
        "nothing can be recorded, and the bench calls the lead by itself",
    ),
    "wrong-bin": Row(
        "`blocked`: the piece in hand lies in a wrong bin", "nothing", "ask-attention",
        "only the right bin puts it right",
    ),
    "put-away": Row("`put-away`, with `foot` in `by`", "confirm", "ask-attention"),
    "put-away-by-bin": Row(
        "`put-away`, without `foot` in `by`", "nothing", "ask-attention",
        "the bin has to see the piece",
    ),
    "blocked": Row(
        "`blocked`: an indicator does not speak", "nothing", "call-help",
        "nobody could see what was loosened",
    ),
    "coming-up": Row("`coming-up`: no reading yet", "nothing", "call-help"),
    "no-lot": Row("`no-lot`", "nothing", "call-help"),
    "check-due": Row("`master-check`, not begun", "begin-check", "call-help"),
    "static-step": Row("`master-check`, a static step", "read-face", "call-help"),
    "order-filled": Row("`order-filled`", "nothing", "call-help"),
    "lot-exhausted": Row(
        "`blocked`: every piece of the lot was measured", "nothing", "call-help"
    ),
    "box-held": Row(
        "`blocked`: a box on hold stands in a bin", "nothing", "call-help",
        "another box has a label of its own, which nobody can say by foot",
    ),
    "single-value": Row(
        "any other, with `mode = \"single-value\"`", "nothing", "call-help",
        "finished values show no loosening, and say so on the record",
    ),
    "turning": Row(
        "`clamping`, the pin turns; `master-check`, a clamping is measured", "nothing",
        "call-help", "nobody opens a nut on a turning spindle",
    ),
    "loosen": Row("`loosen`, `sampling`: a loosening is awaited", "loosened", "call-help"),
    "clamp": Row(
        "`clamping`, `sampling`, the pin does not turn yet", "loosened", "call-help",
        "it bears out the loosening that was seen",
    ),
}  # fmt: skip

WORDS: Mapping[Meaning, str] = {
    "nothing": "nothing",
    "loosened": "says that the nut was opened (evidence `foot-switch`)",
    "confirm": "confirms that the piece lies in the lit bin",
    "begin-check": "begins the master check: the next clampings are of the master",
    "read-face": "says that the stylus is set on the face the prompt names, hands off",
    "call-help": "calls for help (alarm `help-called`)",
    "ask-attention": "asks for a look at the piece in hand (alarm `attention-asked`)",
}


def place(
    waits: PutAwayState,
    *,
    foot_confirms: bool,
    is_lost: bool,
    has_spoken: bool,
    refusal: str | None,
    is_single_value: bool,
    is_turning: bool,
    is_loosened: bool,
) -> Place:
    """Return where a press finds the bench.

    Args:
        waits: Where the piece in hand belongs.
        foot_confirms: Whether the bench file lets the foot switch confirm a put-away.
        is_lost: Whether an indicator does not speak.
        has_spoken: Whether any has spoken since the start.
        refusal: Why a clamping would belong to no piece now; None when it would.
        is_single_value: Whether the indicators send finished values.
        is_turning: Whether the spindle runs up or a turn is being swept.
        is_loosened: Whether a loosening was seen since the last clamping.
    """
    if waits.pending is not None:
        if waits.wrong is not None:
            return "wrong-bin"
        return "put-away" if foot_confirms else "put-away-by-bin"
    stopped = _stopped(refusal, is_lost=is_lost, has_spoken=has_spoken)
    if stopped is not None:
        return stopped
    if is_single_value:
        return "single-value"
    if is_turning:
        return "turning"
    return "clamp" if is_loosened else "loosen"


def _stopped(refusal: str | None, *, is_lost: bool, has_spoken: bool) -> Place | None:
    if is_lost:
        return "blocked"
    if not has_spoken:
        return "coming-up"
    match refusal:
        case "no-lot":
            return "no-lot"
        case "check-due":
            return "check-due"
        case "static-step":
            return "static-step"
        case "order-filled":
            return "order-filled"
        case "beyond-lot":
            return "lot-exhausted"
        case "box-held":
            return "box-held"
        case _:
            return None


def meaning(pressed_in: Place, let_go_in: Place, press: Press) -> Meaning:
    """Return what a press means that began in one state and ended in another.

    A long press means what it did when it began. A short one has to mean the same at both
    ends: a verdict that comes while the foot is down must not be confirmed by letting go.
    """
    if press == "long":
        return TABLE[pressed_in].long
    short = TABLE[pressed_in].short
    return short if short == TABLE[let_go_in].short else "nothing"


def as_markdown() -> str:
    """Return the table as README prints it."""
    lines = ["| State of the bench | Short press | Long press |", "|---|---|---|"]
    for row in TABLE.values():
        short = WORDS[row.short] + (f": {row.why}" if row.why else "")
        lines.append(f"| {row.state} | {short} | {WORDS[row.long]} |")
    return "\n".join(lines) + "\n"
