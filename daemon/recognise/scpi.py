"""Candidates for SCPI: an answer to *IDN?, and decimal numbers that answer a query."""

import re
from collections import Counter
from collections.abc import Iterator

from daemon.recognise.proposal import Candidate, Doubt
from daemon.recognise.sample import Sample, Turn

_IDENTITY = re.compile(rb"\*IDN\?", re.IGNORECASE)
_QUERY = re.compile(rb":?(READ|MEAS(URE)?)(:[A-Z]+[0-9]*)*\?( [ -~]+)?", re.IGNORECASE)
_NUMBER = re.compile(rb" *[+-]?[0-9]+(?:\.[0-9]*)?(?:[Ee][+-]?[0-9]+)?")
_ENDS = {b"\r\n": "CRLF", b"\n": "LF", b"\r": "CR"}
_FIELDS_PINNED = 3
_SPARE = 20


def scpi_candidates(sample: Sample) -> Iterator[Candidate]:
    """Yield the description of a sample that holds an identity and numbers."""
    turns = sample.turns
    identity = next((t.answer for t in turns if _IDENTITY.search(t.request)), b"").strip()
    fields = identity.decode("ascii", "replace").split(",")
    queries = Counter(t.request for t in turns if _QUERY.fullmatch(t.request.strip()))
    if len(fields) < _FIELDS_PINNED or not queries:
        return
    asked = queries.most_common(1)[0][0]
    answers = [t.answer for t in turns if t.request == asked and t.answer]
    numbers = [answer for answer in answers if _NUMBER.fullmatch(answer.strip())]
    if numbers:
        pinned = ",".join(fields[:_FIELDS_PINNED])
        yield _candidate(asked, answers, pinned, identity)


def _candidate(asked: bytes, answers: list[bytes], pinned: str, identity: bytes) -> Candidate:
    query, end = asked.strip(), asked[len(asked.rstrip()) :]
    options: dict[str, object] = {
        "identity": pinned,
        "unit": "m",
        "query": query.decode("ascii"),
        "ends_with": _ENDS.get(end, "LF"),
    }
    if answers[0].endswith(b"\r"):
        options["terminator"] = "CR"
    if all(answer.strip()[:1] in (b"+", b"-") for answer in answers):
        options["sign"] = "+-"
    text = "the number has none: SCPI's unit of length is the metre, and m is assumed"
    doubts = [Doubt("unit", f"{text}; prove it with a known step")]
    if len(set(answers)) == 1:
        doubts.append(Doubt("value", "the value never moved"))
    if not any(answer.strip().startswith(b"-") for answer in answers):
        doubts.append(Doubt("sign", "a minus was never seen: send values below zero"))
    start = _start_up(end, identity, answers[0][len(answers[0].rstrip()) :])
    turns = (*start, *(Turn(asked, answer) for answer in answers))
    return Candidate("scpi", options, 12, tuple(doubts), turns)


def _start_up(end: bytes, identity: bytes, answer_end: bytes) -> list[Turn]:
    """Return the driver's start-up as this indicator would answer it, again and again."""
    again = [
        Turn(b"*IDN?" + end, identity + answer_end),
        Turn(b"SYST:ERR?" + end, b'0,"No error"' + answer_end),
    ]
    return [Turn(b"*CLS;*IDN?" + end, identity + answer_end), *(again * _SPARE)]
