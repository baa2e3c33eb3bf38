"""The person at the bench: clamps, loosens, puts away, presses the foot switch, errs.

A script in the person's own order. It waits for times and for what is shown, and reacts after
a moment, as people do; every length of time is drawn from a seed.
"""

from collections.abc import Callable, Generator
from dataclasses import dataclass
from random import Random

from simulators.collet import Clamper, Collet
from simulators.masters import Seater
from simulators.mistakes import MistakeWord
from simulators.pieces_at_hand import PiecesAtHand
from simulators.shown import Shown
from simulators.spindle import NS_PER_S
from simulators.stand import Stand
from simulators.truth import (
    Dropped,
    Fact,
    MasterSeated,
    MistakeMade,
    NutOpened,
    SpindleSwitched,
    StylusSet,
    Taken,
    Tightened,
    TrayEmpty,
)
from simulators.work import Range, Work


@dataclass(frozen=True, slots=True)
class Wait:
    """What the script waits for: a time (None: no end), or anything shown if it looks up."""

    until_ns: int | None
    looks_up: bool = False


Script = Generator[Wait, None, None]


class Operator:
    """One person with one tray. ``facts`` grows by what was really done."""

    def __init__(self, seed: str, work: Work, stand: Stand, shown: Shown) -> None:
        self.facts: list[Fact] = []
        self.is_foot_down = False
        self.is_inch = False
        self.has_chip_in_taper = False
        self._seed = seed
        self._rng = Random(f"{seed}/operator")
        self._work = work
        self._habits = work.habits
        self._stand = stand
        self._shown = shown
        self._seater = Seater(Random(f"{seed}/masters"), work.masters, work.holder_um)
        self._checks = 0
        self._pieces = PiecesAtHand(seed, work)
        self._piece = 0
        self._ordinal = 0
        self._slips: set[MistakeWord] = set()
        self._now_ns = 0
        self._script = self._shift()
        self._wait: Wait | None = Wait(0)

    @property
    def wakes_ns(self) -> int | None:
        """Return when the hands move next by themselves; None if only something shown can."""
        return self._wait.until_ns if self._wait else None

    def proceed(self, at_ns: int) -> None:
        """Do what is due at this time, up to the next wait."""
        self._now_ns = at_ns
        self._wait = next(self._script, None)

    def look(self, at_ns: int) -> None:
        """Let the person see that something shown has changed."""
        if self._wait is not None and self._wait.looks_up:
            self.proceed(at_ns)

    # --- the shift -----------------------------------------------------------------------

    def _shift(self) -> Script:
        is_told = False
        while True:
            if not self._pieces.left and not is_told:
                self.facts.append(TrayEmpty(self._now_ns))
                is_told = True
            yield from self._until_the_next_is_wanted()
            again = self._asked_again()
            if self._pieces.left or again is not None:
                is_told = is_told and not self._pieces.left
                yield from self._measure(again)

    def pour_back(self, bin_id: str) -> None:
        """Take all that lies in a bin back into the tray: it is measured anew."""
        self._pieces.pour_back(bin_id)

    def _asked_again(self) -> Collet | None:
        return self._pieces.named(self._shown.text)

    def _until_the_next_is_wanted(self) -> Script:
        """Mend what the bench still complains of; then wait until it wants a piece."""
        while True:
            answered = yield from self._watch_prompt(
                "clean", "clamp", "loosen", "right-the-bin", "check"
            )
            if answered and self._shown.prompt == "check":
                yield from self._check()
            elif answered and self._shown.prompt == "right-the-bin":
                yield from self._drop_again(is_repeat=False)
            elif answered:
                break
            elif self._shown.prompt == "put-away":
                yield from self._drop_again(is_repeat=True)
        if self._shown.prompt == "loosen":
            yield from self._show_an_open_nut()

    def _drop_again(self, *, is_repeat: bool) -> Script:
        """Move the piece into the lit bin; or press its button once more if nothing came."""
        yield from self._pause(self._habits.put_away_s)
        lit = self._shown.lit_bin(self._now_ns)
        if (again := self._asked_again()) is not None:
            self._piece, is_repeat = again.number, False
        if lit is not None and self._piece:
            self._drop(lit, lit, is_repeat=is_repeat)
        yield from self._pause(self._habits.glance_s)

    def _show_an_open_nut(self) -> Script:
        """Nothing is clamped, and the bench asks for a loosening: show it the empty nut."""
        yield from self._press_foot("nut-open")
        self._stand.loosen(self._jump_um(), self._now_ns)
        self._stand.set_stylus(True, self._now_ns)
        yield from self._pause(self._habits.jump_s)
        self._stand.set_stylus(False, self._now_ns)
        self._stand.remove()

    # --- a master check ------------------------------------------------------------------

    def _check(self) -> Script:
        """Do what the prompt's sentence says: begin the check, or seat the master it names."""
        text = self._shown.text
        if "gauge block" in text:
            yield from self._set_on_face(is_on_block=" on gauge block" in text)
            return
        if "foot switch" in text:
            self.is_inch = False
            self._checks += 1
            yield from self._hold_foot()
            yield from self._pause(self._habits.glance_s)
            return
        yield from self._open_for_the_next(text)
        yield from self._pause(self._habits.clamp_s)
        piece, self._piece = self._piece, 0  # what turns now is none
        self._seat_master(text)
        yield from self._pause(self._habits.stylus_s)
        self._stand.set_stylus(True, self._now_ns)
        yield from self._pause(self._habits.stylus_s)
        self._switch_spindle(True)
        yield from self._for(3 * self._stand.spindle.drive.period_s)
        yield from self._watch(lambda: self._shown.prompt != "turn")
        yield from self._stop()
        self._piece = piece
        self._stand.set_stylus(False, self._now_ns)
        yield from self._pause(self._habits.stylus_s)
        self._stand.remove()

    def _set_on_face(self, *, is_on_block: bool) -> Script:
        """Set the stylus beside the gauge block or on it, say so by the foot, wait."""
        self._stand.set_stylus(False, self._now_ns)
        yield from self._pause(self._habits.stylus_s)
        face_um = self._seater.face_um(is_on_block=is_on_block)
        self._stand.lay_face(face_um)
        self._stand.set_stylus(True, self._now_ns)
        self.facts.append(StylusSet(self._now_ns, self._checks, face_um, is_on_block))
        yield from self._pause(self._habits.stylus_s)
        yield from self._hold_foot()
        yield from self._pause(self._habits.reaction_s)
        yield from self._watch(lambda: self._shown.prompt != "wait")
        if "gauge block" not in self._shown.text:
            self._stand.set_stylus(False, self._now_ns)
            yield from self._pause(self._habits.stylus_s)
            self._stand.remove()

    def _check_before_it_goes_on(self) -> Script:
        """Take the collet out for a check that came between, and make it."""
        self._stand.set_stylus(False, self._now_ns)
        yield from self._pause(self._habits.loosen_s)
        self._stand.remove()
        while (yield from self._watch_prompt("check")):
            yield from self._check()
            if self._shown.prompt in ("clean", "clamp", "loosen"):
                break

    def _open_for_the_next(self, text: str) -> Script:
        """Say by the foot that the nut is open: in inch a lifted stylus seems to rest."""
        if "Lift the stylus first" in text:
            yield from self._hold_foot()

    def _seat_master(self, text: str) -> None:
        is_eccentric = "eccentric" in text or "half a turn" in text
        if is_eccentric:
            self.is_inch = self._checks == self._work.inch_check
            pin = self._seater.eccentric(is_turned_over="half a turn" in text)
        else:
            pin = self._seater.mandrel(with_chip=self.has_chip_in_taper)
            self.has_chip_in_taper = False
        self._stand.tighten(pin, self._now_ns)
        master = "eccentric" if is_eccentric else "mandrel"
        self.facts.append(
            MasterSeated(
                self._now_ns, self._checks, master, pin.run_out_um, pin.chip_um, self.is_inch
            )
        )

    # --- one piece -----------------------------------------------------------------------

    def _measure(self, again: Collet | None) -> Script:
        """Measure the next piece of the tray, or one ``again`` that lies in its bin."""
        collet = again or self._pieces.take(self._shown.cell)
        self._hold(collet)
        clamper = self._pieces.clamper(collet)
        yield from self._pause(self._habits.clamp_s)
        if again is None and (self._asked_again() or self._shown.prompt == "check"):
            self._pieces.put_back(collet)  # told otherwise before the nut was tight
            return
        while True:
            self._make_tight(clamper)
            yield from self._clamp_as_told(clamper)
            yield from self._stop()
            if (yield from self._put_away()):
                return
            yield from self._pause(self._habits.clamp_s)

    def _hold(self, collet: Collet) -> None:
        self._piece, self._ordinal = collet.number, 0
        self._slips = self._work.mistakes.with_piece(collet.number, self._rng)
        length_um = abs(collet.vector_um)
        self.facts.append(Taken(self._now_ns, collet.number, length_um, collet.is_outlier))

    def _clamp_as_told(self, clamper: Clamper) -> Script:
        """Sweep, and while the prompt says so loosen, rotate, tighten and sweep again."""
        yield from self._sweep()
        while (yield from self._read_the_prompt()) in ("loosen", "check"):
            yield from self._stop()
            if self._shown.prompt == "check":
                yield from self._check_before_it_goes_on()
                yield from self._tighten(clamper)
            elif not self._slips_now("no-loosening"):
                yield from self._open_the_nut()
                clamper.rotate(self._habits.rotate_deg, self._habits.rotate_scatter_deg)
                yield from self._tighten(clamper)
            yield from self._sweep()

    def _tighten(self, clamper: Clamper) -> Script:
        yield from self._pause(self._habits.clamp_s)
        self._make_tight(clamper)

    def _make_tight(self, clamper: Clamper) -> None:
        pin = clamper.tighten(with_chip=self._slips_now("chip"))
        self._ordinal = pin.ordinal
        self._stand.tighten(pin, self._now_ns)
        self.facts.append(
            Tightened(
                self._now_ns, pin.piece, pin.ordinal, pin.run_out_um, pin.angle_deg,
                pin.chip_um, pin.is_steady,
            )
        )  # fmt: skip

    def _sweep(self) -> Script:
        """Stylus on, foot switch, spindle on, and a look at the dial."""
        if self._stand.is_lifted:
            yield from self._pause(self._habits.stylus_s)
            self._stand.set_stylus(True, self._now_ns)
            yield from self._pause(self._habits.stylus_s)
            yield from self._press_foot("ready")
        if not self._slips_now("no-spindle"):
            self._switch_spindle(True)
        if self._slips_now("three-quarter-turn"):
            yield from self._for(0.75 * self._stand.spindle.drive.period_s)
            self._switch_spindle(False)
        if self._slips_now("walk-away"):
            yield from self._pause(self._habits.away_s)
        yield from self._for(3 * self._stand.spindle.drive.period_s)

    def _read_the_prompt(self) -> Generator[Wait, None, str | None]:
        """Wait for what to do with the swept piece.

        If nothing comes, try the switch; then clamp anew, if the bench still asks for it.
        """
        while not (yield from self._watch_prompt("loosen", "put-away", "check")):
            if self._stand.spindle.is_on and self._shown.prompt in ("clean", "clamp"):
                return "loosen"
            self._switch_spindle(True)
        return self._shown.prompt

    def _stop(self) -> Script:
        self._switch_spindle(False)
        yield from self._for(self._stand.spindle.drive.run_down_s)

    def _open_the_nut(self) -> Script:
        yield from self._pause(self._habits.loosen_s)
        jump_um, opened_ns = self._jump_um(), self._now_ns
        self._stand.loosen(jump_um, opened_ns)
        yield from self._pause(self._habits.jump_s)
        yield from self._press_foot("nut-open")
        self._stand.set_stylus(False, self._now_ns)
        on_s = (self._now_ns - opened_ns) / NS_PER_S
        self.facts.append(NutOpened(opened_ns, self._piece, jump_um, on_s))

    def _put_away(self) -> Generator[Wait, None, bool]:
        """Drop the piece where a lamp is on; False if the bench wants it measured anew."""
        seen = self._lit()
        if self._habits.opens_with_stylus_on:
            yield from self._open_the_nut()
        else:
            self._stand.set_stylus(False, self._now_ns)
        yield from self._pause(self._habits.put_away_s)
        self._stand.remove()
        lit = seen
        if self._work.has_bin_sensors or lit is None:
            while not (yield from self._watch(self._is_told_where)):
                pass
            lit = self._lit()
        if lit is None:
            return False
        self._drop(self._choose_bin(lit), lit)
        yield from self._pause(self._habits.glance_s)
        return True

    def _drop(self, bin_id: str, lit: str, *, is_repeat: bool = False) -> None:
        self._pieces.dropped(self._piece, bin_id)
        self.facts.append(Dropped(self._now_ns, self._piece, bin_id, lit, is_repeat))

    def _lit(self) -> str | None:
        return self._shown.lit_bin(self._now_ns)

    def _is_told_where(self) -> bool:
        """Return whether a lamp is on, or the piece is wanted on the spindle again."""
        wanted = ("clean", "clamp", "loosen", "check")
        return self._lit() is not None or self._shown.prompt in wanted

    def _choose_bin(self, lit: str) -> str:
        others = [bin_id for bin_id in self._work.bins if bin_id != lit]
        return self._rng.choice(others) if others and self._slips_now("wrong-bin") else lit

    # --- hands and eyes ------------------------------------------------------------------

    def _switch_spindle(self, is_on: bool) -> None:
        if self._stand.spindle.is_on == is_on:
            return
        turns = self._stand.spindle.turns_at(self._now_ns)
        self._stand.switch_spindle(is_on, self._now_ns)
        self.facts.append(
            SpindleSwitched(self._now_ns, self._piece, self._ordinal, is_on, turns)
        )

    def _press_foot(self, moment: str) -> Script:
        if self._habits.foot == moment and self._shown.prompt != "check":
            yield from self._hold_foot()

    def _hold_foot(self) -> Script:
        self.is_foot_down = True
        yield from self._pause(self._habits.foot_s)
        self.is_foot_down = False

    def _jump_um(self) -> float:
        return self._rng.choice((-1, 1)) * self._rng.uniform(*self._habits.jump_um)

    def _slips_now(self, word: MistakeWord) -> bool:
        """Return whether this mistake is made now; it is made once."""
        if word not in self._slips:
            return False
        self._slips.remove(word)
        self.facts.append(MistakeMade(self._now_ns, self._piece, word))
        return True

    def _for(self, seconds: float) -> Script:
        yield Wait(self._now_ns + int(seconds * NS_PER_S))

    def _pause(self, between_s: Range) -> Script:
        yield from self._for(self._rng.uniform(*between_s))

    def _watch_prompt(self, *words: str) -> Generator[Wait, None, bool]:
        return self._watch(lambda: self._shown.prompt in words)

    def _watch(self, holds: Callable[[], object]) -> Generator[Wait, None, bool]:
        """Wait until what is shown fulfils a condition and the person has taken it in.

        Returns False when patience ends first.
        """
        patience_s = self._rng.uniform(*self._habits.patience_s)
        until_ns = self._now_ns + int(patience_s * NS_PER_S)
        while True:
            while not holds():
                if self._now_ns >= until_ns:
                    return False
                yield Wait(until_ns, looks_up=True)
            yield from self._pause(self._habits.reaction_s)
            if holds():
                return True
