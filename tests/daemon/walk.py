"""What can happen to a bench, a word each: a walk is a list of them, whatever the order.

Every step makes the best of where the bench stands; what makes no sense there is refused by
the bench itself, which is half of what is tested.
"""

from collections.abc import Callable

from rules.bench import CheckBegun, CommandRefusedError, why_refused
from tests.daemon.walk_lead import PIECES, ask
from tests.daemon.whole_bench import NAME, Killed, WholeBench

_UM = {"top": 2.0, "edge": 3.0, "brim": 3.5, "ordinary": 5.0, "guard": 11.0, "out": 15.0}
"""Grade 1 up to 3.2 µm thrice, grade 2 up to 10 once, 10 to 12 on hold, above it N."""

_RULES: dict[str, tuple[tuple[str, str], ...]] = {
    "first": (),
    "wider": (('revision = "7"', 'revision = "8"'), ("guard_um = 0.8", "guard_um = 0.2")),
    "tighter": (('revision = "7"', 'revision = "9"'), ("limit_um = 4.0", "limit_um = 3.5")),
    "ordinary": (('revision = "7"', 'revision = "10"'), ("limit_um = 12.0", "limit_um = 14.0")),
    "same-mark": (("guard_um = 0.8", "guard_um = 0.4"),),
    "faulty": (("limit_um = 4.0", "limit_um = -4.0"),),
}
"""States of the rule file. ``ordinary`` has other limits than an open lot's rest is judged by:
only the next lot can take it."""


def take(bench: WholeBench, step: str) -> None:
    """Take one step; if the service dies in it, start it again, as often as it takes."""
    try:
        match step.split():
            case ["kill", seconds]:
                bench.kill(float(seconds))
            case ["reboot"]:
                bench.kill(300.0, is_new_boot=True)
            case ["die", points]:
                bench.dies_at(int(points))
            case words:
                _act(bench, words)
        return
    except Killed:
        pass
    while True:
        try:
            return bench.kill(5.0)
        except Killed:
            continue


def _act(bench: WholeBench, words: list[str]) -> None:
    match words:
        case ["piece", um]:
            _do_as_asked(bench)
            _measure(bench, um)
            _place(bench, "right")
        case ["clamp", um]:
            bench.clamp(_UM[um])
        case [what, word] if what in _OF_ONE_WORD:
            _OF_ONE_WORD[what](bench, word)
        case [what] if what in _PLAIN:
            _PLAIN[what](bench)
        case ["rules", state]:
            bench.write_rules(*_RULES[state])
        case ["publish", limit, acknowledged]:
            bench.publish(int(limit), int(acknowledged))
        case _:
            ask(bench, words)


def _do_as_asked(bench: WholeBench) -> None:
    """Do what an operator does until the bench takes the next piece; it may not come to it."""
    for _ in range(5):
        if bench.state.lost:
            bench.find()
            bench.do(bench.tape.rest)
        match why_refused(bench.state, bench.runner.lot):
            case "no-lot":
                ask(bench, ["open"])
            case "before-put-away":
                _place(bench, "right")
            case "check-due":
                _check(bench, "good")
            case "box-held":
                _change_boxes(bench)
            case "order-filled" | "beyond-lot":
                _check(bench, "good")
                ask(bench, ["close"])
            case _:
                return


def _change_boxes(bench: WholeBench) -> None:
    lot = bench.runner.lot
    for bin_id in lot.held_bins if lot is not None else ():
        ask(bench, ["box", bin_id, f"B-{bench.store.newest_seq(NAME)}"])


def _sample(bench: WholeBench, um: str) -> None:
    """Measure the whole sample of the rest, as far as the bench asks for it."""
    for _ in range(PIECES):
        lot = bench.runner.lot
        if lot is None or not lot.wants_proof:
            return
        _act(bench, ["piece", um])


def _measure(bench: WholeBench, um: str) -> None:
    """Clamp until there is a verdict, or the bench takes no clamping for a piece."""
    for _ in range(5):
        if bench.state.put_away.pending is not None or bench.runner.fault is not None:
            return
        before = bench.state.cycle.assessed, bench.state.check
        bench.clamp(_UM[um])
        if (bench.state.cycle.assessed, bench.state.check) == before:
            return


def _place(bench: WholeBench, where: str) -> None:
    pending = bench.state.put_away.pending
    if where != "right":
        bench.placed(where)
    elif pending is not None:
        bench.placed(pending)


def _check(bench: WholeBench, how: str) -> None:
    """Begin a check if none is begun, and make it as ``how`` says."""
    if bench.state.check is None:
        try:
            bench.handle(CheckBegun("command", "operator"))
        except CommandRefusedError:
            return
    noise_um, bench.tape.noise_um = bench.tape.noise_um, 0.0 if how == "zero" else 0.05
    try:
        for _ in range(1 if how == "half" else 4):
            if bench.state.check is None:
                break
            _seat(bench, how)
    finally:
        bench.scale, bench.tape.noise_um = 1.0, noise_um


def _seat(bench: WholeBench, how: str) -> None:
    at_work = bench.state.check
    assert at_work is not None  # the caller asked
    if at_work.kind == "run-out":
        bench.seat({"zero": 0.0, "large": 3.0}.get(how, 0.3), 0.2)
        return
    bench.scale = 1 / 25.4 if how == "inch" else 1.0
    bench.seat(5.1, 0.6 if at_work.seat == 2 and how != "unturned" else 0.1)


def _disk(bench: WholeBench) -> None:
    """Let the disk fail during a clamping; it is mended, and records are kept again."""
    bench.break_disk()
    bench.clamp(2.0)
    bench.mend_disk()
    assert bench.runner.recover()
    bench.do(bench.tape.rest)


def _find(bench: WholeBench) -> None:
    bench.find()
    bench.do(bench.tape.rest)


def _short(bench: WholeBench) -> None:
    """Clamp, and turn by less than a turn."""
    bench.do(lambda: bench.tape.reclamp(2.0).turn(0.7))


_PLAIN: dict[str, Callable[[WholeBench], object]] = {
    "tick": WholeBench.tick,
    "ready": lambda bench: _do_as_asked(bench),
    "short": _short,
    "again": lambda bench: bench.do(bench.tape.turn, 3.4),
    "foot": WholeBench.press_foot,
    "lose": WholeBench.lose,
    "find": _find,
    "disk": _disk,
}

_OF_ONE_WORD: dict[str, Callable[[WholeBench, str], object]] = {
    "sample": _sample,
    "measure": _measure,
    "place": _place,
    "check": _check,
    "hours": lambda bench, hours: bench.pass_time(float(hours) * 3600),
}


# --- what is drawn ----------------------------------------------------------------------------

STEPS = (
    "tick",  # what a failing walk shrinks to
    *["piece top"] * 18, *["piece ordinary"] * 9, *["piece guard"] * 4, *["piece out"] * 3,
    *["piece edge", "measure top"] * 2, "measure guard", "measure ordinary", "clamp top",
    "clamp ordinary", "clamp out", "short", "short", "again",
    *["place right"] * 3, "place 1", "place 2", "place H", "place N",
    *["check good"] * 6, *["check large", "check inch"] * 3, "check zero", "check unturned",
    "check half", "break-off", "foot", "foot",
    *[f"decide {which} release" for which in (0, 0, 1, 2, 4)],
    *[f"decide {which} re-measure" for which in (0, 0, 1, 2, 3)],
    *[f"decide {which} scrap" for which in (0, 1, 4)],
    *[f"decide {which} concession" for which in (0, 2)],
    *[f"decide {which} regrade" for which in (1, 3, 5)],
    *["retry"] * 3, "abandon", "holder-moved", "changed pin", "changed holder",
    "changed indicator", "leaving pin", *["aside 1"] * 2, "aside 3", "empty", "order 0",
    "order 1", "order 3", "order 4", "box 1 X", "box 1 Y", "box 2 X", "box H Z", "close",
    *["sample ordinary"] * 3, "sample top", *["close counted"] * 2, "close miscounted",
    "open", "ready",
    "rules first", *["rules wider", "rules tighter"] * 2, "rules ordinary", "rules same-mark",
    "rules faulty", *["told"] * 4, "piece brim", "piece brim", "measure brim",
    *[f"ack {which}" for which in (0, 1, 2)], "shelve 0 30", "shelve 1 30", "shelve 1 200",
    "shelve 2 600", "unshelve 0", "unshelve 1", "hours 0.6",
    *["kill 5"] * 3, "kill 4000", "reboot", *[f"die {points}" for points in range(1, 7)],
    "lose", "find", "find", "disk", "disk", "hours 1", "hours 5", "hours 9",
    "publish 5 3", "publish 30 30", "publish 30 0",
)  # fmt: skip
"""Each as often as it is drawn."""
