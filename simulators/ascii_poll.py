"""The answering side of an ASCII command and response line."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import cast

from rules.reading import Reading
from simulators.ascii_line import AsciiLineEncoder

_MOST_PENDING_BYTES = 256


class AsciiPollResponder:
    """Knows its request texts and answers each with the reading of that moment."""

    def __init__(self, options: Mapping[str, object]) -> None:
        request = options["request"]
        table = {"": request} if isinstance(request, str) else request
        self._channels = {
            text.encode("ascii"): channel
            for channel, text in cast(Mapping[str, str], table).items()
        }
        self._says_channel = "{channel}" in str(options.get("pattern", ""))
        described = {key: value for key, value in options.items() if key != "request"}
        self._encoder = AsciiLineEncoder(described)
        self._pending = b""

    def encode(self, reading: Reading) -> bytes:
        """Return an answer's bytes, whoever asked.

        Raises:
            ValueError: If the frame can't say the reading.
        """
        return self._encoder.encode(reading)

    def respond(self, chunk: bytes, indication: Callable[[str], Reading]) -> bytes:
        """Return what to send back for these bytes; empty while no request is whole.

        Args:
            chunk: The next bytes that came from the host.
            indication: Called with the channel of each request ("" where there is one
                indicator); returns what that indicator shows now.
        """
        answers = b""
        self._pending += chunk
        while (found := self._first_request()) is not None:
            stop, channel = found
            self._pending = self._pending[stop:]
            reading = indication(channel)
            if self._says_channel:
                reading = replace(reading, channel=channel)
            answers += self.encode(reading)
        self._pending = self._pending[-_MOST_PENDING_BYTES:]
        return answers

    def _first_request(self) -> tuple[int, str] | None:
        ends = [
            (at + len(text), channel)
            for text, channel in self._channels.items()
            if (at := self._pending.find(text)) >= 0
        ]
        return min(ends) if ends else None
