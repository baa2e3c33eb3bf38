"""Clamping events of a stand-in bench: sweeps whose run-out is the TIR they claim."""

import math
import random

from daemon.messages import (
    ClampingData,
    Event,
    LooseningData,
    MeasuredPosition,
    ResultWord,
    SweepPoints,
)
from tests.bench_publisher import TOP_ACCEPTANCE_UM, BenchPublisher, now_text

TURNS, TURN_S, RATE_HZ = 2, 2.4, 20

__all__ = ["clamping_event", "say_clampings", "sweep"]


def sweep(tir_um: float | None, seed: int, position: str = "far") -> SweepPoints:
    """Return two turns of a pin that runs out by ``tir_um``; of none: a spindle at rest."""
    random_ = random.Random(seed)
    phase, height = random_.uniform(0, math.tau), random_.uniform(-20, 20)
    count = round(TURNS * TURN_S * RATE_HZ) + 1
    um = [
        (tir_um or 0.0) / 2 * math.cos(phase + math.tau * i / (RATE_HZ * TURN_S))
        for i in range(count)
    ]
    return SweepPoints(
        position=position,
        at_ms=[1000.0 * i / RATE_HZ for i in range(count)],
        um=[round(height + value, 1) for value in um],
    )


def clamping_event(
    bench: str, seq: int, piece: int, clamping: int, tir_um: float | None, lot: str = "W-2611-A"
) -> Event:
    """Return the event of one clamping, as a service sends it."""
    result: ResultWord = "invalid" if tir_um is None else "within"
    within_best = tir_um is not None and tir_um <= TOP_ACCEPTANCE_UM
    source = f"/reclamp/millrace/{bench}"
    return Event(
        id=f"{source}/{seq}",
        source=source,
        type="reclamp.clamping.v1",
        time=now_text(),
        sequence=str(seq),
        seq=seq,
        clocksync="yes",
        boot="0",
        data=ClampingData(
            lot=lot,
            piece=piece,
            cycle=1,
            clamping=clamping,
            counts=True,
            result=result,
            reason="no turning seen" if tir_um is None else "",
            tir_um=tir_um,
            seen_um=None,
            meets=["grade-1", "grade-2"] if within_best else ["grade-2"],
            positions=[
                MeasuredPosition(
                    position="far",
                    indicator="IND-21",
                    tir_um=tir_um,
                    turns_um=[tir_um or 0.0] * TURNS,
                    samples=48,
                )
            ],
            loosening=LooseningData(evidence="pin-jump", size_um=31.0, duration_s=0.6),
            points=[sweep(tir_um, seq)],
        ),
    )


def say_clampings(bench: BenchPublisher, piece: int, *tirs_um: float | None) -> None:
    """Publish the clampings of one piece, in their order."""
    name = bench.topic.rpartition("/")[2]
    for number, tir_um in enumerate(tirs_um, 1):
        event = clamping_event(name, 10 * piece + number, piece, number, tir_um)
        bench.word("event/clamping", event.model_dump_json(), retain=False)
