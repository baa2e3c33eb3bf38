"""Commands that open, change and close the lot of a bench."""

from typing import Any

from daemon import snapshot
from daemon.bench import BenchRunner
from daemon.messages import Command, Lot
from daemon.store import LotOpening, Store
from rules.bench import CommandRefusedError
from rules.lot_life import (
    LotRefusedError,
    change_box,
    change_order,
    change_rules,
    check_close,
    check_unproved,
    find_empty,
    reconcile,
    set_aside,
)  # fmt: skip
from rules.ruleset import UnknownArticleError

Answer = tuple[str, dict[str, Any] | None]


def carry_out_lot(command: Command, runner: BenchRunner, store: Store) -> Answer:
    """Return text and data of the reply to a lot command.

    Raises:
        CommandRefusedError: If it makes no sense now; the message says what is accepted.
        StoreError: If it can't be kept.
    """
    try:
        match command.command:
            case "lot-open":
                return _open(command, runner, store)
            case "lot-order":
                return _order(command, runner, store)
            case "lot-visual":
                return _visual(command, runner, store)
            case "lot-rules":
                return _rules(command, runner, store)
            case "box-change":
                return _box(command, runner, store)
            case "lot-cell":
                return _cell(command, runner, store)
            case "lot-resume-sampling":
                return _resume_sampling(command, runner)
            case _:
                return _close(command, runner, store)
    except (LotRefusedError, UnknownArticleError) as error:
        raise CommandRefusedError(str(error)) from error


def _need(command: Command, **values: object) -> None:
    missing = [name for name, value in values.items() if not value]
    if missing:
        raise CommandRefusedError(f"{command.command} needs {', '.join(missing)}")


def _shown(runner: BenchRunner, store: Store) -> dict[str, Any]:
    return snapshot.lot(runner, store).model_dump(mode="json")


def _open(command: Command, runner: BenchRunner, store: Store) -> Answer:
    _need(command, lot=command.lot, article=command.article, role=command.role)
    if not command.bins_empty:
        raise CommandRefusedError(
            "lot-open: look at the bins first; say bins_empty when they are empty "
            "or their boxes were changed"
        )
    grades = [grade.id for grade in runner.rules.newest.book.of(command.article or "").grades]
    unknown = [grade for grade in command.order if grade not in grades]
    if unknown:
        raise CommandRefusedError(f"no grade {unknown[0]!r}; accepted are {', '.join(grades)}")
    total = sum(command.order.values())
    if command.quantity is not None and total > command.quantity:
        raise CommandRefusedError(
            f"{total} ordered of {command.quantity}; accepted is at most {command.quantity}"
        )
    opening = LotOpening(
        command.lot or "", command.article or "", command.quantity, dict(command.order), {},
        command.holder, tuple(command.pins), command.role, command.cells, command.seed,
        pin_moves=command.pin_moves, torque_tool=command.torque_tool,
        torque_nmm=command.torque_nmm,
    )  # fmt: skip
    warns = runner.instruments.fitness(opening.instruments).warns
    runner.open_lot(opening)
    text = "; ".join((f"lot {command.lot} is open", *warns))
    return text, _shown(runner, store)


def _order(command: Command, runner: BenchRunner, store: Store) -> Answer:
    _need(command, grade=command.grade, reason=command.reason, role=command.role)
    if command.quantity is None:
        raise CommandRefusedError("lot-order needs quantity")
    grades = [grade.id for grade in runner.config.rules.grading.grades]
    facts = change_order(
        runner.open_lot_or_refuse(), command.grade or "", command.quantity, grades,
        command.reason, command.role,
    )  # fmt: skip
    runner.change_lot(facts, command.id)
    return f"{command.grade}: {command.quantity} ordered", _shown(runner, store)


def _rules(command: Command, runner: BenchRunner, store: Store) -> Answer:
    """Let the open lot go by the rule file as it is now; its revision says which is meant."""
    _need(command, revision=command.revision, reason=command.reason, role=command.role)
    view, file = runner.open_lot_or_refuse(), runner.rules
    if file.fault:
        raise CommandRefusedError(f"the rule file has faults: {file.fault}")
    book, before = file.newest.book, runner.config.rules.grading
    if command.revision != book.revision:
        raise CommandRefusedError(
            f"revision {command.revision!r}; accepted is {book.revision!r}, "
            f"that of {file.file} as it is now"
        )
    coming = file.next.book if file.next is not None else runner.config.book
    if book.sha256 == coming.sha256:
        raise CommandRefusedError(f"the lot goes by revision {book.revision!r} already")
    piece = runner.piece_begun
    after = book.of(view.article)
    facts = change_rules(view, before, after, piece, command.reason, command.role)
    runner.change_rules(facts, command.id)
    since = "from now on" if piece is None else f"once piece {piece} is put away"
    text = f"{since} revision {book.revision!r} in place of {before.revision!r}"
    return text, _shown(runner, store)


def _visual(command: Command, runner: BenchRunner, store: Store) -> Answer:
    _need(command, finding=command.finding, role=command.role)
    pieces = command.pieces or 1
    facts = set_aside(
        runner.open_lot_or_refuse(), command.finding or "other", pieces, command.reason,
        command.role, command.cell,
    )  # fmt: skip
    runner.change_lot(facts, command.id)
    return f"{pieces} set aside: {command.finding}", _shown(runner, store)


def _cell(command: Command, runner: BenchRunner, store: Store) -> Answer:
    _need(command, cell=command.cell, reason=command.reason, role=command.role)
    view, cell = runner.open_lot_or_refuse(), command.cell or 0
    if view.next_cell == cell and runner.piece_in_work is None and runner.is_measuring:
        raise CommandRefusedError(f"cell {cell}: its piece is being measured")
    is_done = store.cell_is_done(runner.by.bench, cell)
    facts = find_empty(view, cell, is_done, command.reason, command.role)
    runner.change_lot(facts, command.id)
    return f"cell {cell} is empty", _shown(runner, store)


def _resume_sampling(command: Command, runner: BenchRunner) -> Answer:
    _need(command, article=command.article, reason=command.reason, role=command.role)
    runner.resume_sampling(command.article or "", command.reason, command.role, command.id)
    return f"sampling of {command.article} is resumed, tightened", None


def _box(command: Command, runner: BenchRunner, store: Store) -> Answer:
    _need(command, bin=command.bin, box=command.box, role=command.role)
    view, bins = runner.open_lot_or_refuse(), [one.id for one in runner.config.section.bin]
    facts = change_box(
        view, bins, command.bin or "", command.box, command.capacity, command.role
    )
    runner.change_lot(facts, command.id)
    return f"box {command.box} stands in bin {command.bin}", None


def standing_of(lot: Lot) -> dict[str, int]:
    """Return the pieces of a lot that were begun, by where they are."""
    begun = {grade.grade: grade.put_away for grade in lot.grades}
    return {
        **begun, "nonconforming": lot.nonconforming, "hold": lot.hold,
        "pending": lot.pending, "in-work": lot.open_pieces, "abandoned": lot.abandoned,
        "released": lot.released, "scrapped": lot.scrapped, "concession": lot.concession,
    }  # fmt: skip


def _close(command: Command, runner: BenchRunner, store: Store) -> Answer:
    _need(command, reason=command.reason, role=command.role)
    view = runner.open_lot_or_refuse()
    account = reconcile(view, standing_of(snapshot.lot(runner, store)), command.counted)
    check_close(account, command.mismatch)
    check_unproved(view, command.unproved, command.counted)
    reason = command.reason
    if command.unproved.strip():
        reason = f"{reason}; rest not proved: {command.unproved}"
    if account.difference:
        reason = f"{reason}; {account.difference:+d} pieces: {command.mismatch}"
    shown = _shown(runner, store)
    runner.close_lot(reason, command.role, account.accounted, command.id)
    text = f"lot {view.code} is closed"
    return text, {**shown, "account": dict(account.accounted), "difference": account.difference}
