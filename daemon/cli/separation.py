"""``reclamp lot separation``: whose run-out is it, from the record of a lot."""

import json
from math import sqrt
from typing import Annotated, Any

import typer

from daemon.cli.answers import ANSWER_IS_NO, reported
from daemon.cli.asking import DEFAULT_FILE, AsJson, BenchFile, BenchName
from daemon.cli.stored import LotCode, StoreFile, one_lot, store_path
from daemon.separation import STEPS, HolderPoint, LotSeparation, SeparatedPiece, separate_lot
from daemon.store.read_only import reading_only
from daemon.store.stored import StoredLot
from rules.holder_series import WHAT_TO_DO
from rules.likeness import READ_AGAIN_NM, false_call_rate
from rules.noise_bias import expected_excess_nm
from rules.separation import CONFOUNDED, Scatter, inseparable_harmonics

__all__ = ["lot_separation"]

_HIGHEST_HARMONIC = 9
_OWN_RUN_OUTS_UM = (0.0, 0.5, 1.0, 2.0, 4.0)


def lot_separation(
    config: BenchFile = DEFAULT_FILE,
    store: StoreFile = None,
    lot: LotCode = None,
    bench: BenchName = None,
    restart: Annotated[
        list[int] | None,
        typer.Option(help="Piece before which the holder left the spindle unkeyed."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Tell the collets' own run-out from the holder's and from scatter, for a whole lot.

    Needs an index or an encoder. Exit 0 with figures, 1 without.
    """
    with reported(), reading_only(store_path(config, store)) as db:
        found = one_lot(db, lot, bench)
        positions = separate_lot(db, found, restart or ())
    answer = [_as_json(one) for one in positions]
    if as_json:
        head = {"bench": found.bench, "lot": found.code, "article": found.article}
        typer.echo(json.dumps({**head, "positions": answer}, ensure_ascii=False))
    else:
        for one in positions:
            _print(found, one)
    if not any(one.firsts for one in positions):
        if not as_json and not positions:
            typer.echo(f"lot {found.code} has no clamping yet", err=True)
        raise typer.Exit(ANSWER_IS_NO)


def _alarms(one: LotSeparation) -> list[str]:
    alarms = []
    if one.is_holder_beyond:
        alarms.append(f"the holder's share is above its limit: {WHAT_TO_DO}")
    if one.is_backwards:
        alarms.append(one.rotation.wrong_way)
    return alarms


def _as_json(one: LotSeparation) -> dict[str, Any]:
    scatter = one.scatter()
    return {
        "position": one.position,
        "first_clampings": len(one.firsts),
        "clampings_without_vector": dict(one.without),
        "holder_limit_um": None if one.limit_nm is None else one.limit_nm / 1000,
        "holder": [_point(point) for point in one.series],
        "scatter": None if scatter is None else _scatter(scatter),
        "collets": [_collet(piece, scatter) for piece in one.pieces],
        "pin_moves": sorted(one.pin_moves),
        "confounds": [CONFOUNDED[how] for how in sorted(one.pin_moves)],
        "noise": _noise(one),
        "alike_by_chance": _alike(one),
        "inseparable_harmonics": inseparable_harmonics(STEPS, _HIGHEST_HARMONIC),
        "alarms": _alarms(one),
    }


def _noise(one: LotSeparation) -> dict[str, float] | None:
    """Return what max − min makes of noise and step at the limit of the best grade."""
    reads = one.usual_reads()
    if reads is None:
        return None
    alone_nm = sqrt(max(0.0, reads.noise_nm**2 - reads.step_nm**2 / 12))  # less its rounding
    excess_nm = expected_excess_nm(
        reads.limit_nm, round(alone_nm), reads.step_nm, reads.samples, reads.turns
    )
    return {
        "per_reading_um": _um(alone_nm),
        "step_um": _um(reads.step_nm),
        "at_run_out_um": _um(reads.limit_nm),
        "reads_high_um": _um(excess_nm),
    }


def _alike(one: LotSeparation) -> list[dict[str, float]]:
    """Return how often two honest clampings read alike, by the collet's own run-out.

    ``share`` within a step: the alarm; ``asked_again`` so near that the second is asked for
    again, where the stylus lift alone shows its loosening.
    """
    scatter, reads = one.scatter(), one.usual_reads()
    if scatter is None or reads is None or not scatter.per_axis_nm:
        return []
    found = []
    for own_um in _OWN_RUN_OUTS_UM:
        share, again = (
            round(false_call_rate(own_um / 2, scatter.per_axis_nm / 1000, near_nm / 1000), 5)
            for near_nm in (reads.step_nm, READ_AGAIN_NM)
        )
        found.append({"own_run_out_um": own_um, "share": share, "asked_again": again})
    return found


def _um(value_nm: float) -> float:
    return round(value_nm / 1000, 3)


def _point(point: HolderPoint) -> dict[str, Any]:
    share = point.share
    return {
        "piece": point.piece,
        "run_out_um": _um(share.run_out_nm),
        "uncertainty_um": _um(share.uncertainty_nm),
        "clampings": share.clampings,
    }


def _scatter(scatter: Scatter) -> dict[str, Any]:
    return {
        "per_axis_um": _um(scatter.per_axis_nm),
        "low_um": _um(scatter.low_nm),
        "high_um": _um(scatter.high_nm),
        "degrees_of_freedom": scatter.degrees_of_freedom,
    }


def _collet(piece: SeparatedPiece, scatter: Scatter | None) -> dict[str, Any]:
    found = piece.separated
    doubt = None if scatter is None else _um(_doubt_nm(piece, scatter))
    return {
        "piece": piece.piece,
        "cycle": piece.cycle,
        "clampings": found.clampings,
        "own_run_out_um": _um(found.collet_run_out_nm),
        "uncertainty_um": doubt,
    }


def _doubt_nm(piece: SeparatedPiece, scatter: Scatter) -> float:
    """Return about 95 % of what scatter does to a collet's own share of the TIR."""
    return 2 * 2 * scatter.per_axis_nm / sqrt(piece.separated.clampings)


def _print(lot: StoredLot, one: LotSeparation) -> None:
    typer.echo(f"lot {lot.code} ({lot.article}), bench {lot.bench}, position {one.position}")
    without = [("no vector", f"{n} clampings: {why}") for why, n in one.without.items()]
    if not one.firsts:
        for label, text in without:
            typer.echo(f"  {label:<10}{text}")
        return
    for label, text in (
        ("holder", _holder_line(one)),
        ("scatter", _scatter_line(one.scatter())),
        ("collets", f"{len(one.pieces)} of two or more clampings could be separated"),
        ("pin", _pin_line(one)),
        ("form", _form_line()),
        *_reading_lines(one),
        *without,
        *(("alarm", alarm) for alarm in _alarms(one)),
    ):
        typer.echo(f"  {label:<10}{text}")
    scatter = one.scatter()
    for piece in one.pieces:
        figures = _collet(piece, scatter)
        doubt = "" if scatter is None else f" ± {figures['uncertainty_um']:.1f}"
        typer.echo(
            f"  piece {piece.piece:>4}  own run-out {figures['own_run_out_um']:.1f}{doubt} µm"
            f"  ({figures['clampings']} clampings)"
        )


def _holder_line(one: LotSeparation) -> str:
    share = one.holder
    if share is None:
        return f"not known from {len(one.firsts)} first clampings"
    limit = "no limit set" if one.limit_nm is None else f"limit {_um(one.limit_nm):g} µm"
    return (
        f"{_um(share.run_out_nm):.1f} ± {_um(share.uncertainty_nm):.1f} µm TIR with spindle and"
        f" nut, from the last {share.clampings} of {len(one.firsts)} first clampings; {limit}"
    )


def _scatter_line(scatter: Scatter | None) -> str:
    if scatter is None:
        return "not known without pieces of three clampings"
    return (
        f"{_um(scatter.per_axis_nm):.2f} µm of eccentricity an axis, 95 % from"
        f" {_um(scatter.low_nm):.2f} to {_um(scatter.high_nm):.2f}"
        f" ({scatter.degrees_of_freedom} degrees of freedom)"
    )


def _pin_line(one: LotSeparation) -> str:
    if not one.pin_moves:
        return (
            "nobody said how it moves (lot open --pin-moves, or pin_moves in [bench.lot]): its"
            " own run-out counts too"
        )
    return "; ".join(f"moves {how}: {CONFOUNDED[how]}" for how in sorted(one.pin_moves))


def _reading_lines(one: LotSeparation) -> list[tuple[str, str]]:
    lines, noise, alike = [], _noise(one), _alike(one)
    if noise is not None:
        text = (
            f"{noise['per_reading_um']:.2f} µm a reading in steps of {noise['step_um']:g}: a"
            f" run-out of {noise['at_run_out_um']:g} µm reads {noise['reads_high_um']:.2f} high"
        )
        lines.append(("noise", text))
    if alike:
        text = ", ".join(f"{one['share']:.2%} at {one['own_run_out_um']:g}" for one in alike)
        lines.append(
            ("alike", f"by chance two clampings of a collet of own run-out: {text} µm")
        )
        text = ", ".join(
            f"{one['asked_again']:.2%} at {one['own_run_out_um']:g}" for one in alike
        )
        lines.append(("", f"of these taken again where only the stylus lift is seen: {text}"))
    return lines


def _form_line() -> str:
    named = ", ".join(map(str, inseparable_harmonics(STEPS, _HIGHEST_HARMONIC)))
    return f"{STEPS} steps can't tell the collet's harmonics {named}, … from the holder's"
