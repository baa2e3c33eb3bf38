"""A sweep unrolled: the indication over the angle, turn after turn."""

from dataclasses import dataclass

from daemon.picture import words
from daemon.picture.ink import AXIS, BAND, FAINT, GRID, LIMIT, of_trace
from daemon.picture.scale import Scale
from daemon.picture.sheet import SweepTurn, Trace
from daemon.picture.svg import Svg, width_of
from rules.length import um_text
from rules.ruleset import Limit

HEIGHT = 208


@dataclass(frozen=True, slots=True)
class Frame:
    """Where a sweep is drawn, and what half the height of its scale is.

    Attributes:
        left: Left end of the axis, pixels.
        right: Its right end.
        top: Upper edge.
        half_um: What the scale reaches above and below 0.
        is_own: Whether the scale is this sweep's own, unlike its neighbours'.
    """

    left: float
    right: float
    top: float
    half_um: float
    is_own: bool = False

    @property
    def up(self) -> Scale:
        """Return the scale of the indication."""
        return Scale(-self.half_um, self.half_um, self.top + HEIGHT, self.top)


def draw(svg: Svg, trace: Trace, frame: Frame, best: Limit | None) -> None:
    """Draw one sweep; ``best``: the best grade's limit there, its band."""
    if not trace.sweep.at_ns:
        _nothing(svg, frame)
        return
    across, up = _across(trace, frame), frame.up
    is_invalid = trace.invalid is not None
    fill = "url(#hatch)" if is_invalid else "#ffffff"
    best = None if is_invalid else best
    svg.rect(frame.left, frame.top, frame.right - frame.left, HEIGHT, fill=fill)
    for turn in trace.turns:
        if best is not None:
            _band(svg, trace, turn, across, up, best)
    _grid(svg, trace, across, frame)
    for turn in trace.turns:
        if best is not None:
            _limits(svg, trace, turn, across, up, best)
        _extremes(svg, trace, turn, across, up)
    _readings(svg, trace, across, up)
    counting = trace.counting
    if counting is not None:
        _bracket(svg, trace, counting, across, frame)
    if is_invalid:
        _reason(svg, trace, frame)


def _nothing(svg: Svg, frame: Frame) -> None:
    svg.rect(frame.left, frame.top, frame.right - frame.left, HEIGHT, fill="url(#hatch)")
    svg.text(frame.left + 14, frame.top + 26, "no reading was taken", fill=FAINT)


def _across(trace: Trace, frame: Frame) -> Scale:
    """Return the scale of the angle in degrees, or of the time in seconds."""
    along = trace.along
    per = 360 if trace.angle is not None else 1
    low = min(along[0] * per, 0.0)
    high = max(along[-1] * per, low + (1 if per == 1 else 360))
    return Scale(low, high, frame.left, frame.right)


def _degrees(trace: Trace, along: float) -> float:
    return along * 360 if trace.angle is not None else along


def _band(
    svg: Svg, trace: Trace, turn: SweepTurn, across: Scale, up: Scale, best: Limit
) -> None:
    """Draw what the best grade accepts, about the middle of the turn that it judges."""
    x = across(_degrees(trace, turn.start))
    width = across(_degrees(trace, turn.end)) - x
    middle = ((turn.high_nm + turn.low_nm) / 2 - trace.middle_nm) / 1000
    half = best.acceptance_limit_nm / 2000
    high, low = up(min(middle + half, up.high)), up(max(middle - half, up.low))
    svg.rect(x, high, width, low - high, fill=BAND)


def _limits(
    svg: Svg, trace: Trace, turn: SweepTurn, across: Scale, up: Scale, best: Limit
) -> None:
    """Draw the edges of the band, and the tolerance limit where it is another."""
    x, end = (across(_degrees(trace, side)) for side in (turn.start, turn.end))
    middle = ((turn.high_nm + turn.low_nm) / 2 - trace.middle_nm) / 1000
    for limit_nm, dash in ((best.acceptance_limit_nm, None), (best.tolerance_limit_nm, "4 3")):
        if dash and not best.guard_band_nm:
            continue
        for side in (-1, 1):
            value = middle + side * limit_nm / 2000
            if up.low <= value <= up.high:
                y = up(value)
                svg.line(x, y, end, y, stroke=LIMIT, stroke_dasharray=dash)


def _grid(svg: Svg, trace: Trace, across: Scale, frame: Frame) -> None:
    up, bottom = frame.up, frame.top + HEIGHT
    for mark in up.marks(6):
        y = up(mark)
        svg.line(frame.left, y, frame.right, y, stroke=AXIS if abs(mark) < 1e-9 else GRID)
        text = f"{mark:+.3g}".replace("-", "−") if abs(mark) > 1e-9 else "0"
        svg.text(frame.left - 8, y + 4, text, text_anchor="end", fill=FAINT, font_size=11)
    marks = across.marks(8) if trace.angle is None else _right_angles(across)
    for mark in marks:
        x = across(mark)
        is_turn = trace.angle is not None and mark % 360 == 0
        svg.line(x, frame.top, x, bottom, stroke=AXIS if is_turn else GRID)
        svg.text(x, bottom + 16, f"{mark:g}", text_anchor="middle", fill=FAINT, font_size=11)
    svg.line(frame.left, frame.top, frame.left, bottom, stroke=AXIS)
    svg.line(frame.left, bottom, frame.right, bottom, stroke=AXIS)
    own = " (scale of its own)" if frame.is_own else ""
    zero = um_text(trace.middle_nm).replace("-", "−")
    svg.text(
        frame.left, frame.top - 8, f"µm; 0 lies at {zero} µm on the indicator{own}",
        fill=FAINT, font_size=11,
    )  # fmt: skip
    svg.text(
        frame.right, bottom + 32, words.axis(trace), text_anchor="end", fill=FAINT, font_size=11
    )  # fmt: skip


def _right_angles(across: Scale) -> list[float]:
    """Return every right angle within the scale."""
    first, last = round(across.low / 90 + 0.49), int(across.high // 90)
    return [90.0 * number for number in range(first, last + 1)]


def _extremes(svg: Svg, trace: Trace, turn: SweepTurn, across: Scale, up: Scale) -> None:
    x1, x2 = (across(_degrees(trace, end)) for end in (turn.start, turn.end))
    for value in (turn.high_nm, turn.low_nm):
        y = up((value - trace.middle_nm) / 1000)
        svg.line(x1, y, x2, y, stroke=of_trace(trace), stroke_opacity=0.45)


def _readings(svg: Svg, trace: Trace, across: Scale, up: Scale) -> None:
    """Draw every reading, and faintly those outside the turns that count."""
    ink = of_trace(trace)
    points = [
        (across(_degrees(trace, along)), up((value - trace.middle_nm) / 1000))
        for along, value in zip(trace.along, trace.sweep.value_nm, strict=True)
    ]
    svg.path(points, stroke=ink, stroke_width=1.3, stroke_linejoin="round")
    radius = 1.9 if len(points) < 250 else 1.2
    last = max((turn.end for turn in trace.turns), default=trace.along[-1])
    first = min((turn.start for turn in trace.turns), default=trace.along[0])
    for (x, y), along in zip(points, trace.along, strict=True):
        counts = first - 1e-9 <= along <= last + 1e-9
        svg.circle(x, y, radius, fill=ink if counts else "#ffffff", stroke=ink)


def _bracket(svg: Svg, trace: Trace, turn: SweepTurn, across: Scale, frame: Frame) -> None:
    """Measure, beside the plot, the turn with which the clamping counts."""
    ink, up = of_trace(trace), frame.up
    x = frame.right + 14
    high, low = (up((value - trace.middle_nm) / 1000) for value in (turn.high_nm, turn.low_nm))
    end = across(_degrees(trace, turn.end))
    for y in (high, low):
        svg.line(end, y, x, y, stroke=ink, stroke_opacity=0.45, stroke_dasharray="1 3")
        svg.line(x - 5, y, x + 5, y, stroke=ink, stroke_width=2)
    svg.line(x, high, x, low, stroke=ink, stroke_width=2)
    middle = (high + low) / 2
    text = f"{um_text(turn.tir_nm)} µm"
    svg.text(x + 9, middle + 3, text, fill=ink, font_weight=600)
    name = f"turn {trace.turns.index(turn) + 1}" if len(trace.turns) > 1 else ""
    name = "no TIR" if trace.invalid is not None else name
    svg.text(x + 9, middle + 18, name, fill=FAINT, font_size=11)


def _reason(svg: Svg, trace: Trace, frame: Frame) -> None:
    text = f"invalid: {trace.invalid}"
    wide = width_of(text, 13) + 20
    svg.rect(frame.left + 10, frame.top + 8, wide, 24, fill="#ffffff", stroke=AXIS, rx=3)
    svg.text(frame.left + 20, frame.top + 25, text, font_weight=600)
