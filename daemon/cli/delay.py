"""``reclamp instrument delay``: how late an indicator speaks, from two recordings."""

import json
from pathlib import Path
from typing import Annotated, Any

import typer

from daemon.cli.answers import ANSWER_IS_NO, refuse, reported
from daemon.cli.asking import DEFAULT_FILE, AsJson, BenchFile, BenchName
from daemon.config import BenchConfig, Config, load
from daemon.recorded_turning import recorded_turning
from daemon.recording import read_recording
from rules.indicator_delay import Delay, DelayError, Turning, indicator_delay
from rules.sweep import Sweep, SweepRules
from rules.vectors import DIRECTED

__all__ = ["instrument_delay"]

_Recording = Annotated[
    Path, typer.Argument(help="Recording of the eccentric master, turning steadily.")
]


def instrument_delay(
    first: _Recording,
    second: Annotated[Path, typer.Argument(help="The same tightening at another speed.")],
    config: BenchFile = DEFAULT_FILE,
    bench: BenchName = None,
    indicator: Annotated[
        str | None, typer.Option(help="Which one, where the bench has several.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Tell how late an indicator speaks, from the eccentric master at two speeds.

    Record both with `reclamp listen --config BENCH.toml --record FILE`. Exit 0 with a delay,
    1 where none is beyond doubt.
    """
    with reported():
        loaded = load(config)
        one = _bench(loaded, bench)
        name = _indicator(one, indicator)
        sweeps = [_sweep(path, loaded, one, name) for path in (first, second)]
    rules = next(i.sweep for i in one.rules.capture.indicators if i.id == name)
    found = _found(sweeps, rules)
    if as_json:
        typer.echo(json.dumps(_as_json(name, found), ensure_ascii=False))
    else:
        _print(name, found)
    if not found.is_shown:
        raise typer.Exit(ANSWER_IS_NO)


def _bench(config: Config, wanted: str | None) -> BenchConfig:
    known = {one.id: one for one in config.benches}
    if wanted is None and len(known) == 1:
        return next(iter(known.values()))
    if wanted not in known:
        refuse(f"--bench {wanted or ''}: accepted is one of {', '.join(known)}")
    return known[wanted]


def _indicator(bench: BenchConfig, wanted: str | None) -> str:
    if bench.rules.capture.sweep.proof not in DIRECTED or bench.section.capture.mode != "sweep":
        refuse(
            f"bench {bench.id}: without an index or an encoder nothing marks the angle;"
            f" accepted is proof = {' or '.join(sorted(DIRECTED))}"
        )
    known = [one.id for one in bench.section.indicator]
    if wanted is None and len(known) == 1:
        return known[0]
    if wanted not in known:
        refuse(f"--indicator {wanted or ''}: accepted is one of {', '.join(known)}")
    return wanted


def _sweep(path: Path, config: Config, bench: BenchConfig, indicator: str) -> Sweep:
    return recorded_turning(read_recording(path), config, bench, indicator)


def _found(sweeps: list[Sweep], rules: SweepRules) -> Delay:
    try:
        return indicator_delay(sweeps[0], sweeps[1], rules)
    except DelayError as error:
        refuse(str(error))


def _seconds(value_ns: int) -> float:
    return round(value_ns / 1e9, 4)


def _as_json(indicator: str, found: Delay) -> dict[str, Any]:
    return {
        "indicator": indicator,
        "delay_s": _seconds(found.delay_ns),
        "uncertainty_s": _seconds(found.uncertainty_ns),
        "shown": found.is_shown,
        "flattened_percent": round(found.flattened_percent, 2),
        "slow": _speed(found.slow),
        "fast": _speed(found.fast),
    }


def _speed(one: Turning) -> dict[str, Any]:
    return {
        "turn_s": _seconds(one.turn_ns),
        "turns": one.turns,
        "eccentricity_um": round(one.eccentricity_nm / 1000, 3),
        "direction_deg": round(one.direction_udeg / 1e6, 2) % 360,
    }


def _print(indicator: str, found: Delay) -> None:
    delay_s, doubt_s = _seconds(found.delay_ns), _seconds(found.uncertainty_ns)
    for one in (found.slow, found.fast):
        said = _speed(one)
        typer.echo(
            f"  {one.turns} turns of {said['turn_s']:.2f} s: eccentricity"
            f" {said['eccentricity_um']:.2f} µm, high spot at {said['direction_deg']:.1f}°"
        )
    typer.echo(
        f"  the faster reads {found.flattened_percent:.1f} % smaller"
        if found.flattened_percent >= 0
        else f"  the faster reads {-found.flattened_percent:.1f} % larger"
    )
    if found.is_shown:
        typer.echo(
            f"{indicator} speaks {delay_s:.3f} ± {doubt_s:.3f} s late: delay_s = {delay_s:.3f}"
            " in its [[bench.indicator]]"
        )
    else:
        typer.echo(f"{indicator}: no delay beyond doubt, {delay_s:.3f} ± {doubt_s:.3f} s")
