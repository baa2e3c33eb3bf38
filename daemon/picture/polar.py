"""A sweep round the spindle: the indication as a radius, so large that it can be seen."""

from collections.abc import Iterator
from dataclasses import dataclass
from math import cos, pi, radians, sin

from daemon.picture import words
from daemon.picture.ink import AXIS, BAND, FAINT, GRID, LIMIT, of_trace
from daemon.picture.scale import nice_step
from daemon.picture.sheet import SweepTurn, Trace
from daemon.picture.svg import Svg
from rules.ruleset import Limit

RADIUS = 104
_MIDDLE = 0.58
"""Where 0 of the indication lies, as a share of the radius."""


@dataclass(frozen=True, slots=True)
class Dial:
    """Where a sweep is drawn round.

    Attributes:
        x: Middle, pixels.
        y: Middle.
        half_um: What lies at the outer edge; as much below 0 lies further in.
    """

    x: float
    y: float
    half_um: float

    def radius(self, value_um: float) -> float:
        """Return how far from the middle a value lies; what is beyond the edge, on it."""
        inner = min(_MIDDLE, 1 - _MIDDLE) / self.half_um
        return RADIUS * min(1.0, max(0.02, _MIDDLE + value_um * inner))

    def point(self, turns: float, radius: float) -> tuple[float, float]:
        """Return a point; 0 is up, and the angle goes clockwise."""
        angle = 2 * pi * turns
        return self.x + radius * sin(angle), self.y - radius * cos(angle)


def draw(svg: Svg, trace: Trace, dial: Dial, best: Limit | None) -> None:
    """Draw the whole turns of a sweep round the spindle."""
    svg.circle(dial.x, dial.y, RADIUS, fill="#ffffff", stroke=GRID)
    turn = trace.counting
    if turn is not None and best is not None and trace.invalid is None:
        _band(svg, trace, turn, dial, best)
    if trace.angle is None or turn is None:
        text = "no whole turn" if trace.angle is not None else "no angle is known"
        svg.text(dial.x, dial.y + 4, text, text_anchor="middle", fill=FAINT, font_size=12)
        return
    _spokes(svg, dial)
    ink = of_trace(trace)
    for value_nm in (turn.high_nm, turn.low_nm):
        edge = dial.radius((value_nm - trace.middle_nm) / 1000)
        svg.circle(dial.x, dial.y, edge, fill="none", stroke=ink, stroke_opacity=0.45)
    for one in trace.turns:
        wide = 1.8 if one is turn else 0.9
        svg.path(
            _round(trace, one, dial), stroke=ink, stroke_width=wide, stroke_linejoin="round"
        )
    _high_spot(svg, trace, dial)
    _measure(svg, dial)


def _band(svg: Svg, trace: Trace, turn: SweepTurn, dial: Dial, best: Limit) -> None:
    middle = ((turn.high_nm + turn.low_nm) / 2 - trace.middle_nm) / 1000
    half = best.acceptance_limit_nm / 2000
    outer, inner = dial.radius(middle + half), dial.radius(middle - half)
    svg.circle(
        dial.x,
        dial.y,
        (outer + inner) / 2,
        fill="none",
        stroke=BAND,
        stroke_width=outer - inner,
    )
    dashes: list[tuple[float, str | None]] = [(half, None)]
    if best.guard_band_nm:
        dashes.append((best.tolerance_limit_nm / 2000, "4 3"))
    for limit, dash in dashes:
        if limit <= dial.half_um:
            for side in (-1, 1):
                edge = dial.radius(middle + side * limit)
                svg.circle(
                    dial.x, dial.y, edge, fill="none", stroke=LIMIT, stroke_dasharray=dash
                )


def _spokes(svg: Svg, dial: Dial) -> None:
    for degrees in (0, 90, 180, 270):
        x, y = dial.point(degrees / 360, RADIUS)
        svg.line(dial.x, dial.y, x, y, stroke=GRID)
        tx, ty = dial.point(degrees / 360, RADIUS + (22 if degrees % 180 == 0 else 17))
        anchor = {90: "start", 270: "end"}.get(degrees, "middle")
        svg.text(tx, ty + 4, f"{degrees}°", text_anchor=anchor, fill=FAINT, font_size=11)
    svg.circle(dial.x, dial.y, 1.6, fill=AXIS)


def _round(trace: Trace, turn: SweepTurn, dial: Dial) -> Iterator[tuple[float, float]]:
    """Return the points of one turn, and the reading after it: there it closes."""
    assert trace.angle is not None  # the caller asked
    where = trace.angle.angle or trace.angle.gone
    for gone, angle, value in zip(trace.along, where, trace.sweep.value_nm, strict=True):
        if gone >= turn.start - 1e-9:
            yield dial.point(angle, dial.radius((value - trace.middle_nm) / 1000))
        if gone >= turn.end:
            return


def _high_spot(svg: Svg, trace: Trace, dial: Dial) -> None:
    """Point at the high spot of the first harmonic, and write its figures below."""
    for number, text in enumerate(words.vector_lines(trace)):
        y = dial.y + RADIUS + 46 + 15 * number
        svg.text(dial.x, y, text, text_anchor="middle", font_size=11, fill=FAINT)
    if trace.vector is None:
        return
    turns = radians(trace.vector.whole.direction_deg) / (2 * pi)
    ink = of_trace(trace)
    tip = dial.point(turns, RADIUS + 3)
    sides = [dial.point(turns + off / 360, RADIUS + 12) for off in (-3.2, 3.2)]
    svg.path([tip, *sides, tip], stroke=ink, fill=ink)


def _measure(svg: Svg, dial: Dial) -> None:
    """Draw how long a round number of micrometres is along the radius."""
    length_um = nice_step(dial.half_um * 0.35)
    length = dial.radius(length_um) - dial.radius(0)
    x, y = dial.x + RADIUS - 30, dial.y + RADIUS + 6
    svg.line(x, y, x + length, y, stroke=FAINT, stroke_width=2)
    for end in (x, x + length):
        svg.line(end, y - 3, end, y + 3, stroke=FAINT)
    svg.text(x + length + 6, y + 4, f"{length_um:g} µm", fill=FAINT, font_size=11)
