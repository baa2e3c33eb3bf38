"""The evaluations this release can repeat, by the version that every clamping names.

A change of what is computed gets a new version (``rules.run_out.EVALUATION_VERSION``). The
one before stays in the table as long as its code is shipped; a version that is no longer
there can't be repeated, and nothing here takes its place.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from rules.clamping import Clamping
from rules.diagnosis import diagnose, diagnose_v2
from rules.grading import Assessed, Decision, assess, assess_v3, decide
from rules.ruleset import RuleSet
from rules.run_out import (
    RunOut,
    Sweep,
    SweepRules,
    evaluate,
    evaluate_single,
    evaluate_v1,
    evaluate_v2,
)
from rules.sweep import Diagnosis


@dataclass(frozen=True, slots=True)
class Evaluation:
    """All that stands between stored readings and a verdict.

    Attributes:
        sweep: A sweep's run-out.
        single: Run-out of a finished value.
        assess: What a clamping meets, after the one before it in its cycle, if any.
        decide: The decision that the clampings of a cycle settle.
        diagnose: What a sweep shows beside its run-out.
    """

    sweep: Callable[[Sweep, SweepRules], RunOut]
    single: Callable[[Sweep], RunOut]
    assess: Callable[[Clamping, RuleSet, Clamping | None], Assessed]
    decide: Callable[[Sequence[Assessed], RuleSet], Decision | None]
    diagnose: Callable[[Sweep, SweepRules], Diagnosis | None]


SHIPPED: Mapping[str, Evaluation] = {
    "1": Evaluation(evaluate_v1, evaluate_single, assess_v3, decide, diagnose_v2),
    "2": Evaluation(evaluate_v2, evaluate_single, assess_v3, decide, diagnose_v2),
    "3": Evaluation(evaluate, evaluate_single, assess_v3, decide, diagnose),
    "4": Evaluation(evaluate, evaluate_single, assess, decide, diagnose),
}
"""Version → evaluation."""
