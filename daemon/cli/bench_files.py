"""``reclamp check`` and ``reclamp explain``: what the files say, before a piece is measured."""

import json
from pathlib import Path
from typing import Annotated, Any

import typer

from daemon.bench_warnings import warnings_of
from daemon.cli import outlook
from daemon.cli.answers import ANSWER_IS_NO, refuse, reported
from daemon.cli.outlook import LotSpread
from daemon.config import Config, load
from daemon.errors import ConfigError
from daemon.rule_file import load_rules
from rules.grading import Assessed, assess_tir, best_in_reach, decide
from rules.length import LengthError, nm_to_um, um_text, um_to_nm
from rules.ruleset import RuleSet

__all__ = ["check", "explain"]

JsonOption = Annotated[bool, typer.Option("--json", help="Answer as JSON.")]


def check(
    bench_file: Annotated[Path, typer.Argument(help="Bench file, e.g. bench.toml.")],
    as_json: JsonOption = False,
) -> None:
    """Name every fault of a bench file and its rule files, and what a metrologist would say.

    Exit 0 without faults (warnings alone are fine), 2 with faults.
    """
    with reported():
        config = _loaded(bench_file, as_json)
    warnings = warnings_of(config)
    if as_json:
        revisions = {one.id: one.rules.grading.revision for one in config.benches}
        _print_json({"faults": [], "warnings": warnings, "rules": revisions})
        return
    for warning in warnings:
        typer.echo(f"warning: {warning}")
    benches = ", ".join(one.id for one in config.benches)
    typer.echo(f"{bench_file}: no faults, {len(warnings)} warnings; benches: {benches}")


def _loaded(bench_file: Path, as_json: bool) -> Config:
    """Return the configuration; faults are the answer of ``check``, so JSON holds them too."""
    try:
        return load(bench_file)
    except ConfigError as error:
        if as_json:
            _print_json({"faults": list(error.faults), "warnings": [], "rules": {}})
        raise


def _print_json(answer: dict[str, Any]) -> None:
    typer.echo(json.dumps(answer, ensure_ascii=False))


def explain(
    rules_file: Annotated[Path, typer.Argument(help="Rule file, e.g. rules.toml.")],
    tir: Annotated[
        list[str] | None,
        typer.Argument(help="TIR of each clamping in µm, `invalid`, or face=3.1,far=4.0."),
    ] = None,
    plan: Annotated[
        bool, typer.Option("--plan", help="What shares, guards, stops cost.")
    ] = False,
    risk: Annotated[bool, typer.Option("--risk", help="How often the rule is wrong.")] = False,
    own_um: Annotated[
        float, typer.Option(min=0.001, help="Collets' own eccentricity, sigma per axis.")
    ] = 0.9,
    scatter_um: Annotated[
        float, typer.Option(min=0.001, help="Clamping scatter, sigma per axis.")
    ] = 0.4,
    holder_um: Annotated[
        float, typer.Option(min=0, help="Holder's vector, eccentricity.")
    ] = 0.2,
    step_deg: Annotated[float, typer.Option(help="Rotation between two clampings.")] = 120.0,
    expanded_um: Annotated[
        float, typer.Option(min=0.001, help="Expanded uncertainty of a TIR, k = 2.")
    ] = 0.8,
    ordered: Annotated[int, typer.Option(min=1, help="Pieces of the best grade wanted.")] = 100,
    as_json: JsonOption = False,
) -> None:
    """Give the verdict for these clampings, and why; or what a lot will ask of this rule file.

    Exit 0 with a grade, 1 without one (hold, nonconforming, or more clampings needed).
    """
    with reported():
        rules, _ = load_rules(rules_file)
    if not tir and not plan and not risk:
        refuse("TIR: accepted are the clampings of a piece, or --plan or --risk")
    assessed = [_assessed(text, rules) for text in tir or []]
    answer = _answer(assessed, rules) if tir else {}
    lot = LotSpread(own_um, scatter_um, holder_um, step_deg)
    if plan:
        answer["plan"] = outlook.plan(rules, lot, ordered)
    if risk:
        readings = [nm_to_um(a.tir_nm) for a in assessed if a.tir_nm is not None]
        answer["risk"] = outlook.risk(rules, lot, expanded_um, readings)
    if as_json:
        _print_json(answer)
    else:
        _print_all(answer)
    if tir and answer["grade"] is None:
        raise typer.Exit(ANSWER_IS_NO)


def _print_all(answer: dict[str, Any]) -> None:
    if "grade" in answer:
        _print(answer)
    if "plan" in answer:
        for line in outlook.plan_text(answer["plan"]):
            typer.echo(line)
    if "risk" in answer:
        for line in outlook.risk_text(answer["risk"]):
            typer.echo(line)


def _assessed(text: str, rules: RuleSet) -> Assessed:
    if text == "invalid":
        return Assessed("invalid", None)
    values = [_tir_nm(number, text) for number in _numbers(text)]
    return assess_tir(max(values), rules)


def _numbers(text: str) -> list[str]:
    """Return the numbers of one clamping: one, or one a position (``face=3.1,far=4.0``)."""
    if "=" not in text:
        return [text]
    found: dict[str, str] = {}
    for part in text.split(","):
        position, sign, number = (word.strip() for word in part.partition("="))
        if not sign or not position or position in found:
            refuse(f"{text!r}: accepted is a TIR for each position, once: face=3.1,far=4.0")
        found[position] = number
    return list(found.values())


def _tir_nm(number: str, text: str) -> int:
    accepted = "accepted is a TIR in µm, invalid, or face=3.1,far=4.0"
    try:
        value = um_to_nm(number)
    except LengthError as error:
        refuse(f"{text!r}: {error}; {accepted}")
    if value < 0:
        refuse(f"{text!r}: a TIR can't be negative; {accepted}")
    return value


def _answer(assessed: list[Assessed], rules: RuleSet) -> dict[str, Any]:
    decision = decide(assessed, rules)
    reason = decision.text.removesuffix("; the last: ") if decision else _more(assessed, rules)
    settled_by = next(
        (n for n in range(1, len(assessed) + 1) if decide(assessed[:n], rules)), None
    )
    return {
        "grade": decision.grade if decision else None,
        "bin": decision.bin if decision else None,
        "reason": reason,
        "settled_by_clamping": settled_by,
        "clampings": [_clamping(a) for a in assessed],
        "decision_rule": [
            {
                "grade": g.id,
                "rule": g.decision_rule,
                "tolerance_limit_um": nm_to_um(g.tolerance_limit_nm),
                "acceptance_limit_um": nm_to_um(g.acceptance_limit_nm),
            }
            for g in rules.grades
        ],
        "rules": {"revision": rules.revision, "sha256": rules.sha256},
    }


def _more(assessed: list[Assessed], rules: RuleSet) -> str:
    grade = best_in_reach(assessed, rules)
    assert grade is not None  # without one there is a decision
    valid = sum(1 for a in assessed if a.tir_nm is not None)
    more = grade.clampings - valid
    return f"no verdict yet: {grade.id} needs {more} more clamping{'s' if more > 1 else ''}"


def _clamping(assessed: Assessed) -> dict[str, Any]:
    tir = assessed.tir_nm
    return {
        "tir_um": None if tir is None else nm_to_um(tir),
        "result": assessed.result,
        "meets": list(assessed.meets),
    }


def _print(answer: dict[str, Any]) -> None:
    typer.echo(f"grade   {answer['grade'] or 'none'}")
    typer.echo(f"bin     {answer['bin'] or 'none yet'}")
    typer.echo(f"reason  {answer['reason']}")
    for number, clamping in enumerate(answer["clampings"], start=1):
        tir = clamping["tir_um"]
        shown = "    –" if tir is None else f"{um_text(um_to_nm(str(tir))):>5} µm"
        meets = ", ".join(clamping["meets"]) or "no grade"
        note = f"   meets {meets}" if clamping["result"] != "invalid" else ""
        typer.echo(f"  clamping {number}  {shown}  {clamping['result']}{note}")
    for rule in answer["decision_rule"]:
        typer.echo(
            f"  {rule['grade']}: {rule['rule']}, tolerance limit {rule['tolerance_limit_um']:g}"
            f" µm, acceptance limit {rule['acceptance_limit_um']:g} µm"
        )
    settled = answer["settled_by_clamping"]
    if settled is not None and settled < len(answer["clampings"]):
        typer.echo(
            f"  at the bench clamping {settled} would have settled it; the rest is extra"
        )
