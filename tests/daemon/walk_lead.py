"""What the lead asks of a bench in a walk; what makes no sense there is refused."""

from collections.abc import Callable

from daemon.snapshot import alarms
from rules.alarm_list import ALARMS
from tests.daemon.whole_bench import NAME, WholeBench

PIECES = 14
ORDERED = 2

_ASKED: dict[str, tuple[str, dict[str, object]]] = {
    "retry": ("piece-retry", {"reason": "chip in the taper"}),
    "abandon": ("piece-abandon", {}),
    "break-off": ("master-check-stop", {}),
    "holder-moved": ("holder-moved", {}),
    "close": ("lot-close", {"unproved": "not sold", "mismatch": "miscounted"}),
}


def ask(bench: WholeBench, words: list[str]) -> None:
    """Ask for it; the bench may refuse."""
    what, *more = words
    if what == "close" and bench.runner.lot is not None:
        bench.counted.pop(bench.runner.lot.code, None)
    if words in (["close", "counted"], ["close", "miscounted"]):
        _close_counted(bench, more[0])
    elif what in _ASKED:
        command, values = _ASKED[what]
        bench.ask(command, **values)
    else:
        _BY_WORD[what](bench, *more)


def _visual(bench: WholeBench, pieces: str) -> None:
    cell = _next_cell(bench) if pieces == "1" else None
    bench.ask("lot-visual", finding="burr", pieces=int(pieces), cell=cell)


def _next_cell(bench: WholeBench) -> int | None:
    return bench.runner.lot.next_cell if bench.runner.lot is not None else None


def _told_of_rules(bench: WholeBench) -> None:
    bench.ask("lot-rules", revision=bench.runner.rules.newest.book.revision)


def _close_counted(bench: WholeBench, how: str) -> None:
    """Count what is left in the tray and close the lot by it, right or one too many."""
    lot = bench.runner.lot
    if lot is None or lot.unmeasured is None:
        return
    more = 0 if how == "counted" else 1
    values = {"counted": max(0, lot.unmeasured) + more, "unproved": "not sold"}
    reply = bench.ask("lot-close", **values)
    assert not (reply.ok and more), "a lot that does not add up was closed without a word"
    if more:
        bench.counted[lot.code] = (
            more  # it may be closed, and the service die before it says so
        )
        if not bench.ask("lot-close", **values, mismatch="counted twice").ok:
            del bench.counted[lot.code]


def _alarm(bench: WholeBench, which: str) -> str:
    """Return one of the alarms that stand or are shelved; any, where none does."""
    known = sorted(alarms(bench.runner)) or sorted(ALARMS)
    return known[int(which) % len(known)]


def _shelve(bench: WholeBench, which: str, for_min: str = "0") -> None:
    bench.ask("alarm-shelve", code=_alarm(bench, which), for_min=int(for_min))


def _open_next(bench: WholeBench) -> None:
    bench.ask(
        "lot-open", lot=f"W-{bench.store.newest_seq(NAME)}", article="MR-10-MED",
        quantity=PIECES, cells=PIECES, order={"grade-1": ORDERED}, holder="H-MED-1",
        pins=["MP-10-1"], bins_empty=True,
    )  # fmt: skip


def _decide(bench: WholeBench, number: str, action: str) -> None:
    """Decide on a piece or a box, whichever is known here; every other time on a held one."""
    which = int(number)
    if bench.runner.lot is None:
        return
    by_box = bench.runner.by.assurance.identity == "box"
    pieces = bench.store.assurance(NAME).state.pieces
    known = [(key[1], one.box, one.is_held) for key, one in pieces.items()]
    held = [one for one in known if one[2]]
    choice = held if held and which % 2 == 0 else known
    piece, box, _ = choice[which // 2 % len(choice)] if choice else (1, "X", False)
    grade = "grade-2" if action == "regrade" else None
    if by_box:
        bench.ask("box-dispose", box=box, action=action, grade=grade)
    else:
        bench.ask("piece-dispose", piece=piece, action=action, grade=grade)


_BY_WORD: dict[str, Callable[..., object]] = {
    "told": _told_of_rules,
    "changed": lambda bench, what: bench.ask("master-changed", changed=what),
    "leaving": lambda bench, what: bench.ask("master-leaving", changed=what),
    "order": lambda bench, n: bench.ask("lot-order", grade="grade-1", quantity=int(n)),
    "aside": _visual,
    "empty": lambda bench: bench.ask("lot-cell", cell=_next_cell(bench) or 1),
    "box": lambda bench, bin_id, label: bench.ask("box-change", bin=bin_id, box=label),
    "decide": _decide,
    "open": _open_next,
    "ack": lambda bench, which: bench.ask("alarm-ack", code=_alarm(bench, which)),
    "shelve": _shelve,
    "unshelve": _shelve,
}
