"""A verdict as it is noted before its lamp: one row, written out right after it.

The rows and events of a verdict touch some forty pages of the file and take longer than the
verdict itself. The lamp waits only for this row; it is deleted in the transaction that
writes its facts out. One that is still there belongs to a service that was killed in
between: the next start writes it out, under the rules, bench file and time that it names,
whatever has become of the files meanwhile. What is the same from verdict to verdict, who
measured and under what, stands in a row written before, which the note names: the less there
is to write, the sooner it is durable.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from pydantic import TypeAdapter, ValidationError
from pydantic_core import from_json

from daemon.store.record import Provenance, Stamp
from rules.capture_model import IndicatorRules
from rules.facts import AlarmFact, ClampingFact, CycleEndedFact, Fact

TABLE = """CREATE TABLE noted (  -- verdicts whose rows are not written yet; else empty
    id INTEGER PRIMARY KEY, bench TEXT NOT NULL, body TEXT NOT NULL) STRICT"""

UNDER = (
    """CREATE TABLE noted_under (  -- what notes of a bench are under
    id INTEGER PRIMARY KEY, bench TEXT NOT NULL, body TEXT NOT NULL) STRICT""",
    # NULL: its body says so itself, as every note did before
    "ALTER TABLE noted ADD COLUMN under INTEGER REFERENCES noted_under (id)",
)

_FACTS: dict[str, TypeAdapter[Any]] = {
    "clamping": TypeAdapter(ClampingFact),
    "cycle-ended": TypeAdapter(CycleEndedFact),
    "alarm": TypeAdapter(AlarmFact),
}
_NAMES = {ClampingFact: "clamping", CycleEndedFact: "cycle-ended", AlarmFact: "alarm"}
_BY, _AT = TypeAdapter(Provenance), TypeAdapter(Stamp)
_INDICATORS = TypeAdapter(tuple[IndicatorRules, ...])


class NoteError(ValueError):
    """A note can't be read."""


@dataclass(frozen=True, slots=True)
class Note:
    """A verdict that is durable and not yet written out.

    Attributes:
        facts: Of the step that gave the verdict, in order.
        by: The bench and what was in force there.
        at: When.
        indicators: Those of the bench as the step went by them, for what sweeps show besides.
    """

    facts: tuple[Fact, ...]
    by: Provenance
    at: Stamp
    indicators: tuple[IndicatorRules, ...]


def is_verdict(facts: Sequence[Fact]) -> bool:
    """Return whether a step lights the lamp of a piece that was graded just now.

    Such steps alone are noted: they hold a clamping, its verdict, and at most alarms.
    """
    return all(type(fact) in _NAMES for fact in facts) and any(
        isinstance(fact, CycleEndedFact) and fact.decision is not None for fact in facts
    )


def encode(note: Note) -> str:
    """Return the body of a note: JSON, its facts each with their kind."""
    facts = ",".join(f'["{name}",{_text(_FACTS[name], fact)}]' for name, fact in _named(note))
    return f'{{"at":{_text(_AT, note.at)},"facts":[{facts}]}}'


def encode_under(note: Note) -> str:
    """Return what a note is under: JSON, the same for most notes of a bench."""
    by, indicators = _text(_BY, note.by), _text(_INDICATORS, note.indicators)
    return f'{{"by":{by},"indicators":{indicators}}}'


def _named(note: Note) -> list[tuple[str, Fact]]:
    return [(_NAMES[type(fact)], fact) for fact in note.facts]


def _text(adapter: TypeAdapter[Any], value: object) -> str:
    return adapter.dump_json(value).decode("utf-8")


def decode(body: str, under: str | None) -> Note:
    """Return the note of a body and of what it is under; None where the body says it itself.

    Raises:
        NoteError: If this release can't read it; says where.
    """
    try:
        raw = from_json(body)
        stands_under = raw if under is None else from_json(under)
        facts = tuple(_FACTS[kind].validate_python(fact) for kind, fact in raw["facts"])
        return Note(
            facts,
            _BY.validate_python(stands_under["by"]),
            _AT.validate_python(raw["at"]),
            _INDICATORS.validate_python(stands_under["indicators"]),
        )
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in (error.title, *first["loc"]))
        raise NoteError(f"{where}: {first['msg']}") from error
    except (ValueError, KeyError, TypeError) as error:
        raise NoteError(f"{type(error).__name__}: {error}") from error
