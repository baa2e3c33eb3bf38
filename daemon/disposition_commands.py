"""Decisions on pieces and boxes: who decided what, and why; the original verdict stays."""

from typing import Any

from daemon.bench import BenchRunner
from daemon.messages import Command
from daemon.store import Store
from daemon.store.lot_query import open_lot_id
from rules.assurance_model import Action, Disposed
from rules.bench import CommandRefusedError, RegradeAsked, RemeasureAsked
from rules.check_facts import DisposedFact
from rules.dispositions import Decision, DispositionRefusedError, dispose_box, dispose_piece

Answer = tuple[str, dict[str, Any] | None]

_DONE: dict[Action, str] = {
    "re-measure": "is to be measured again", "regrade": "is regraded",
    "scrap": "is scrapped", "concession": "goes by concession", "release": "is released",
}  # fmt: skip


def carry_out_disposition(command: Command, runner: BenchRunner, store: Store) -> Answer:
    """Return text and data of the reply to a decision.

    Raises:
        CommandRefusedError: If it makes no sense now; the message says what does.
        StoreError: If it can't be kept.
    """
    decided = _decided(command, runner, store)
    piece = None if decided.piece is None else decided.piece[1]
    fact = DisposedFact(
        decided.action, piece, decided.box, decided.grade, decided.role, decided.reason
    )
    if piece is None:
        runner.change_lot((fact,), command.id)
        return f"box {fact.box} {_DONE[fact.action]}", None
    if runner.piece_in_work == piece:
        raise CommandRefusedError(f"piece {piece} is in work: put it away first")
    if fact.action in ("re-measure", "regrade"):
        _take_in_hand(fact, piece, command.id, runner, store)
    else:
        runner.change_lot((fact,), command.id)
    return f"piece {piece} {_DONE[fact.action]}", None


def _decided(command: Command, runner: BenchRunner, store: Store) -> Disposed:
    if command.action is None:
        raise CommandRefusedError(f"{command.command} needs action")
    view = runner.open_lot_or_refuse()
    state, rules = store.assurance(runner.by.bench).state, runner.by.assurance
    decision = Decision(
        command.action, command.role, command.reason, runner.moment(), command.grade
    )
    try:
        if command.command == "box-dispose":
            return dispose_box(state, rules, command.box, decision, state.seq + 1)
        if command.piece is None:
            raise CommandRefusedError("piece-dispose needs piece")
        key = (view.code, command.piece)
        return dispose_piece(state, rules, key, decision, state.seq + 1)
    except DispositionRefusedError as error:
        raise CommandRefusedError(str(error)) from error


def _take_in_hand(
    fact: DisposedFact, piece: int, inbound: str, runner: BenchRunner, store: Store
) -> None:
    """Let the next clamping be the piece's, or the bin of its new grade ask for it.

    Measured again it keeps its number and gets a new cycle.
    """
    with store.reading() as db:
        cycle, kind, retries = db.execute(
            "SELECT cycle_number, cycle_kind, retries FROM piece_status"
            " WHERE lot = ? AND number = ?",
            (open_lot_id(db, runner.by.bench), piece),
        ).fetchone()
    asked: RemeasureAsked | RegradeAsked = RemeasureAsked(fact, cycle, retries)
    if fact.action == "regrade":
        bins = {grade.id: grade.bin for grade in runner.config.rules.grading.grades}
        asked = RegradeAsked(fact, cycle, kind, bins[fact.grade or ""])
    if not runner.handle(asked, inbound=inbound):
        raise CommandRefusedError(f"no record can be kept: {runner.fault}")
