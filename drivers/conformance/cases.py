"""The list of cases, running them, and finding a driver's specimens."""

import importlib
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from drivers.conformance import damage, flips, streams
from drivers.conformance.book import Book, CaseResult, DriverRaisedError
from drivers.conformance.specimen import Specimen


@dataclass(frozen=True, slots=True)
class Case:
    """One thing that must hold.

    Attributes:
        run: Tries it and writes into a book.
    """

    run: Callable[[Specimen, Book], None]

    @property
    def name(self) -> str:
        """What must hold, as a sentence: the function's own name."""
        return self.run.__name__.replace("_", " ")

    @property
    def about(self) -> str:
        """What must hold, in a line."""
        return (self.run.__doc__ or "").partition("\n")[0]


CASES: tuple[Case, ...] = (
    Case(streams.specimen_is_complete),
    Case(streams.line_settings_can_be_opened),
    Case(streams.a_wrong_option_is_refused),
    Case(streams.golden_frames_are_read),
    Case(streams.chunks_do_not_matter),
    Case(streams.glued_frames_are_each_read),
    Case(streams.a_tail_waits_for_its_rest),
    Case(streams.nothing_is_held_over),
    Case(streams.status_does_not_stick),
    Case(streams.two_drivers_share_nothing),
    Case(streams.a_sweep_through_zero_keeps_its_signs),
    Case(streams.a_listener_stays_silent),
    Case(damage.noise_is_survived),
    Case(damage.a_cut_frame_gives_nothing),
    Case(flips.no_flipped_bit_passes_a_crc),
    Case(flips.no_lost_byte_passes_a_crc),
    Case(damage.a_wrong_parity_is_not_masked),
    Case(damage.endless_noise_is_held_in_bounds),
    Case(damage.endless_frames_are_not_kept),
    Case(damage.silence_is_survived),
    Case(damage.a_late_answer_answers_nothing),
)


def run(specimen: Specimen, cases: Sequence[Case] = CASES) -> Iterator[CaseResult]:
    """Yield the result of each case on a specimen, one after the other."""
    for case in cases:
        yield _run_case(case, specimen)


def _run_case(case: Case, specimen: Specimen) -> CaseResult:
    book = Book()
    try:
        case.run(specimen, book)
    except DriverRaisedError as raised:
        book.tried += 1
        book.fail(raised.failure.what, raised.failure.stream)
    except Exception as error:
        book.tried += 1
        book.fail(f"{type(error).__name__}: {error}")
    if not book.tried and not book.lacking:
        book.fail("nothing was tried: the specimen has no frames for it")
    return CaseResult(
        name=case.name,
        tried=book.tried,
        failures=tuple(book.failures),
        failed=book.failed,
        notes=tuple(book.notes),
        lacking=book.lacking,
    )


def find_specimens(make: object) -> tuple[Specimen, ...]:
    """Return the specimens that belong to a driver's factory; empty if it has none.

    They are ``SPECIMENS`` in the factory's module, or in the module beside it whose name
    ends in ``_specimens``.
    """
    name = getattr(make, "__module__", "")
    module = sys.modules.get(name)
    if module is None:
        return ()
    if not hasattr(module, "SPECIMENS"):
        beside = f"{name}_specimens"
        try:
            module = importlib.import_module(beside)
        except ModuleNotFoundError as error:
            if error.name != beside:
                raise
            return ()
    return tuple(getattr(module, "SPECIMENS", ()))
