"""An indicator's end of the line that notes when its frames leave.

``python -m tests.system.frame_player LINK SPEED SEED PIECES`` plays a simulated bench by its
own truth, with quick hands, into a pseudo-terminal. For each frame with the index flag it says
on standard output the time of the day, in nanoseconds, just before the frame is written: a
sweep ends with such a frame, and so does a piece's last clamping. An empty tray streams on.
"""

import json
import sys
import time
from dataclasses import replace
from pathlib import Path

from daemon.simulate.pty_line import PtyLine
from simulators.bench import Bench, BenchKind, Sent
from simulators.scenario import LOT_A, demo_bench
from simulators.work import Habits

NS_PER_S = 1_000_000_000
INDEX_MARKS = (b" I.", b" IF")

QUICK = Habits(
    clamp_s=(1.5, 2.0),
    stylus_s=(0.7, 0.9),
    reaction_s=(0.3, 0.5),
    loosen_s=(0.3, 0.5),
    jump_s=(0.6, 0.8),
    put_away_s=(2.2, 2.5),
    glance_s=(0.3, 0.4),
    foot="ready",
)
"""A machine's hands: nothing but the sweeps takes its time."""


def quick_bench(seed: int, pieces: int) -> BenchKind:
    kind = demo_bench("b1", seed, pieces)
    return replace(kind, work=replace(kind.work, habits=QUICK))


def play(line: PtyLine, bench: Bench, speed: float) -> None:
    """Let every frame leave at its time, for ever."""
    zero = time.monotonic_ns()
    while (next_ns := bench.next_ns) is not None:
        wait_ns = zero + next_ns / speed - time.monotonic_ns()
        if wait_ns > 0:
            time.sleep(wait_ns / NS_PER_S)
        for emission in bench.advance(next_ns):
            if not isinstance(emission, Sent):
                continue
            at_ns = time.time_ns()
            line.write(emission.data)
            if any(mark in emission.data for mark in INDEX_MARKS):
                print(json.dumps({"at_ns": at_ns}), flush=True)


def main(link: str, speed: str, seed: str, pieces: str) -> None:
    line = PtyLine(Path(link))
    line.plug()
    print(json.dumps({"ready": True}), flush=True)
    bench = Bench(quick_bench(int(seed), int(pieces)), int(seed), LOT_A.limits)
    play(line, bench, float(speed))


if __name__ == "__main__":
    main(*sys.argv[1:])
