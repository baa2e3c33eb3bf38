"""Whose turn it is on a line with requests and answers: one request, one answer."""

from typing import Literal

_Turn = Literal["ours", "asked", "lost"]


class TurnTaking:
    """Keeps a late answer from answering the next request.

    Once out of step (an answer missing, bad or unexpected), nothing is asked until the line
    was quiet for some whole answer timeouts.

    Args:
        quiet_timeouts: How many, at least 1.
    """

    def __init__(self, quiet_timeouts: int) -> None:
        self._quiet_timeouts = quiet_timeouts
        self._turn: _Turn = "ours"
        self._quiet = 0
        self._was_heard = False

    @property
    def is_asked(self) -> bool:
        """True while an answer is due."""
        return self._turn == "asked"

    @property
    def refusal(self) -> str:
        """Why an answer that comes now is none, in words; "" if one is due."""
        if self._turn == "lost":
            return "late or repeated answer, dropped until the line is quiet"
        return "" if self._turn == "asked" else "answer that nobody asked for"

    def take(self, *, is_pending: bool) -> bool:
        """Return True if a request is to be sent now; its answer is due from then on.

        Args:
            is_pending: True if bytes of an unfinished frame have come.
        """
        if self._turn == "ours" and is_pending:
            self.lose_step()
        if self._turn != "ours":
            return False
        self._turn = "asked"
        return True

    def answered(self) -> None:
        """Its answer came, whole and good."""
        self._turn = "ours"

    def heard(self) -> None:
        """Bytes came."""
        self._was_heard = True

    def lose_step(self) -> None:
        """Something came that answers nothing, or was no good answer."""
        self._turn = "lost"
        self._quiet = 0
        self._was_heard = True

    def timed_out(self) -> None:
        """The answer timeout passed."""
        if self._turn == "asked":
            self._turn, self._quiet = "lost", 0
        elif self._turn == "lost":
            self._quiet = 0 if self._was_heard else self._quiet + 1
            if self._quiet >= self._quiet_timeouts:
                self._turn = "ours"
        self._was_heard = False
