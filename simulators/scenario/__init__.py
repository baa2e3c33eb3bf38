"""The demo's benches and lots: invented, and not the limits of any standard."""

from cmath import rect
from collections.abc import Mapping
from dataclasses import dataclass
from math import pi

from simulators.ascii_line import AsciiLineEncoder
from simulators.ascii_poll import AsciiPollResponder
from simulators.bench import BenchKind, Polled, Streaming, Wire
from simulators.collet import ColletKind, fill_tray
from simulators.guide import GuideRules
from simulators.indicator import Indicator
from simulators.masters import Masters
from simulators.mistakes import Mistakes
from simulators.spindle import Drive
from simulators.stand import StandKind
from simulators.work import Habits, Work

BINS = ("1", "2", "H", "N")

MASTERS: Mapping[str, Masters] = {"b1": Masters(), "b2": Masters(eccentric_um=4.0)}
"""The masters beside each bench: an eccentric one fits the tightest limit there."""

HOLDER_UM = rect(0.2, 0.6 * pi)
"""The holder's own vector: 0.2 µm, in some direction."""

B1_FRAME: Mapping[str, object] = {
    "pattern": "{value} {unit} {flags}",
    "unit": {"mm": "mm"},
    "decimals": 4,
    "digits": 7,
    "over_range": ["--------"],
    "flags": {"..": [], "I.": "index", ".F": "foot", "IF": ["index", "foot"]},
}
"""North bench: a stream; index and foot switch are two letters of the frame."""

B2_FRAME: Mapping[str, object] = {
    "request": "tell\r",
    "pattern": "{value} {unit}",
    "unit": {"mm": "mm"},
    "decimals": 4,
    "digits": 7,
    "over_range": ["--------"],
    "terminator": "CR",
}
"""Crane bench: asked for each value; the frame has no room for an index."""


@dataclass(frozen=True, slots=True)
class DemoLot:
    """One lot of the demo.

    Attributes:
        id: Its number.
        article: What it is of.
        quantity: Pieces in the tray.
        collets: What they are like.
        limits: Acceptance limits of both grades, for a bench that runs by the truth.
    """

    id: str
    article: str
    quantity: int
    collets: ColletKind
    limits: GuideRules


LOT_A = DemoLot("W-2611-A", "MR-10-MED", 120, ColletKind(0.9, 0.4), GuideRules(3.2, 12.0))
LOT_B = DemoLot("W-2611-B", "MR-16-LRG", 60, ColletKind(2.2, 0.9), GuideRules(6.0, 18.0))

LOT_OF_BENCH: Mapping[str, DemoLot] = {"b1": LOT_A, "b2": LOT_B}
"""Which lot lies at which bench."""

LINE_OF_BENCH: Mapping[str, str] = {"b1": "usb1", "b2": "usb2"}
"""Which line of the bench file leads to which bench."""


def demo_bench(
    bench_id: str,
    seed: int,
    pieces: int | None = None,
    mistakes: Mistakes | None = None,
    inch_check: int | None = None,
) -> BenchKind:
    """Return one of the demo's benches with its lot in the tray.

    Args:
        bench_id: ``b1`` or ``b2``.
        seed: Of the pieces.
        pieces: How many to take from the tray, which holds the lot or as many; all if left
            out.
        mistakes: What the operator gets wrong; nothing if left out.
        inch_check: In which master check the indicator is switched to inch, from 1.

    Raises:
        KeyError: If there is no such bench.
    """
    lot = LOT_OF_BENCH[bench_id]
    work = Work(
        tray=fill_tray(f"{seed}/{bench_id}", lot.collets, max(lot.quantity, pieces or 0)),
        collets=lot.collets,
        holder_um=HOLDER_UM,
        bins=BINS,
        habits=Habits(foot="ready" if bench_id == "b1" else "never"),
        mistakes=mistakes or Mistakes(),
        pieces=pieces,
        masters=MASTERS[bench_id],
        inch_check=inch_check,
    )
    return _north(work) if bench_id == "b1" else _crane(work)


def _north(work: Work) -> BenchKind:
    """North bench: streams 20 readings a second with index and foot switch."""
    return BenchKind(
        name="b1",
        stand=StandKind(Drive(period_s=2.4, ripple=0.03)),
        indicator=Indicator(drift_um_per_h=0.3),
        sends=Streaming(AsciiLineEncoder(B1_FRAME), rate_hz=20),
        wire=Wire(baud=9600),
        work=work,
    )


def _crane(work: Work) -> BenchKind:
    """Crane bench: polled, no index; a lifted stylus is out of the indicator's range."""
    return BenchKind(
        name="b2",
        stand=StandKind(Drive(period_s=2.4, ripple=0.02), lifted_um=-900.0),
        indicator=Indicator(drift_um_per_h=0.3),
        sends=Polled(AsciiPollResponder(B2_FRAME), answer_s=0.02),
        wire=Wire(baud=9600),
        work=work,
        has_flags=False,
    )
