"""What a message on the broker says, if it is ours and readable.

A broker is a public place: anybody may publish anything under our root. Whatever is no
message of the contract is refused with a reason, counted by the caller, and moves nothing.
"""

import re
from dataclasses import dataclass
from typing import get_args

from pydantic import ValidationError

from daemon.messages import (
    About,
    AlarmData,
    ClampingData,
    Event,
    LampWord,
    Lot,
    Payload,
    Prompt,
    Recent,
    State,
)

__all__ = ["FILTERS", "PAYLOAD_MAX", "ClampingEvent", "Heard", "Refused", "filters", "read"]

PAYLOAD_MAX = 256 * 1024
"""Bytes; thirty pieces of ``recent`` take about six thousand."""

FILTERS = (
    "link", "about", "event/clamping", "state", "lot", "recent", "prompt", "alarm/+", "lamp/+",
)  # fmt: skip
"""Below ROOT/BENCH, in the order of subscribing: a bench is first known, then seen.

Events are kept by no broker: they are asked for before what makes a bench live, or a bench
that is seen already would have spoken to nobody."""


class ClampingEvent(Event):
    """The one kind of event that the board takes: its sweep stands in no retained topic."""

    data: ClampingData


_MODELS: dict[str, type[Payload]] = {
    "about": About,
    "state": State,
    "lot": Lot,
    "recent": Recent,
    "prompt": Prompt,
    "alarm": AlarmData,
    "event": ClampingEvent,
}
_KEYED = ("alarm", "lamp", "event")
_WORDS = {"link": ("online", "offline"), "lamp": get_args(LampWord)}
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")


@dataclass(frozen=True, slots=True)
class Heard:
    """One readable message.

    Attributes:
        bench: The bench it speaks of.
        part: First level below the bench: ``link``, ``state``, ``alarm`` …
        key: Alarm code, bin or kind of event, else empty.
        value: The payload; a plain word for ``link`` and ``lamp``; None where it was cleared.
        is_live: False for a message that the broker had kept: it says nothing about now.
    """

    bench: str
    part: str
    key: str
    value: Payload | str | None
    is_live: bool


@dataclass(frozen=True, slots=True)
class Refused:
    """One message that moves nothing, and why."""

    reason: str


def filters(root: str) -> list[str]:
    """Return the topic filters that the board subscribes to."""
    return [f"{root}/+/{suffix}" for suffix in FILTERS]


def read(root: str, topic: str, payload: bytes, is_retained: bool) -> Heard | Refused:
    """Return what the message says. Never raises for anything a broker can deliver.

    The topic is judged again though we subscribed by filter: some brokers send a new client
    the retained messages of other clients' subscriptions as well.
    """
    if not topic.startswith(f"{root}/"):
        return Refused("not under our root")
    bench, _, rest = topic.removeprefix(f"{root}/").partition("/")
    part, *keys = rest.split("/")
    if not _NAME.fullmatch(bench):
        return Refused("no name of a bench")
    if not _is_ours(part, keys):
        return Refused("no topic of the board")
    if len(payload) > PAYLOAD_MAX:
        return Refused("too long")
    value = None if not payload else _value(part, payload, is_retained)
    if isinstance(value, Refused):
        return value
    return Heard(bench, part, "".join(keys), value, not is_retained)


def _is_ours(part: str, keys: list[str]) -> bool:
    if part == "event":
        return keys == ["clamping"]
    if part in _KEYED:
        return len(keys) == 1 and _NAME.fullmatch(keys[0]) is not None
    return not keys and (part in _MODELS or part == "link")


def _value(part: str, payload: bytes, is_retained: bool) -> Payload | str | Refused:
    if part in _WORDS:
        return _word(part, payload, is_retained)
    if part == "event" and is_retained:
        return Refused("event: an event is never retained")
    try:
        # a newer service may say more than we know: what we know counts
        return _MODELS[part].model_validate_json(payload, extra="ignore")
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        place = ".".join(str(step) for step in first["loc"])
        return Refused(f"{part}: {place or 'payload'}: {first['msg']}")


def _word(part: str, payload: bytes, is_retained: bool) -> str | Refused:
    word = payload.decode("utf-8", errors="replace")
    if word not in _WORDS[part]:
        return Refused(f"{part}: no word of the contract")
    if part == "lamp" and is_retained and word != "off":
        return Refused("lamp: a retained lamp is only ever off")
    return word
