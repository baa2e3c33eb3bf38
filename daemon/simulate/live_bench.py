"""A simulated bench in real time: its frames leave a line at the line's own pace."""

import asyncio
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from daemon.clock import Clock
from daemon.modem_lines import ModemEdge, ModemLine
from daemon.recording import What
from daemon.simulate.far_end import FarEnd
from daemon.simulate.json_lines import JsonLines
from daemon.simulate.line_recorder import LineRecorder
from daemon.simulate.shop_floor import ShopFloor
from simulators.bench import Bench, Contact, Placed, Sent, Switched
from simulators.shown import LampWord
from simulators.truth import as_record

NS_PER_S = 1_000_000_000


@dataclass(slots=True)
class Pace:
    """How well real time was kept.

    Attributes:
        frames: Frames that left the bench.
        late_max_ns: Most that a frame was behind its time, in real nanoseconds.
        late_sum_ns: Sum over all frames.
    """

    frames: int = 0
    late_max_ns: int = 0
    late_sum_ns: int = 0

    def note(self, late_ns: int) -> None:
        """Count one frame."""
        self.frames += 1
        self.late_sum_ns += late_ns
        self.late_max_ns = max(self.late_max_ns, late_ns)


Planned = tuple[int, Callable[[], None]]
"""Bench time and what is done then."""


class LiveBench:
    """Drives a bench by a clock. All calls come from one event loop.

    Attributes:
        pace: How well real time was kept.
    """

    def __init__(
        self,
        bench: Bench,
        line: FarEnd,
        clock: Clock,
        truth: JsonLines | None = None,
        recorder: LineRecorder | None = None,
        wiring: Mapping[Contact, ModemLine] | None = None,
    ) -> None:
        """Prepare; ``start`` begins.

        Args:
            bench: The bench.
            line: Its end of the line.
            clock: Gives the pace.
            truth: Where to write what really happens.
            recorder: Where to record all that goes over the line.
            wiring: Which modem line each wired contact is on.
        """
        self.pace = Pace()
        self.shop_floor: ShopFloor | None = None
        self._bench = bench
        self._line = line
        self._clock = clock
        self._truth = truth
        self._recorder = recorder
        self._wiring = wiring or {}
        self._plan: list[Planned] = []
        self._is_over = False
        self._zero_ns = clock.now_ns()
        self._told = 0
        self._timer: asyncio.TimerHandle | None = None

    @property
    def now_ns(self) -> int:
        """Return bench time since the start."""
        return self._clock.now_ns() - self._zero_ns

    def start(self) -> None:
        """Plug the line in and begin: bench time 0 is now."""
        self._make_line()
        self._zero_ns = self._clock.now_ns()
        self._note("opened", at_ns=0)
        for contact, is_on in self._bench.contact_levels().items():
            if contact in self._wiring:
                self._line.set_line(self._wiring[contact], is_on)
        self.keep_up()

    def plan(self, planned: Sequence[Planned]) -> None:
        """Have things done at times of the bench, between the frames before and after."""
        self._plan = sorted([*self._plan, *planned], key=lambda item: item[0])
        self._set_timer()

    def finish(self) -> None:
        """Let nothing happen any more: what was planned to end ends at its own time."""
        self._is_over = True

    def stop(self) -> None:
        """Stop, and take the line away."""
        if self._timer is not None:
            self._timer.cancel()
        self.unplug()

    def plug(self) -> None:
        """Make the line anew."""
        if not self._line.is_plugged:
            self._make_line()
            self._note("opened")

    def unplug(self) -> None:
        """Take the line away; the bench goes on."""
        if self._line.is_plugged:
            self._line.unplug()
            self._note("lost", "unplugged")

    def show_prompt(self, word: str, cell: int | None = None, text: str = "") -> None:
        """Show the operator a prompt, now."""
        self._bench.show_prompt(word, self.now_ns, cell, text)
        self.keep_up()

    def drop_chip(self) -> None:
        """Let a chip lie in the holder's taper when the next master is seated there."""
        self._bench.drop_chip()

    def pour_back(self, bin_id: str) -> None:
        """Let the person take all that lies in a bin back into the tray."""
        self._bench.pour_back(bin_id)

    def show_lamp(self, bin_id: str, word: LampWord) -> None:
        """Let a lamp have its word, now."""
        self._bench.show_lamp(bin_id, word, self.now_ns)
        self.keep_up()

    def keep_up(self) -> None:
        """Let everything happen that is due, and set the timer for the next."""
        now_ns = self.now_ns
        while not self._is_over and self._plan and self._plan[0][0] <= now_ns:
            at_ns, action = self._plan.pop(0)
            self._advance(at_ns, now_ns)
            action()
        if not self._is_over:
            self._advance(now_ns, now_ns)
        self._tell_truth()
        self._set_timer()

    def _advance(self, to_ns: int, now_ns: int) -> None:
        for emission in self._bench.advance(to_ns):
            match emission:
                case Sent():
                    self._send(emission, now_ns)
                case Placed():
                    self._place(emission)
                case Switched():
                    self._switch(emission)

    def _make_line(self) -> None:
        self._line.plug(self._heard)

    def _send(self, sent: Sent, now_ns: int) -> None:
        self.pace.note(round((now_ns - sent.at_ns) / self._clock.rate))
        if self._line.is_plugged:
            arriving = self._line.write(sent.data)
            self._note("<", arriving.hex(), sent.at_ns)

    def _switch(self, switched: Switched) -> None:
        line = self._wiring.get(switched.contact)
        if line is not None:
            self._line.set_line(line, switched.is_on)
            if self._recorder is not None and self._line.is_plugged:
                at_ns = switched.at_ns
                self._recorder.note_edge(ModemEdge(at_ns, line, switched.is_on, at_ns))

    def _place(self, placed: Placed) -> None:
        if self.shop_floor is not None:
            self.shop_floor.place(placed.bin)
        if self._recorder is not None:
            self._recorder.note_placed(placed.at_ns, placed.bin)

    def _heard(self, chunk: bytes) -> None:
        self.keep_up()
        now_ns = self.now_ns
        self._note(">", chunk.hex(), now_ns)
        self._bench.received(chunk, now_ns)
        self.keep_up()

    def _note(self, what: What, text: str = "", at_ns: int | None = None) -> None:
        if self._recorder is not None:
            self._recorder.note(self.now_ns if at_ns is None else at_ns, what, text)

    def _tell_truth(self) -> None:
        if self._truth is not None:
            for fact in self._bench.truth[self._told :]:
                self._truth.append(as_record(fact))
        self._told = len(self._bench.truth)

    def _set_timer(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
        times = [at_ns for at_ns, _ in self._plan[:1]]
        if self._bench.next_ns is not None:
            times.append(self._bench.next_ns)
        next_ns = None if self._is_over else min(times, default=None)
        if next_ns is None:
            self._timer = None
            return
        loop = asyncio.get_running_loop()
        wait_s = max(0.0, (next_ns - self.now_ns) / NS_PER_S / self._clock.rate)
        self._timer = loop.call_later(wait_s, self.keep_up)
