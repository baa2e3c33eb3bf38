"""One stored clamping anew: its sweeps, what they show, what they meet."""

import json
import zlib
from collections.abc import Mapping
from dataclasses import dataclass

from daemon.recompute.diagnoses import KeptDiagnoses
from daemon.recompute.findings import Findings
from daemon.store import sweep_blob
from daemon.store.event_data import stated_rules
from daemon.store.stored import StoredClamping, StoredCycle
from daemon.store.texts import StoredTexts, TextFaultError
from rules.capture_model import CaptureRules
from rules.clamping import Clamping, Loosening, PositionRunOut
from rules.evaluations import SHIPPED, Evaluation
from rules.exact_vector import ExactVector, exact_vector
from rules.grading import Assessed
from rules.ruleset import EVIDENCE_RANK, RuleSet
from rules.sweep import RunOut, Sweep, SweepRules


@dataclass(frozen=True, slots=True)
class InForce:
    """What a clamping was judged by when it was made.

    Attributes:
        evaluation: Its evaluation, of the recorded version.
        capture: Capture rules of its bench.
        rules: Its rule file.
        sweeps: What the sweep of each indicator was held to.
        stated: The decision rules as a verdict states them, JSON text.
    """

    evaluation: Evaluation
    capture: CaptureRules
    rules: RuleSet
    sweeps: Mapping[str, SweepRules]
    stated: str


class Judges:
    """What is in force, looked up once for each set of texts and not for each clamping."""

    def __init__(self, texts: StoredTexts) -> None:
        """Read the texts of this store."""
        self._texts = texts
        self._known: dict[tuple[str, str, str, str, str], InForce] = {}

    def of(
        self, cycle: StoredCycle, clamping: StoredClamping, found: Findings
    ) -> InForce | None:
        """Return what judges a clamping; None, counted apart, if it can't be had."""
        key = (
            clamping.evaluation, clamping.bench_sha256, clamping.rules_sha256, cycle.bench,
            cycle.article,
        )  # fmt: skip
        known = self._known.get(key)
        if known is not None:
            return known
        evaluation = SHIPPED.get(clamping.evaluation)
        if evaluation is None:
            found.other_versions[clamping.evaluation] += 1
            return None
        try:
            self._known[key] = self._made(evaluation, *key[1:])
        except TextFaultError as error:
            found.texts[error.sha256] = error.why
            found.on_faulty_texts += 1
            return None
        return self._known[key]

    def _made(
        self,
        evaluation: Evaluation,
        bench_sha256: str,
        rules_sha256: str,
        bench: str,
        article: str,
    ) -> InForce:
        capture = self._texts.capture(bench_sha256, rules_sha256, bench, article)
        rules = self._texts.rules(rules_sha256, article)
        sweeps = {indicator.id: indicator.sweep for indicator in capture.indicators}
        stated = stated_rules(rules)
        return InForce(evaluation, capture, rules, sweeps, stated)


def recompute_clamping(
    cycle: StoredCycle,
    clamping: StoredClamping,
    by: InForce,
    found: Findings,
    kept: KeptDiagnoses | None = None,
    before: Clamping | None = None,
) -> tuple[Clamping, Assessed] | None:
    """Return a clamping and what it meets, after noting what differs; None if unreadable.

    ``before`` is the last one of its cycle whose readings were good.
    """
    tracks = _tracks(cycle, clamping, by, found)
    evidence = next((known for known in EVIDENCE_RANK if known == clamping.loosening), None)
    if tracks is None or evidence is None:
        if evidence is None:
            found.compare(cycle, clamping, None, [("loosening", clamping.loosening, None)])
        return None
    positions = tuple(
        PositionRunOut(indicator, name, sweep, run_out, _vector(indicator, sweep, by))
        for (indicator, name, sweep), run_out in tracks
    )
    loosening = Loosening(evidence, 0, clamping.loosening_nm, clamping.loosening_ns)
    anew = Clamping(by.capture.mode, 0, 0, positions, loosening)
    assessed = by.evaluation.assess(anew, by.rules, before)
    found.clampings += 1
    _compare_positions(cycle, clamping, positions, found)
    if kept is not None and by.capture.mode == "sweep":
        kept.compare(cycle, clamping, positions, (by.evaluation, by.sweeps), found)
    found.compare(
        cycle, clamping, None,
        (
            ("mode", clamping.mode, by.capture.mode),
            ("proof", clamping.proof, _proof(clamping, by)),
            ("result", clamping.result, assessed.result),
            ("tir_nm", clamping.tir_nm, assessed.tir_nm),
            ("seen_nm", clamping.seen_nm, assessed.seen_nm),
            ("invalid", clamping.invalid, assessed.invalid),
            ("meets", clamping.meets, " ".join(assessed.meets)),
        ),
    )  # fmt: skip
    return anew, assessed


def _vector(indicator: str, sweep: Sweep, by: InForce) -> ExactVector | None:
    return exact_vector(sweep, by.sweeps[indicator]) if indicator in by.sweeps else None


def _proof(clamping: StoredClamping, by: InForce) -> str:
    """Return how turns were proved; of finished values nothing can be said but the record."""
    return clamping.proof if by.capture.mode == "single-value" else by.capture.sweep.proof


_Track = tuple[tuple[str, str, Sweep], RunOut]


def _tracks(
    cycle: StoredCycle, clamping: StoredClamping, by: InForce, found: Findings
) -> list[_Track] | None:
    """Return a clamping's sweeps and what they show; None, noted, if they can't be read."""
    is_single = by.capture.mode == "single-value"
    try:
        sweeps = sweep_blob.decode(clamping.sweep)
        tracks = []
        for indicator, name, sweep in sweeps:
            run_out = (
                by.evaluation.single(sweep)
                if is_single
                else by.evaluation.sweep(sweep, by.sweeps[indicator])
            )
            tracks.append(((indicator, name, sweep), run_out))
    except (ValueError, KeyError, TypeError, IndexError, AttributeError, zlib.error) as error:
        what = f"no sweep of these rules: {type(error).__name__}: {error}"
        found.compare(cycle, clamping, None, [("sweep", "unreadable", what)])
        return None
    return tracks


def _compare_positions(
    cycle: StoredCycle,
    clamping: StoredClamping,
    positions: tuple[PositionRunOut, ...],
    found: Findings,
) -> None:
    stored = {position.position: position for position in clamping.positions}
    computed = {position.position: position for position in positions}
    for name in sorted(stored.keys() | computed.keys()):
        row, anew = stored.get(name), computed.get(name)
        if row is None or anew is None:
            has = (row is not None and row.indicator, anew is not None and anew.indicator)
            found.compare(
                cycle, clamping, name, [("indicator", has[0] or None, has[1] or None)]
            )
            continue
        run_out = anew.run_out
        found.compare(
            cycle, clamping, name,
            (
                ("indicator", row.indicator, anew.indicator),
                ("tir_nm", row.tir_nm, run_out.tir_nm),
                ("seen_nm", row.seen_nm, run_out.seen_nm),
                ("invalid", row.invalid, run_out.invalid),
                ("turns_nm", row.turns_nm, json.dumps(run_out.turns_nm)),
                ("samples", row.samples, run_out.samples),
                ("closure_nm", row.closure_nm, run_out.closure_nm),
            ),
        )  # fmt: skip
