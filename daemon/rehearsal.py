"""The way to a verdict, gone right before it is needed.

A processor that has done other things since the last verdict takes two to three times as long
for the next: what it needs has to be fetched anew. So while the last reading of a sweep is due
a bench works out, after every reading and again and again until the next, what its verdict
would be by the readings it has, up to the commit of its note, and takes it back. Nothing is
kept, shown or sent of that.
"""

import asyncio
import logging

from daemon.bench import BenchRunner
from daemon.errors import StoreError

log = logging.getLogger(__name__)

_EVERY_S = 0.0004
"""For each bench of the service: it takes 0.15 ms, for which a reading of another bench may
have to wait. Ten milliseconds later half of the gain is gone."""


class Rehearsal:
    """Rehearses the verdicts of one bench."""

    def __init__(self, runner: BenchRunner, benches: int = 1) -> None:
        """Prepare; ``look`` begins it.

        Args:
            runner: The bench.
            benches: How many the service serves: the more, the seldomer each rehearses.
        """
        self._runner = runner
        self._every_s = _EVERY_S * benches
        self._timer: asyncio.TimerHandle | None = None
        self._is_off = False
        self._is_off_for_now = False

    def look(self) -> None:
        """Rehearse from now on if a verdict is near; told after every reading of the bench."""
        if not self._runner.nears_a_verdict:
            self._is_off_for_now = False
        elif not (self._is_off or self._is_off_for_now):
            self._go_after(0)

    def _go_after(self, seconds: float) -> None:
        if self._timer is not None:
            self._timer.cancel()
        self._timer = asyncio.get_running_loop().call_later(seconds, self._go)

    def _go(self) -> None:
        self._timer = None
        if not self._runner.nears_a_verdict:
            return
        try:
            self._runner.rehearse()
        except StoreError as error:  # somebody holds the file: no use in waiting for it twice
            log.debug("%s: a verdict can't be rehearsed: %s", self._runner.by.bench, error)
            self._is_off_for_now = True
        except Exception:  # what fails here fails at the verdict, and is dealt with there
            log.exception("%s: a verdict can't be rehearsed", self._runner.by.bench)
            self._is_off = True
        else:
            self._go_after(self._every_s)
