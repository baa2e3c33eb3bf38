"""What a customer or an auditor asks of the record, each by one view of it."""

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

__all__ = ["QUESTIONS", "Question", "QuestionError", "answer"]


@dataclass(frozen=True, slots=True)
class Question:
    """A question by name, in words, and the view that answers it."""

    name: str
    asks: str
    view: str


QUESTIONS = (
    Question("graded-with", "which pieces were graded with an instrument", "graded_with"),
    Question("on-hold", "what is on hold, where it lies, and why", "on_hold"),
    Question("boxes", "which box holds a piece", "piece_boxes"),
    Question("limits", "what the limits were when a piece was graded", "limits_in_force"),
    Question("changes", "which grades changed after the fact, by whom", "grade_changes"),
    Question("good-checks", "when the last good master check was", "last_good_checks"),
    Question("retries", "how many sets were taken again, by role and lot", "retries_by_role"),
    Question("balance", "whether what came in is accounted for", "lot_balance"),
    Question("unfit", "what was graded while a calibration was overdue, an instrument unfit or "
        "the clock in doubt", "graded_while_unfit"),
)  # fmt: skip


class QuestionError(Exception):
    """A question that can't be put so; the message says what is accepted."""


def answer(
    db: sqlite3.Connection,
    question: Question,
    wanted: Mapping[str, str],
    since_utc: str | None = None,
    until_utc: str | None = None,
) -> list[dict[str, Any]]:
    """Return the rows of a question's view.

    Args:
        db: The record.
        question: Which question.
        wanted: Values that columns must have, as text.
        since_utc: Leave out what was before; compared as text.
        until_utc: Leave out what was at or after.

    Raises:
        QuestionError: If the view has no such column.
    """
    columns = [row[1] for row in db.execute(f"PRAGMA table_info({question.view})")]
    strange = [name for name in wanted if name not in columns]
    if strange:
        raise QuestionError(f"no column {strange[0]!r}; accepted are {', '.join(columns)}")
    where = [f"CAST({name} AS TEXT) = ?" for name in wanted]
    values: list[str] = list(wanted.values())
    for bound, sign in ((since_utc, ">="), (until_utc, "<")):
        if bound is not None:
            where.append(f"at_utc {sign} ?")
            values.append(bound)
    chosen = f" WHERE {' AND '.join(where)}" if where else ""
    rows = db.execute(f"SELECT * FROM {question.view}{chosen}", values)
    return [dict(zip(columns, row, strict=True)) for row in rows]
