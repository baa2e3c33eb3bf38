"""One driver at the end of a pretended line: asked if it polls, fed, and watched."""

from collections.abc import Iterable, Sequence
from typing import get_args

from drivers.conformance.book import DriverRaisedError, Failure
from drivers.conformance.specimen import Specimen
from drivers.contract import MAX_FRAME_BYTES, MAX_VALUE_NM, BadFrame
from rules.length import Unit
from rules.reading import Flag, Mode, Reading

MOST_TIMEOUTS = 10
"""A polled driver must ask again after at most so many timeouts on a quiet line."""

Result = Reading | BadFrame


class Trial:
    """A new driver of a specimen and everything that was fed to it."""

    def __init__(self, specimen: Specimen) -> None:
        self._specimen = specimen
        self.driver = specimen.make(dict(specimen.options))
        self.stream = b""
        self.results: list[Result] = []
        self.request = self._ask()
        self.is_polled = self._is_due = self.request is not None
        if self.is_polled:
            self.request = self._past_start_up(self.request)

    @classmethod
    def primed(cls, specimen: Specimen) -> "Trial":
        """Return a trial that has seen a frame: a stream joined midway is in step then."""
        trial = cls(specimen)
        trial.answer(specimen.three()[2].raw)
        trial.results.clear()
        return trial

    @property
    def readings(self) -> list[Reading]:
        """The readings so far."""
        return [result for result in self.results if isinstance(result, Reading)]

    @property
    def bad_frames(self) -> list[BadFrame]:
        """The bad frames so far."""
        return [result for result in self.results if isinstance(result, BadFrame)]

    def feed(self, chunk: bytes) -> Sequence[Result]:
        """Feed bytes and return what came of them.

        Raises:
            DriverRaisedError: If the driver raises, or gives what no driver may give.
        """
        self.stream += chunk
        try:
            results = list(self.driver.feed(chunk))
        except Exception as error:
            raise DriverRaisedError(Failure(f"feed raised {error!r}", self.stream)) from error
        for result in results:
            if wrong := _why_no_result(result) or self._why_not_sent(result, len(chunk)):
                raise DriverRaisedError(Failure(f"{wrong}: {result!r}", self.stream))
        self.results += results
        return results

    def _why_not_sent(self, result: Result, chunk_bytes: int) -> str:
        """Return what is wrong if a bad frame holds other bytes than those that came."""
        if isinstance(result, Reading):
            return ""
        recent = self.stream[-(chunk_bytes + 2 * MAX_FRAME_BYTES) :]
        return "" if result.raw in recent else "a bad frame holds bytes that did not come"

    def feed_all(self, chunks: Iterable[bytes]) -> None:
        """Feed several chunks."""
        for chunk in chunks:
            self.feed(chunk)

    def ask(self) -> None:
        """Have a polled driver ask for a reading, after timeouts if it wants quiet.

        Nothing happens for a driver that only listens.

        Raises:
            DriverRaisedError: If it does not ask, though the line is quiet.
        """
        if not self.is_polled or self._is_due:
            return
        for _ in range(MOST_TIMEOUTS):
            request = self._ask()
            if request is not None:
                self.request = self._past_start_up(request)
                self._is_due = True
                return
            self.time_out()
        what = f"asks nothing after {MOST_TIMEOUTS} timeouts on a quiet line"
        raise DriverRaisedError(Failure(what, self.stream))

    def time_out(self) -> None:
        """Let the answer timeout pass."""
        self._is_due = False
        try:
            self.driver.timed_out()
        except Exception as error:
            raise DriverRaisedError(
                Failure(f"timed_out raised {error!r}", self.stream)
            ) from error

    def answer(self, *frames: bytes, cut: int | None = None) -> None:
        """Send frames: as a stream, or each as the answer to a request.

        Args:
            frames: What arrives, one after the other.
            cut: How many bytes of each come first; 0 for byte by byte, None for whole.
        """
        for frame in frames:
            self.ask()
            if cut is None:
                self.feed(frame)
            elif cut:
                self.feed_all((frame[:cut], frame[cut:]))
            else:
                self.feed_all(frame[at : at + 1] for at in range(len(frame)))
            self._is_due = False

    def _ask(self) -> bytes | None:
        try:
            return self.driver.next_request()
        except Exception as error:
            failure = Failure(f"next_request raised {error!r}", self.stream)
            raise DriverRaisedError(failure) from error

    def _past_start_up(self, request: bytes | None) -> bytes | None:
        """Answer the start-up's requests until the driver asks for a reading."""
        answers = self._specimen.start_up
        for _ in range(2 * len(answers) + MOST_TIMEOUTS):
            if request is None:
                self.time_out()
            elif request not in answers:
                return request
            elif answers[request] and [*self.driver.feed(answers[request])]:
                what = f"the answer {answers[request]!r} to {request!r} gave a result"
                raise DriverRaisedError(Failure(what, self.stream))
            request = self._ask()
        raise DriverRaisedError(Failure("does not get past its start-up", self.stream))


def _why_no_result(result: object) -> str:
    """Return what is wrong with a result whatever was fed, "" if nothing is."""
    if isinstance(result, BadFrame):
        if not isinstance(result.raw, bytes) or len(result.raw) > MAX_FRAME_BYTES:
            return f"a bad frame holds more than {MAX_FRAME_BYTES} bytes"
        return "" if result.reason else "a bad frame without a reason"
    if not isinstance(result, Reading):
        return "neither Reading nor BadFrame"
    if result.value_nm is not None and type(result.value_nm) is not int:
        return "a value that is no integer of nanometres"
    if abs(result.value_nm or 0) > MAX_VALUE_NM:
        return "a value above 1 km"
    if result.value_nm is None and "over-range" not in result.flags:
        return "no value, and no flag that says why"
    if result.value_nm is not None and "over-range" in result.flags:
        return "a value although it is over-range"
    if result.unit not in get_args(Unit) or result.mode not in get_args(Mode):
        return "an unknown unit or mode"
    return "" if result.flags <= set(get_args(Flag)) else "an unknown flag"
