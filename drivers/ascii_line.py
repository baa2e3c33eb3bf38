r"""A continuous ASCII stream, or one line per print key: the indicator sends unasked.

    +000.0041 mm CR LF        sign, seven digits with a point, blank, unit, terminator

Line settings: 9600 8N1 unless the bench file says otherwise.
Sample frame: 2B 30 30 30 2E 30 30 34 31 20 6D 6D 0D 0A, with options
``{ unit = { mm = "mm", in = "inch" }, decimals = 4, digits = 7 }``.

The options are those of ``drivers.ascii_frame`` and ``drivers.ascii_content``; ``unit`` is
required. The stream may be joined in the middle of a frame: what can't be told from the
tail of a cut frame is no reading, but a bad frame. Where nothing in a frame shows its head
(no start mark, no sign that is always sent, no length, no checksum) that is the first line
after the port was opened, a first print key too.
"""

from collections.abc import Mapping, Sequence
from functools import partial

from drivers.ascii_frame import FrameForm, frame_form, make_cutter, read_frame
from drivers.contract import BadFrame, LineSettings
from drivers.options import OptionReader
from rules.reading import Reading


class AsciiLine:
    """Reads the frames of an indicator that sends unasked."""

    def __init__(self, form: FrameForm) -> None:
        self.line = LineSettings()
        self.guard = form.guard
        self._cutter = make_cutter(form, partial(read_frame, form=form), joins_midway=True)

    def feed(self, chunk: bytes) -> Sequence[Reading | BadFrame]:
        """Return what the frames that ended in this chunk say."""
        return self._cutter.feed(chunk)

    def next_request(self) -> bytes | None:
        """Return None: this indicator is only listened to."""
        return None

    def timed_out(self) -> None:
        """Do nothing: silence is normal where a person presses a key."""


def make(options: Mapping[str, object]) -> AsciiLine:
    """Return a driver for the frames that the options describe.

    Raises:
        OptionError: If an option is unknown, missing or wrong.
    """
    reader = OptionReader(options)
    form = frame_form(reader)
    reader.finish()
    return AsciiLine(form)
