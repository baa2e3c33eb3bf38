"""What came down a wire, and what was asked before it."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

from daemon.recording import Entry


@dataclass(frozen=True, slots=True)
class Piece:
    """Bytes that came at once.

    Attributes:
        at_ns: When.
        is_sent: True for bytes that were sent to the indicator.
        data: The bytes.
    """

    at_ns: int
    is_sent: bool
    data: bytes


@dataclass(frozen=True, slots=True)
class Turn:
    """One request and all that came before the next one."""

    request: bytes
    answer: bytes


@dataclass(frozen=True, slots=True)
class Sample:
    """The pieces in their order."""

    pieces: tuple[Piece, ...] = ()

    @property
    def heard(self) -> bytes:
        """Everything that came, one after the other."""
        return b"".join(piece.data for piece in self.pieces if not piece.is_sent)

    @property
    def is_polled(self) -> bool:
        """True if something was asked."""
        return any(piece.is_sent for piece in self.pieces)

    @property
    def turns(self) -> list[Turn]:
        """Requests with their answers; what came before the first request is left out."""
        turns: list[Turn] = []
        was_sent = False
        for piece in self.pieces:
            if piece.is_sent and was_sent:
                turns[-1] = replace(turns[-1], request=turns[-1].request + piece.data)
            elif piece.is_sent:
                turns.append(Turn(piece.data, b""))
            elif turns:
                turns[-1] = replace(turns[-1], answer=turns[-1].answer + piece.data)
            was_sent = piece.is_sent
        return turns

    def translated(self, change: Callable[[bytes], bytes]) -> "Sample":
        """Return the sample with what came changed."""
        return Sample(
            tuple(
                piece if piece.is_sent else replace(piece, data=change(piece.data))
                for piece in self.pieces
            )
        )


def sample_of(entries: Iterable[Entry]) -> Sample:
    """Return what a recording of one line holds."""
    return Sample(
        tuple(
            Piece(entry.at_ns, entry.what == ">", entry.data)
            for entry in entries
            if entry.what in ("<", ">")
        )
    )
