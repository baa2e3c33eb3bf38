"""The streams in tests/data, and whether recognise takes one for what it is."""

import tomllib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from daemon.recognise.judge import Finding
from daemon.recognise.sample import Piece, Sample

__all__ = ["HandMade", "Mark", "load_streams"]

_APART_NS = 50_000_000
Mark = Literal["hit", "miss", "wrong"]


@dataclass(frozen=True)
class HandMade:
    """One stream of the file.

    Attributes:
        driver: What reads it; None for what no built-in driver should be proposed for.
        values_nm: What its frames say; None for over-range.
        unread: Frames that must not become readings.
        open: What recognise must say it can't tell.
    """

    name: str
    frames: tuple[bytes, ...]
    requests: tuple[bytes, ...]
    driver: str | None
    framing: str | None
    values_nm: tuple[int | None, ...]
    unread: frozenset[int]
    open: frozenset[str]

    @property
    def sample(self) -> Sample:
        pieces = []
        for number, frame in enumerate(self.frames):
            at_ns = number * _APART_NS
            if self.requests:
                pieces.append(Piece(at_ns, True, self.requests[number]))
            pieces.append(Piece(at_ns, False, frame))
        return Sample(tuple(pieces))

    @property
    def says(self) -> list[int | None]:
        return [nm for number, nm in enumerate(self.values_nm) if number not in self.unread]

    def first(self, count: int) -> "HandMade":
        """Return the first frames alone."""
        return replace(
            self,
            frames=self.frames[:count],
            requests=self.requests[:count],
            values_nm=self.values_nm[:count],
        )

    def mark(self, finding: Finding | None) -> tuple[Mark, str]:
        """Return whether the finding is right, and what is not."""
        if self.driver is None:
            return ("hit", "") if finding is None else ("wrong", _shown(finding))
        if finding is None:
            return "miss", "nothing proposed"
        readings = finding.outcome.readings
        got = [reading.value_nm for reading in readings]
        if got not in (self.says, self.says[1:]):  # a stream may be joined in mid-frame
            return "wrong", f"{_shown(finding)} read {got[:8]}… of {self.says[:8]}…"
        if finding.outcome.candidate.driver != self.driver or finding.framing != self.framing:
            return "wrong", _shown(finding)
        silent = self.open - {doubt.about for doubt in finding.doubts}
        if silent:
            return "wrong", f"{_shown(finding)} does not say that {', '.join(silent)} is open"
        return "hit", ""


def _shown(finding: Finding) -> str:
    candidate = finding.outcome.candidate
    return f"{finding.sureness}: {candidate.driver} {dict(candidate.options)} {finding.framing}"


def load_streams(path: Path) -> list[HandMade]:
    return [_stream(table) for table in tomllib.loads(path.read_text("utf-8"))["stream"]]


def _stream(table: dict[str, Any]) -> HandMade:
    frames = [frame.encode("latin-1") for frame in table.get("frames", [])]
    frames += [bytes.fromhex(frame) for frame in table.get("frames_hex", [])]
    values = table.get("values_nm", [])
    return HandMade(
        name=table["name"],
        frames=tuple(frames),
        requests=tuple(bytes.fromhex(request) for request in table.get("requests_hex", [])),
        driver=table.get("driver"),
        framing=table.get("framing"),
        values_nm=tuple(None if value == "over-range" else value for value in values),
        unread=frozenset(table.get("unread", [])),
        open=frozenset(table.get("open", [])),
    )
