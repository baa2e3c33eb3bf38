"""The page: head, bars, and a row for each sweep."""

from collections.abc import Sequence
from textwrap import wrap

from daemon.picture import bars, polar, unrolled, words
from daemon.picture.ink import FAINT, GRID
from daemon.picture.sheet import PieceSheet, Trace
from daemon.picture.svg import Svg, shortened, width_of
from rules.ruleset import Grade, Limit

WIDTH = 1200
_LEFT, _RIGHT = 32, WIDTH - 32
_PLOT_LEFT, _PLOT_RIGHT = 84, 784
_DIAL_X = 1032
_ROW = 362


def drawn(sheet: PieceSheet) -> str:
    """Return the picture of a piece as an SVG file."""
    svg = Svg()
    y = _head(svg, sheet)
    bars.draw(svg, sheet, _LEFT, _RIGHT, y)
    y += bars.height(sheet)
    best = sheet.rules.grades[0] if sheet.rules is not None else None
    if sheet.traces:
        svg.text(
            _LEFT,
            y + 22,
            shortened(words.limits(sheet), 12, _RIGHT - _LEFT),
            font_size=12,
            fill=FAINT,
        )
        y += 34
    half_um = _half_um(sheet.traces, best)
    shown = None
    last_of = {trace.clamping.id: trace for trace in sheet.traces}
    for trace in sheet.traces:
        if len(sheet.cycles) > 1 and trace.cycle is not shown:
            y = _cycle(svg, trace, y)
        shown = trace.cycle
        limit = None if best is None else best.limit_at(trace.place.position)
        y = _row(svg, trace, y, half_um, limit)
        if trace is last_of.get(trace.clamping.id):
            y = _pin(svg, sheet, trace, y)
    about = "; ".join(
        f"{words.cycle_name(cycle)}: {words.standing(cycle)}" for cycle in sheet.cycles
    )
    return svg.document(float(WIDTH), float(y + 12), words.title(sheet), about)


def _head(svg: Svg, sheet: PieceSheet) -> float:
    title = shortened(words.title(sheet), 27, _RIGHT - _LEFT)
    svg.text(_LEFT, 46, title, font_size=24, font_weight=700)
    y = 72.0
    lines = wrap(words.standing(sheet.cycles[-1]), 128)
    for line in [*lines, *wrap(sheet.fault, 128)]:
        svg.text(_LEFT, y, line, font_size=15)
        y += 20
    origin = shortened(words.provenance(sheet), 12, _RIGHT - _LEFT)
    svg.text(_LEFT, y + 2, origin, font_size=12, fill=FAINT)
    svg.line(_LEFT, y + 18, _RIGHT, y + 18, stroke=GRID)
    return y + 26


def _cycle(svg: Svg, trace: Trace, y: float) -> float:
    svg.line(_LEFT, y + 8, _RIGHT, y + 8, stroke=GRID)
    svg.text(
        _LEFT, y + 34, f"Cycle {trace.cycle.number}, {trace.cycle.kind}", font_size=18,
        font_weight=700,
    )  # fmt: skip
    y += 36
    for line in wrap(words.standing(trace.cycle), 140):
        y += 18
        svg.text(_LEFT, y, line)
    return y + 6


def _pin(svg: Svg, sheet: PieceSheet, trace: Trace, y: float) -> float:
    """Write how the pin leans, below the last position of its clamping."""
    found = sheet.axes.get(trace.clamping.id)
    if found is None:
        return y
    svg.text(_PLOT_LEFT, y + 14, words.pin_line(found), font_size=13, font_weight=600)
    return y + 26


def _row(svg: Svg, trace: Trace, y: float, common_um: float, limit: Limit | None) -> float:
    """Draw one sweep; return where the next begins."""
    heading = shortened(words.heading(trace), 18, 0.6 * WIDTH)
    svg.text(_LEFT, y + 30, heading, font_size=16, font_weight=700)
    x = max(_LEFT + 250, _LEFT + 20 + width_of(heading, 18))
    svg.text(x, y + 30, shortened(words.beside_heading(trace), 14, _RIGHT - x), font_size=14)
    for details in filter(None, (words.details(trace), words.beside(trace))):
        y += 18
        details = shortened(details, 12, _RIGHT - _LEFT)
        svg.text(_LEFT, y + 32, details, font_size=12, fill=FAINT)
    y -= 18
    for line in wrap(words.trouble(trace), 150):
        y += 18
        svg.text(_LEFT, y + 50, line, font_size=12)
    own_um = _reach_um(trace)
    is_own = own_um > common_um
    half_um = own_um if is_own else common_um
    top = y + 92.0
    frame = unrolled.Frame(_PLOT_LEFT, _PLOT_RIGHT, top, half_um, is_own)
    unrolled.draw(svg, trace, frame, limit)
    dial = polar.Dial(_DIAL_X, top + unrolled.HEIGHT / 2, half_um)
    polar.draw(svg, trace, dial, limit)
    return y + _ROW


def _half_um(traces: Sequence[Trace], best: Grade | None) -> float:
    """Return the scale all sweeps share: the valid ones and the band fit into it."""
    reach = [_reach_um(trace) for trace in traces if trace.invalid is None]
    if best is not None:
        widest_nm = max(limit.tolerance_limit_nm for limit in best.limits)
        reach.append(widest_nm / 2000 * 1.12)
    return max(reach, default=1.0)


def _reach_um(trace: Trace) -> float:
    """Return what a scale has to reach for every reading of a sweep to be seen."""
    middle = trace.middle_nm
    far = max((abs(value - middle) for value in trace.sweep.value_nm), default=0)
    return max(far / 1000 * 1.1, 0.5)
