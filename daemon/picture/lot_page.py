"""A lot as a picture: its first clampings as columns, beside the limits and the fitted law."""

from collections.abc import Sequence
from itertools import pairwise
from math import ceil

from daemon.lot_report import LotReport, PositionReport
from daemon.picture.ink import AXIS, FAINT, GRID, INK, LIMIT, WITHIN
from daemon.picture.scale import Scale, nice_step
from daemon.picture.svg import Svg
from rules.scatter_model import rice_cdf

_WIDTH = 960.0
_LEFT, _RIGHT = 70.0, 930.0
_HEIGHT = 300.0
"""Of one position's columns."""

_HEAD, _BETWEEN = 70.0, 110.0
_COLUMNS = 26


def drawn_lot(report: LotReport) -> str:
    """Return the picture of a lot as an SVG file."""
    svg = Svg()
    lot = report.lot
    title = f"Lot {lot.code} ({lot.article}): first clampings"
    svg.text(_LEFT, 34, title, font_size=18, font_weight=600)
    y = _HEAD
    for one in report.positions:
        _draw(svg, report, one, y)
        y += _HEIGHT + _BETWEEN
    about = report.words.customer if report.words is not None else "Nothing is stated yet."
    return svg.document(_WIDTH, max(y, _HEAD + 40), title, about)


def _draw(svg: Svg, report: LotReport, one: PositionReport, top: float) -> None:
    most = max([*one.firsts_um, one.ordinary_um]) * 1.04
    step = nice_step(most / _COLUMNS)
    across = Scale(0.0, ceil(most / step) * step, _LEFT, _RIGHT)
    counts = columns(one.firsts_um, step, round(across.high / step))
    expected = _expected(one, step, len(counts))
    up = Scale(0.0, max([*counts, *expected, 1]) * 1.1, top + _HEIGHT, top)
    svg.text(_LEFT, top - 10, f"{one.position}: {len(one.firsts_um)} pieces", fill=FAINT)
    _axes(svg, across, up, top)
    for number, count in enumerate(counts):
        x, y = across(number * step), up(count)
        svg.rect(x + 1, y, step * across.per_unit - 2, up.start - y, fill=WITHIN)
    middles = [across((number + 0.5) * step) for number in range(len(counts))]
    svg.path(zip(middles, map(up, expected), strict=False), stroke=INK, stroke_width=1.6)
    for number, grade in enumerate(report.rules.grades):
        limit = grade.limit_at(one.position)
        _limit(svg, across, top, limit.acceptance_limit_nm / 1000, grade.id, number)
    if expected:
        said = "line: what the fitted spreads give" + (
            "" if one.is_described else "; they do not describe it"
        )
        svg.text(_RIGHT, up.start + 46, said, text_anchor="end", fill=FAINT, font_size=11)


def columns(values_um: Sequence[float], step_um: float, count: int) -> list[int]:
    """Return how many values lie in each column; one equal to an upper edge is below it."""
    found = [0] * count
    for value in values_um:
        found[min(count - 1, max(0, ceil(value / step_um - 1e-9) - 1))] += 1
    return found


def _expected(one: PositionReport, step: float, count: int) -> list[float]:
    """Return how many pieces the law of the first clampings gives each column."""
    if one.law is None:
        return []
    below = [
        rice_cdf(number * step / 2, one.holder_um, one.law.spread_um.value)
        for number in range(count + 1)
    ]
    return [(high - low) * len(one.firsts_um) for low, high in pairwise(below)]


def _axes(svg: Svg, across: Scale, up: Scale, top: float) -> None:
    for mark in up.marks(5):
        svg.line(across.start, up(mark), across.end, up(mark), stroke=GRID)
        svg.text(across.start - 8, up(mark) + 4, f"{mark:g}", text_anchor="end", fill=FAINT)
    for mark in across.marks(10):
        x = across(mark)
        svg.line(x, up.start, x, up.start + 5, stroke=AXIS)
        svg.text(x, up.start + 20, f"{mark:g}", text_anchor="middle", fill=FAINT)
    svg.line(across.start, up.start, across.end, up.start, stroke=AXIS)
    svg.text(across.start, up.start + 46, "TIR of the first clamping in µm", fill=FAINT)
    svg.text(across.start - 8, top - 10, "pieces", text_anchor="end", fill=FAINT, font_size=11)


def _limit(
    svg: Svg, across: Scale, top: float, limit_um: float, name: str, number: int
) -> None:
    x = across(limit_um)
    svg.line(x, top, x, top + _HEIGHT, stroke=LIMIT, stroke_width=1.6, stroke_dasharray="4 3")
    said = f"{name} accepts {limit_um:g}"
    svg.text(x - 6, top + 16 + 16 * number, said, text_anchor="end", fill=LIMIT, font_size=12)
