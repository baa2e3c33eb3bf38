"""Records a simulated bench as a service would have recorded it."""

from dataclasses import replace
from pathlib import Path
from typing import Self

from daemon.modem_lines import ModemEdge
from daemon.recording import Recorder, What


class LineRecorder:
    """A recording of one line and its bench, readable by ``daemon.recording``."""

    def __init__(self, path: Path, line: str, bench: str) -> None:
        """Open the file.

        Args:
            path: A file that is not there yet.
            line: Id of the line in the bench file.
            bench: Id of the bench.

        Raises:
            RecordingError: If it exists or can't be written.
        """
        self._recorder = Recorder(path)
        self._line = line
        self._bench = bench
        self._last_ns = 0

    def note(self, at_ns: int, what: What, text: str = "") -> None:
        """Note what happened on the line. Directions are the service's: ``<`` comes in."""
        self._write(at_ns, self._line, what, text)

    def note_edge(self, edge: ModemEdge) -> None:
        """Note a modem line's edge."""
        self._last_ns = max(self._last_ns, edge.at_ns)
        self._recorder.note_modem(self._line, replace(edge, at_ns=self._last_ns))

    def note_placed(self, at_ns: int, bin_id: str) -> None:
        """Note that a bin saw a piece."""
        self._write(at_ns, self._bench, "placed", bin_id)

    def _write(self, at_ns: int, where: str, what: What, text: str) -> None:
        # Plugging is noted when it is done, a frame when it was due: order is that of the file.
        self._last_ns = max(self._last_ns, at_ns)
        self._recorder.note(self._last_ns, where, what, text)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._recorder.close()
