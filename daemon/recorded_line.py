"""A line of a recording: what was heard and asked, to the decoder that the service has."""

from dataclasses import dataclass

from daemon.errors import RecordingError
from daemon.line import LineDecoder, Routed
from daemon.recording import Entry

__all__ = ["RecordedLine"]

_ASKS_MAX = 1000
"""More answer timeouts in a row than any driver waits for a quiet line."""


@dataclass(slots=True)
class RecordedLine:
    """A line as the service holds it, fed by a recording and not by a port."""

    decoder: LineDecoder

    def take(self, entry: Entry) -> list[Routed]:
        """Return what an entry means to the benches."""
        match entry.what:
            case "<":
                return self.decoder.chunk(entry.at_ns, entry.data)
            case ">":
                self._ask(entry)
            case "timed-out":
                self.decoder.driver.timed_out()
            case "opened":
                return self.decoder.opened(entry.at_ns)
            case "lost":
                return self.decoder.lost(entry.at_ns, entry.text)
            case "silent":
                return self.decoder.silent(entry.at_ns, int(entry.text))
            case "edge" | "doubt" if (event := entry.modem_event()) is not None:
                return self.decoder.modem(event)
            case _:
                pass
        return []

    def _ask(self, entry: Entry) -> None:
        """Let the driver ask what was asked.

        A recording made at the far end holds no timeouts: there a driver that does not ask
        is told of them until it does.
        """
        asked = self.decoder.driver.next_request()
        for _ in range(_ASKS_MAX):
            if asked is not None:
                break
            self.decoder.driver.timed_out()
            asked = self.decoder.driver.next_request()
        if asked != entry.data:
            raise RecordingError(
                f"at {entry.at_ns}: line {entry.where} sent {entry.data!r}, its driver asks"
                f" {asked!r}: accepted is the bench file that the recording was made with"
            )
