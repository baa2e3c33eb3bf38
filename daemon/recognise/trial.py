"""A candidate's own driver reads the sample: what it makes of it decides."""

from collections import defaultdict, deque
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from daemon.errors import UnknownDriverError
from daemon.recognise.proposal import Candidate
from daemon.recognise.sample import Sample, Turn
from daemon.registry import find_driver
from drivers import BadFrame, Driver, OptionError, Reading

_MOST_SILENCES = 3


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a driver made of a sample.

    Attributes:
        candidate: Whose driver it was.
        readings: What it read.
        bad_frames: What it could not read; a first one may be the tail of a cut frame.
        read_share: Share of the bytes that belong to frames it read.
    """

    candidate: Candidate
    readings: tuple[Reading, ...]
    bad_frames: tuple[BadFrame, ...]
    read_share: float

    @property
    def frames(self) -> int:
        """Frames in all."""
        return len(self.readings) + len(self.bad_frames)

    @property
    def share(self) -> float:
        """Share of the stream that was read: of the frames or of the bytes, the less."""
        if not self.readings:
            return 0.0
        return min(self.read_share, len(self.readings) / self.frames)


def try_candidate(candidate: Candidate, sample: Sample) -> Outcome | None:
    """Return what the candidate's driver reads; None if it refuses the options."""
    try:
        driver = find_driver(candidate.driver, Path.cwd()).make(candidate.options)
    except (OptionError, UnknownDriverError):
        return None
    if not sample.is_polled:
        return _listened(candidate, driver, sample.heard)
    return _asked(candidate, driver, sample)


def _listened(candidate: Candidate, driver: Driver, heard: bytes) -> Outcome:
    results = list(driver.feed(heard))
    whole = len(heard)
    if results and isinstance(results[0], BadFrame):  # joined midway: nothing against it
        whole -= len(results[0].raw)
        results = results[1:]
    return _outcome(candidate, results, whole)


def _asked(candidate: Candidate, driver: Driver, sample: Sample) -> Outcome:
    """Let the driver ask; each request gets the answers of the sample in their order."""
    answers = _answers(sample.turns if candidate.turns is None else candidate.turns)
    results: list[Reading | BadFrame] = []
    silences = given = 0
    while silences < _MOST_SILENCES and any(answers.values()):
        request = driver.next_request()
        waiting = answers[request] if request is not None else None
        if not waiting:
            driver.timed_out()
            silences += 1
            continue
        silences = 0
        given += len(waiting[0])
        results += driver.feed(waiting.popleft())
    return _outcome(candidate, results, given)


def _answers(turns: Iterable[Turn]) -> dict[bytes, deque[bytes]]:
    answers: dict[bytes, deque[bytes]] = defaultdict(deque)
    for turn in turns:
        if turn.answer:
            answers[turn.request].append(turn.answer)
    return answers


def _outcome(candidate: Candidate, results: list[Reading | BadFrame], whole: int) -> Outcome:
    bad = tuple(result for result in results if isinstance(result, BadFrame))
    lost = sum(len(frame.raw) for frame in bad)
    readings = tuple(result for result in results if isinstance(result, Reading))
    return Outcome(candidate, readings, bad, 1 - lost / whole if whole else 0.0)
