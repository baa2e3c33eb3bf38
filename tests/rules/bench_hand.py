"""A hand at the bench: clamps, turns, presses, pulls the plug; the bench sees it at once."""

from collections.abc import Callable

from rules.capture_model import LineBack, LineLost, Tick
from tests.rules.bench_tape import S, Tape
from tests.rules.shop_log import Shop


class Operator:
    """Writes on a tape and lets the bench see it at once."""

    def __init__(self, shop: Shop | None = None) -> None:
        self.shop = shop or Shop()
        self.tape = Tape(seed=5)
        self.do(self.tape.rest)

    def do(self, action: Callable[..., Tape], *values: float) -> None:
        first = len(self.tape.events)
        action(*values)
        self.shop.run(self.tape.events[first:])

    def clamp(self, *tirs_um: float) -> None:
        for tir_um in tirs_um:
            self.do(self.tape.honest, tir_um)

    def begin(self, tir_um: float) -> None:
        """Sweep no further than into the first turn."""
        self.do(self.tape.reclamp, tir_um)
        self.do(lambda: self.tape.turn(1.4, stop=False))
        assert self.shop.state.is_measuring

    def finish(self) -> None:
        """Turn on until the sweep is whole."""
        self.do(self.tape.turn, 2.2)
        assert not self.shop.state.is_measuring

    def press_foot(self) -> None:
        self.do(lambda: self.tape.edge("foot"))
        self.do(self.tape.rest, 0.3)
        self.do(lambda: self.tape.edge("foot", is_on=False))

    def lose_line(self) -> None:
        self.shop.step(LineLost("IND-1", self.tape.now_ns, "unplugged"))

    def regain_line(self) -> None:
        self.do(self.tape.pause, 2.0)
        self.shop.step(LineBack("IND-1", self.tape.now_ns))


def wait(shop: Shop, from_ns: int, seconds: float) -> int:
    """Let time pass at a bench where nothing is said; return when it is over."""
    for tenth in range(round(seconds * 10) + 1):
        shop.step(Tick(from_ns + tenth * S // 10))
    return from_ns + round(seconds * S)


def numbers(shop: Shop) -> list[tuple[int, int, int]]:
    """Return piece, cycle and number of every clamping that counted."""
    return [(c.piece, c.cycle, c.number) for c in shop.clampings()]
