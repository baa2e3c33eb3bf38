"""Texts that stand where the value would: what the best candidate could not read."""

import re
from collections import Counter
from dataclasses import replace

from daemon.recognise.proposal import Doubt
from daemon.recognise.sample import Sample
from daemon.recognise.trial import Outcome, try_candidate

_MOST_TEXTS = 4
_DASHES = re.compile(r"[+-]?[-.,_*#^ ]*[-_*#^]{2}[-.,_*#^ ]*")
_WORDS = re.compile(r"[+-]?(OL|OVER|OVR|OVL|OVERRANGE|OVER-RANGE|OVERFLOW)", re.IGNORECASE)
_TEXT = re.compile(rb"[ -~]+")


def with_over_range(outcome: Outcome, sample: Sample) -> Outcome | None:
    """Return the outcome with over-range texts, if its driver reads more with them."""
    if not outcome.candidate.driver.startswith("ascii") or not outcome.bad_frames:
        return None
    texts = _texts(outcome)
    if not texts:
        return None
    shown = ", ".join(map(repr, texts))
    doubt = Doubt(
        "over_range", f"{shown} stood where the value would: taken for over-range; provoke it"
    )
    candidate = replace(
        outcome.candidate,
        options={**outcome.candidate.options, "over_range": texts},
        doubts=(*outcome.candidate.doubts, doubt),
    )
    found = try_candidate(candidate, sample)
    better = found is not None and len(found.readings) > len(outcome.readings)
    return found if better else None


def _texts(outcome: Outcome) -> list[str]:
    """Return what stands between the frame's usual words in the frames that are bad."""
    usual = _usual_words(outcome)
    counted: Counter[str] = Counter()
    for bad in outcome.bad_frames:
        content = b" ".join(_TEXT.findall(bad.raw)).decode("ascii")
        words = [word for word in re.split(r"[ ;:=|]+", content) if word and word not in usual]
        text = words[0] if words else ""
        for unit in usual:
            if unit.isalpha() and text != unit:
                text = text.removesuffix(unit)
        if _DASHES.fullmatch(text) or _WORDS.fullmatch(text):
            counted[text] += 1
    return [text for text, _ in counted.most_common(_MOST_TEXTS)]


def _usual_words(outcome: Outcome) -> set[str]:
    options = outcome.candidate.options
    usual: set[str] = set()
    for key in ("unit", "flags", "channels"):
        value = options.get(key, ())
        if not isinstance(value, str):
            assert isinstance(value, dict | list | tuple)
            usual |= set(value)
    pattern = str(options.get("pattern", ""))
    return usual | set(re.split(r"[ ;:=|]+", re.sub(r"\{\w+\}", " ", pattern))) - {""}
