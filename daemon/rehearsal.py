"""The way to a verdict, gone a few milliseconds before it is needed.

A processor that has done other things since the last verdict takes two to three times as long
for the next: what it needs has to be fetched anew. So while the last reading of a sweep is due
a bench works out every few milliseconds what its verdict would be by the readings it has, and
forgets it. Nothing is kept, shown or sent of that.
"""

import asyncio
import logging

from daemon.bench import BenchRunner

log = logging.getLogger(__name__)

_EVERY_S = 0.003
"""Of which it takes 0.3 ms; ten milliseconds later half of the gain is gone."""


class Rehearsal:
    """Rehearses the verdicts of one bench."""

    def __init__(self, runner: BenchRunner) -> None:
        """Prepare; ``look`` begins it."""
        self._runner = runner
        self._timer: asyncio.TimerHandle | None = None
        self._is_off = False

    def look(self) -> None:
        """Rehearse from now on if a verdict is near; told at every event of the bench."""
        if self._timer is None and self._runner.nears_a_verdict and not self._is_off:
            self._timer = asyncio.get_running_loop().call_later(_EVERY_S, self._go)

    def _go(self) -> None:
        self._timer = None
        if not self._runner.nears_a_verdict:
            return
        try:
            self._runner.rehearse()
        except Exception:  # what fails here fails at the verdict, and is dealt with there
            log.exception("%s: a verdict can't be rehearsed", self._runner.by.bench)
            self._is_off = True
        self.look()
