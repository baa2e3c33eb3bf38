r"""Command and response in ASCII: the indicator sends a value when it is asked for one.

    host       request text of the bench file, such as say CR
    indicator  +000.0041 mm CR LF

Line settings: 9600 8N1 unless the bench file says otherwise.
Sample answer: 2B 30 30 30 2E 30 30 34 31 20 6D 6D 0D 0A, with options
``{ request = "say\r", unit = { mm = "mm" }, decimals = 4, digits = 7 }``.

Options besides those of ``drivers.ascii_frame`` and ``drivers.ascii_content``:

    request         What asks for a value. Required, no default: a text, or for several
                    indicators on one line a table of channel to text, asked in turn.
    quiet_timeouts  How many whole answer timeouts the line must be quiet before the next
                    request after a missing, bad or unexpected answer; default 1.

**Late answers.** An answer carries nothing that tells which request it answers. So after a
timeout, a bad answer or bytes that nobody asked for, nothing is sent and whatever comes is
a bad frame, until the line was quiet for ``quiet_timeouts`` whole timeouts. An answer can
therefore be late by that much (one further timeout by default) and still never answer the
next request; an indicator that is slower needs a longer timeout on its line.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from drivers.ascii_frame import FrameForm, frame_form, make_cutter, read_frame
from drivers.contract import BadFrame, LineSettings
from drivers.options import OptionReader
from drivers.turn_taking import TurnTaking
from rules.reading import Reading


class AsciiPoll:
    """Asks for one value at a time and reads the answers."""

    def __init__(
        self, form: FrameForm, requests: Sequence[tuple[str, bytes]], quiet_timeouts: int
    ) -> None:
        self.line = LineSettings()
        self.guard = form.guard
        self._requests = tuple(requests)
        self._turn = 0
        self._talk = TurnTaking(quiet_timeouts)
        self._form = form
        self._cutter = make_cutter(form, self._read_answer, on_bad=self._lose_step)

    def feed(self, chunk: bytes) -> Sequence[Reading | BadFrame]:
        """Return what the answers that ended in this chunk say."""
        if chunk:
            self._talk.heard()
        return self._cutter.feed(chunk)

    def next_request(self) -> bytes | None:
        """Return the next request; None while an answer or a quiet line is waited for."""
        if not self._talk.take(is_pending=self._cutter.is_pending()):
            return None
        return self._requests[self._turn][1]

    def timed_out(self) -> None:
        """Give up the answer; ask again when the line was quiet."""
        self._next_turn()
        self._talk.timed_out()
        self._cutter.reset()

    def _next_turn(self) -> None:
        if self._talk.is_asked:
            self._turn = (self._turn + 1) % len(self._requests)

    def _lose_step(self) -> None:
        self._next_turn()
        self._talk.lose_step()

    def _read_answer(self, frame: bytes) -> Reading | BadFrame:
        if refusal := self._talk.refusal:
            return BadFrame(frame, refusal)
        found = self._of_channel(frame, read_frame(frame, self._form))
        if isinstance(found, Reading):
            self._next_turn()
            self._talk.answered()
        return found

    def _of_channel(self, frame: bytes, found: Reading | BadFrame) -> Reading | BadFrame:
        asked = self._requests[self._turn][0]
        if isinstance(found, BadFrame) or found.channel == asked:
            return found
        if found.channel and asked:
            return BadFrame(frame, f"channel {found.channel} answers the request to {asked}")
        return replace(found, channel=found.channel or asked)


def make(options: Mapping[str, object]) -> AsciiPoll:
    """Return a driver for the requests and answers that the options describe.

    Raises:
        OptionError: If an option is unknown, missing or wrong.
    """
    reader = OptionReader(options)
    requests = _read_requests(reader)
    form = frame_form(reader)
    quiet = reader.whole("quiet_timeouts", 1, 100, default=1)
    reader.finish()
    return AsciiPoll(form, requests, quiet)


def _read_requests(reader: OptionReader) -> Sequence[tuple[str, bytes]]:
    accepted = "the text that asks for a value, or a table of channel to text"
    if not reader.has("request"):
        raise reader.wrong("request", accepted)
    if reader.is_text("request"):
        text = reader.ascii_text("request", accepted)
        if not text:
            raise reader.wrong("request", accepted)
        return [("", text)]
    table = reader.table("request", accepted)
    texts = [text for text in table.values() if isinstance(text, str) and text.isascii()]
    if not table or "" in table or "" in texts or len(set(texts)) != len(table):
        raise reader.wrong("request", f"{accepted}; each channel has a text of its own")
    return [(channel, str(text).encode("ascii")) for channel, text in table.items()]
