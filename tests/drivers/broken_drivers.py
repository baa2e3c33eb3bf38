"""A plain driver that keeps the contract, and the same one broken in one way each.

Reads the frames of the kit's plain ascii-line specimen: "+012.3456 mm IF" CR LF.
"""

import re
from collections.abc import Mapping, Sequence

from drivers.checksum import xor_8
from drivers.contract import MAX_FRAME_BYTES, BadFrame, Guard, LineSettings, OptionError
from rules.length import Unit, digits_to_nm
from rules.reading import NO_FLAGS, Flag, Mode, Reading

FRAME = re.compile(rb"([+-])([0-9]{3})\.([0-9]{4}) (mm|in) ([IFBHPM]{1,6}|\.)")
OVER = re.compile(rb"----\.--- (mm|in) ([IFBHPM]{1,6}|\.)")
FLAGS: dict[str, Flag] = {
    "I": "index",
    "F": "foot",
    "B": "low-battery",
    "H": "frozen",
    "P": "offset-set",
}


class Plain:
    """Keeps the contract."""

    known_options: frozenset[str] | None = frozenset(
        {"unit", "pattern", "decimals", "digits", "flags", "over_range", "terminator"}
    )
    settings = LineSettings()

    def __init__(self, options: Mapping[str, object]) -> None:
        for key in options:
            if self.known_options is not None and key not in self.known_options:
                raise OptionError(key, options[key], "an option of this driver")
        self.line = self.settings
        self.pending = b""
        self.is_torn = False

    def feed(self, chunk: bytes) -> Sequence[Reading | BadFrame]:
        results: list[Reading | BadFrame] = []
        for at in range(len(chunk)):
            self.pending += chunk[at : at + 1]
            if self.pending.endswith(b"\r\n"):
                frame, self.pending = self.pending, b""
                results += self.read_or_drop(frame)
            elif len(self.pending) == MAX_FRAME_BYTES:
                results.append(BadFrame(self.pending[:-1], "no end"))
                self.pending, self.is_torn = self.pending[-1:], True
        return results

    def read_or_drop(self, frame: bytes) -> list[Reading | BadFrame]:
        if self.is_torn:
            self.is_torn = False
            return [BadFrame(frame, "tail")]
        return [self.read(frame[:-2]) or BadFrame(frame, "not of the pattern")]

    def read(self, content: bytes) -> Reading | None:
        if (over := OVER.fullmatch(content)) is not None:
            return self.over_range(over[1], self.flags(over[2]))
        match = FRAME.fullmatch(content)
        if match is None:
            return None
        sign = -1 if match[1] == b"-" else 1
        value_nm = self.value_nm(sign, match[2], match[3], self.unit(match[4]))
        mode: Mode = "max-min" if b"M" in match[5] else "live"
        return Reading(value_nm, self.unit(match[4]), mode, self.flags(match[5]))

    def over_range(self, unit: bytes, flags: frozenset[Flag]) -> Reading:
        return Reading(None, self.unit(unit), flags=flags | {"over-range"})

    def value_nm(self, sign: int, whole: bytes, part: bytes, unit: Unit) -> int:
        return sign * digits_to_nm(int(whole + part), -len(part), unit)

    def unit(self, text: bytes) -> Unit:
        return "mm" if text == b"mm" else "inch"

    def flags(self, texts: bytes) -> frozenset[Flag]:
        return frozenset(FLAGS[text] for text in texts.decode("ascii") if text in FLAGS)

    def next_request(self) -> bytes | None:
        return None

    def timed_out(self) -> None:
        pass


class GuessesTheUnit(Plain):
    def read(self, content: bytes) -> Reading | None:
        return super().read(content) or super().read(content.replace(b" ", b" mm ", 1))


class GuessesTheSign(Plain):
    def read(self, content: bytes) -> Reading | None:
        return super().read(content) or super().read(b"+" + content)


class RoundsToMicrometres(Plain):
    def value_nm(self, sign: int, whole: bytes, part: bytes, unit: Unit) -> int:
        return round(super().value_nm(sign, whole, part, unit), -3)


class GoesThroughAFloat(Plain):
    def value_nm(self, sign: int, whole: bytes, part: bytes, unit: Unit) -> int:
        per_unit = 1e6 if unit == "mm" else 25.4e6
        return int(sign * float(whole + b"." + part) * per_unit)


class FoldsTheSign(Plain):
    def value_nm(self, sign: int, whole: bytes, part: bytes, unit: Unit) -> int:
        return abs(super().value_nm(sign, whole, part, unit))


class LosesTheSignBelowOne(Plain):
    def value_nm(self, sign: int, whole: bytes, part: bytes, unit: Unit) -> int:
        sign = 1 if int(whole) == 0 else sign
        return super().value_nm(sign, whole, part, unit)


class DropsZero(Plain):
    def read_or_drop(self, frame: bytes) -> list[Reading | BadFrame]:
        results = super().read_or_drop(frame)
        return [item for item in results if isinstance(item, BadFrame) or item.value_nm != 0]


class TakesACommaForAPoint(Plain):
    def read(self, content: bytes) -> Reading | None:
        return super().read(content.replace(b",", b"."))


class StopsAtTheComma(Plain):
    def read(self, content: bytes) -> Reading | None:
        return super().read(re.sub(rb",[0-9]*", b".0000", content))


class MasksTheTopBit(Plain):
    def feed(self, chunk: bytes) -> Sequence[Reading | BadFrame]:
        return super().feed(bytes(byte & 0x7F for byte in chunk))


class RaisesOnJunk(Plain):
    def read(self, content: bytes) -> Reading | None:
        reading = super().read(content)
        if reading is None:
            raise ValueError(content)
        return reading


class RaisesOnHighBytes(Plain):
    def read(self, content: bytes) -> Reading | None:
        return super().read(content.decode("ascii").encode("ascii"))


class HoldsTheValueOver(Plain):
    last: Reading | None = None

    def read_or_drop(self, frame: bytes) -> list[Reading | BadFrame]:
        results = super().read_or_drop(frame)
        if isinstance(results[0], BadFrame) and self.last is not None:
            return [self.last]
        self.last = results[0] if isinstance(results[0], Reading) else self.last
        return results


class KeepsTheLastValueInOverRange(Plain):
    last_nm = 0

    def value_nm(self, sign: int, whole: bytes, part: bytes, unit: Unit) -> int:
        self.last_nm = super().value_nm(sign, whole, part, unit)
        return self.last_nm

    def over_range(self, unit: bytes, flags: frozenset[Flag]) -> Reading:
        return Reading(self.last_nm, self.unit(unit), flags=flags)


class SaysZeroInOverRange(Plain):
    def over_range(self, unit: bytes, flags: frozenset[Flag]) -> Reading:
        return Reading(0, self.unit(unit), flags=flags)


class DropsOverRange(Plain):
    def read_or_drop(self, frame: bytes) -> list[Reading | BadFrame]:
        return [] if frame.startswith(b"----") else super().read_or_drop(frame)


class DropsRepeats(Plain):
    last: object = None

    def read_or_drop(self, frame: bytes) -> list[Reading | BadFrame]:
        results = super().read_or_drop(frame)
        results, self.last = ([] if results == self.last else results), results
        return results


class Averages(Plain):
    last_nm: int | None = None

    def value_nm(self, sign: int, whole: bytes, part: bytes, unit: Unit) -> int:
        now_nm = super().value_nm(sign, whole, part, unit)
        mean_nm = now_nm if self.last_nm is None else (now_nm + self.last_nm) // 2
        self.last_nm = now_nm
        return mean_nm


class FlagsStick(Plain):
    seen: frozenset[Flag] = NO_FLAGS

    def flags(self, texts: bytes) -> frozenset[Flag]:
        self.seen |= super().flags(texts)
        return self.seen


class IgnoresTheBattery(Plain):
    def flags(self, texts: bytes) -> frozenset[Flag]:
        return super().flags(texts) - {"low-battery"}


class UnitSticks(Plain):
    first: Unit | None = None

    def unit(self, text: bytes) -> Unit:
        self.first = self.first or super().unit(text)
        return self.first


class NeverForgetsNoise(Plain):
    def feed(self, chunk: bytes) -> Sequence[Reading | BadFrame]:
        *frames, self.pending = (self.pending + chunk).split(b"\r\n")
        return [self.read(frame) or BadFrame(frame[:256], "junk") for frame in frames]


class KeepsEveryReading(Plain):
    def __init__(self, options: Mapping[str, object]) -> None:
        super().__init__(options)
        self.history: list[object] = []

    def read_or_drop(self, frame: bytes) -> list[Reading | BadFrame]:
        results = super().read_or_drop(frame)
        self.history += results
        return results


class TakesAChunkForAFrame(Plain):
    def feed(self, chunk: bytes) -> Sequence[Reading | BadFrame]:
        if not chunk.strip():
            return []
        return [self.read(chunk.removesuffix(b"\r\n")) or BadFrame(chunk[:256], "junk")]


class ReadsOneFrameAChunk(Plain):
    def feed(self, chunk: bytes) -> Sequence[Reading | BadFrame]:
        results = super().feed(chunk)
        return results[:1]


class SharesItsBuffer(Plain):
    everybodys = bytearray()

    def feed(self, chunk: bytes) -> Sequence[Reading | BadFrame]:
        self.pending = bytes(SharesItsBuffer.everybodys)
        results = super().feed(chunk)
        SharesItsBuffer.everybodys[:] = self.pending
        return results


class ReadsBeforeTheEnd(Plain):
    def feed(self, chunk: bytes) -> Sequence[Reading | BadFrame]:
        results = list(super().feed(chunk))
        if (early := self.read(self.pending)) is not None:
            self.pending = b""
            results.append(early)
        return [item for item in results if isinstance(item, Reading) or len(item.raw) > 2]


class StaysLostAfterNoise(Plain):
    to_drop = 0

    def read_or_drop(self, frame: bytes) -> list[Reading | BadFrame]:
        results = super().read_or_drop(frame)
        if isinstance(results[0], BadFrame):
            self.to_drop = 3
        elif self.to_drop:
            self.to_drop -= 1
            return [BadFrame(frame, "not yet in step")]
        return results


class CleansItsBadFrames(Plain):
    def read_or_drop(self, frame: bytes) -> list[Reading | BadFrame]:
        results = super().read_or_drop(frame)
        return [
            BadFrame(b"?" * len(item.raw), item.reason) if isinstance(item, BadFrame) else item
            for item in results
        ]


class ClaimsAGuard(Plain):
    guard: Guard = "crc"


class TakesAnyOption(Plain):
    known_options = None


class WantsAnOddSpeed(Plain):
    settings = LineSettings(baud=9601)


class HoldsHugeBadFrames(Plain):
    def feed(self, chunk: bytes) -> Sequence[Reading | BadFrame]:
        results = super().feed(chunk)
        return [
            BadFrame(item.raw * 300, item.reason) if isinstance(item, BadFrame) else item
            for item in results
        ]


class SaysNothingAboutJunk(Plain):
    def read_or_drop(self, frame: bytes) -> list[Reading | BadFrame]:
        return [item for item in super().read_or_drop(frame) if isinstance(item, Reading)]


class AsksWithoutNeed(Plain):
    def next_request(self) -> bytes | None:
        return b"say\r"


class Polite(Plain):
    """Polls, and keeps the contract: after trouble it asks when the line was quiet."""

    known_options = None if Plain.known_options is None else Plain.known_options | {"request"}

    def __init__(self, options: Mapping[str, object]) -> None:
        super().__init__(options)
        self.is_asked = False
        self.waits_for_quiet = False
        self.was_heard = False

    def feed(self, chunk: bytes) -> Sequence[Reading | BadFrame]:
        self.was_heard = self.was_heard or bool(chunk)
        return super().feed(chunk)

    def read_or_drop(self, frame: bytes) -> list[Reading | BadFrame]:
        (result,) = super().read_or_drop(frame)
        if not self.is_asked or self.waits_for_quiet:
            result = BadFrame(frame, "nobody asked")
        self.is_asked = False
        self.waits_for_quiet |= isinstance(result, BadFrame)
        return [result]

    def next_request(self) -> bytes | None:
        if self.is_asked or self.waits_for_quiet:
            return None
        self.is_asked = True
        return b"say\r"

    def timed_out(self) -> None:
        self.waits_for_quiet = self.is_asked or (self.waits_for_quiet and self.was_heard)
        self.is_asked = self.was_heard = False
        self.pending = b""


class TakesALateAnswer(Polite):
    def timed_out(self) -> None:
        self.is_asked = self.waits_for_quiet = False
        self.pending = b""


class AsksTwice(Polite):
    def next_request(self) -> bytes | None:
        self.is_asked = False
        return super().next_request()


class NeverAsksAgain(Polite):
    def timed_out(self) -> None:
        pass


class TakesGluedAnswers(Polite):
    takes_all = False

    def feed(self, chunk: bytes) -> Sequence[Reading | BadFrame]:
        self.takes_all = self.is_asked
        return super().feed(chunk)

    def read_or_drop(self, frame: bytes) -> list[Reading | BadFrame]:
        self.is_asked = self.is_asked or self.takes_all
        return super().read_or_drop(frame)


class Checked(Plain):
    """Guards each frame with an exclusive-or in two hex digits behind the flags.

    It says "crc", so that the kit lets no damaged frame pass.
    """

    guard: Guard = "crc"

    def read(self, content: bytes) -> Reading | None:
        content, sent = content[:-2], content[-2:]
        return super().read(content) if sent == b"%02X" % xor_8(content) else None


class IgnoresTheChecksum(Checked):
    def read(self, content: bytes) -> Reading | None:
        return Plain.read(self, content[:-2])
