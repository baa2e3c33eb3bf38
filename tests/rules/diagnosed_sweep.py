"""One sweep's run-out with its diagnosis beside it, as the record has it."""

from dataclasses import replace

from rules.diagnosis import diagnose
from rules.run_out import evaluate
from rules.sweep import RunOut, Sweep, SweepRules


def evaluate_diagnosed(sweep: Sweep, rules: SweepRules) -> RunOut:
    return replace(evaluate(sweep, rules), diagnosis=diagnose(sweep, rules))
