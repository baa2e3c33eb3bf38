"""``reclamp explain``: the verdict for a set of clampings, and what a lot will ask for."""

import json
from pathlib import Path
from typing import Annotated, Any

import typer

from daemon.cli import outlook
from daemon.cli.answers import ANSWER_IS_NO, refuse, reported
from daemon.cli.asking import BenchName
from daemon.cli.lot_spread import LotSpread, given_spread, spread_of_lot
from daemon.cli.rest_outlook import outlook_of_rest, rest_lines
from daemon.cli.risk_outlook import risk as risk_of
from daemon.cli.risk_outlook import risk_lines
from daemon.cli.stored import LotCode
from daemon.rule_file import load_rules
from daemon.store.event_data import decision_rules
from rules.grading import Assessed, At, assess_tirs, best_in_reach, decide
from rules.length import LengthError, nm_to_um, um_text, um_to_nm
from rules.ruleset import RuleBook, RuleSet, UnknownArticleError

__all__ = ["explain"]

JsonOption = Annotated[bool, typer.Option("--json", help="Answer as JSON.")]


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
        float | None,
        typer.Option(min=0.001, help="Collets' own eccentricity, sigma per axis [0.9]."),
    ] = None,
    scatter_um: Annotated[
        float | None, typer.Option(min=0.001, help="Clamping scatter, sigma per axis [0.4].")
    ] = None,
    holder_um: Annotated[
        float | None, typer.Option(min=0, help="Holder's vector, eccentricity [0.2].")
    ] = None,
    pass_one_percent: Annotated[
        float | None,
        typer.Option(min=0.1, max=99.9, help="For --plan: share that passes one clamping."),
    ] = None,
    store: Annotated[
        Path | None, typer.Option(help="A record: the spread of its lot so far is taken.")
    ] = None,
    lot: LotCode = None,
    bench: BenchName = None,
    step_deg: Annotated[float, typer.Option(help="Rotation between two clampings.")] = 120.0,
    expanded_um: Annotated[
        float | None,
        typer.Option(
            min=0.001, help="Expanded uncertainty of a TIR, k = 2; else the file's, else 0.8."
        ),
    ] = None,
    shared_percent: Annotated[
        float,
        typer.Option(min=0, max=100, help="For --risk: variance all clampings share."),
    ] = 50.0,
    ordered: Annotated[int, typer.Option(min=1, help="Pieces of the best grade wanted.")] = 100,
    article: Annotated[
        str | None, typer.Option(help="Article, where the rule file has several.")
    ] = None,
    position: Annotated[
        str | None, typer.Option(help="For --plan, --risk: where, if limits are by position.")
    ] = None,
    rest: Annotated[
        int | None,
        typer.Option(min=1, help="What is proved of the rest of a lot of so many pieces."),
    ] = None,
    measured: Annotated[
        int, typer.Option(min=0, help="For --rest: pieces measured for the order.")
    ] = 0,
    beyond: Annotated[
        int, typer.Option(min=0, help="For --rest: of measured or sample, those beyond.")
    ] = 0,
    as_json: JsonOption = False,
) -> None:
    """Give the verdict for these clampings, and why; or what a lot will ask of this rule file.

    Exit 0 with a grade, 1 without one (hold, nonconforming, or more clampings needed).
    """
    with reported():
        rules = _rules_of(load_rules(rules_file)[0], article)
    if not tir and not plan and not risk and rest is None:
        refuse("TIR: accepted are the clampings of a piece, or --plan, --risk or --rest")
    assessed = [_assessed(text, rules) for text in tir or []]
    answer = _answer(assessed, rules) if tir else {}
    if plan or risk:
        there = outlook.at_position(rules, position)
        said = (own_um, scatter_um, holder_um)
        spread = _spread(said, step_deg, store, (lot, bench), position)
        if plan:
            answer["plan"] = outlook.plan(there, spread, ordered, pass_one_percent)
        if risk:
            readings = [_reading_um(a, position) for a in assessed if a.tir_nm is not None]
            by_lot = risk_of(there, spread, expanded_um, shared_percent, readings)
            answer["risk"] = by_lot
    if rest is not None:
        taken = min(ordered, measured)
        answer["rest"] = outlook_of_rest(rules, rest, measured, beyond, taken)
    if as_json:
        typer.echo(json.dumps(answer, ensure_ascii=False))
    else:
        _print_all(answer)
    if tir and answer["grade"] is None:
        raise typer.Exit(ANSWER_IS_NO)


def _spread(
    said: tuple[float | None, float | None, float | None],
    step_deg: float,
    store: Path | None,
    of: tuple[str | None, str | None],
    position: str | None,
) -> LotSpread:
    """Return the spread of a lot on record, or the one of the options; never a mixture."""
    if store is None:
        if of != (None, None):
            refuse("--lot, --bench: accepted with --store, the record that has the lot")
        return given_spread(*said, step_deg)
    if said != (None, None, None):
        refuse(
            "--store: its lot says how it spreads; accepted without --own-um, --scatter-um,"
            " --holder-um"
        )
    with reported():
        return spread_of_lot(store, *of, position, step_deg)


def _print_all(answer: dict[str, Any]) -> None:
    if "grade" in answer:
        _print(answer)
    if "plan" in answer:
        for line in outlook.plan_text(answer["plan"]):
            typer.echo(line)
    if "risk" in answer:
        for line in risk_lines(answer["risk"]):
            typer.echo(line)
    if "rest" in answer:
        for line in rest_lines(answer["rest"]):
            typer.echo(line)


def _rules_of(book: RuleBook, article: str | None) -> RuleSet:
    if article is None and len(book.articles) > 1:
        refuse(f"--article: the rule file has several; accepted are {', '.join(book.articles)}")
    try:
        return book.first if article is None else book.of(article)
    except UnknownArticleError as error:
        refuse(f"--article: {error}")


def _reading_um(assessed: Assessed, position: str | None) -> float:
    at = dict(assessed.at)
    return nm_to_um(at.get(position or "", assessed.at_least_nm))


def _assessed(text: str, rules: RuleSet) -> Assessed:
    if text == "invalid":
        return Assessed("invalid", None)
    tirs: tuple[At, ...] = tuple(
        (position, _tir_nm(number, text)) for position, number in _numbers(text).items()
    )
    limited = rules.positions
    if limited and {position for position, _ in tirs} != set(limited):
        accepted = ",".join(f"{position}=TIR" for position in limited)
        refuse(f"{text!r}: accepted is a TIR at each position the file limits: {accepted}")
    return assess_tirs(tirs, rules)


def _numbers(text: str) -> dict[str, str]:
    """Return the numbers of one clamping: one, or one a position (``face=3.1,far=4.0``)."""
    if "=" not in text:
        return {"": text}
    found: dict[str, str] = {}
    for part in text.split(","):
        position, sign, number = (word.strip() for word in part.partition("="))
        if not sign or not position or position in found:
            refuse(f"{text!r}: accepted is a TIR for each position, once: face=3.1,far=4.0")
        found[position] = number
    return found


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
            rule.model_dump(exclude_defaults=True) for rule in decision_rules(rules)
        ],
        **({"article": rules.article} if rules.article else {}),
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
    found: dict[str, Any] = {
        "tir_um": None if tir is None else nm_to_um(tir),
        "result": assessed.result,
        "meets": list(assessed.meets),
    }
    if assessed.at:
        found["positions"] = {position: nm_to_um(nm) for position, nm in assessed.at}
    return found


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
        for line in _rule_text(rule):
            typer.echo(line)
    settled = answer["settled_by_clamping"]
    if settled is not None and settled < len(answer["clampings"]):
        typer.echo(
            f"  at the bench clamping {settled} would have settled it; the rest is extra"
        )


def _rule_text(rule: dict[str, Any]) -> list[str]:
    """Return the decision rule of a grade: a line, or one for each position."""
    lines = []
    for place in rule.get("positions", [rule]):
        where = f" at {place['position']}" if "position" in place else ""
        text = (
            f"  {rule['grade']}{where}: {place['rule']}, tolerance limit "
            f"{place['tolerance_limit_um']:g} µm, acceptance limit "
            f"{place['acceptance_limit_um']:g} µm"
        )
        if place.get("guard_is_uncertainty"):
            text += f" (guard band = U, k = {rule['coverage_factor']})"
        lines.append(text)
    return lines
