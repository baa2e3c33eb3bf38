"""A bench's master checks over time: readings in their limits, zero drift, holder's share."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from daemon.picture.ink import AXIS, BAND, BEYOND, FAINT, GRID, LIMIT, WITHIN
from daemon.picture.scale import Scale
from daemon.picture.svg import Svg

__all__ = ["CheckPanel", "CheckPoint", "CheckSheet", "drawn_checks"]

_WIDTH, _LEFT, _RIGHT = 1000.0, 76.0, 968.0
_HEIGHT, _HEAD, _BETWEEN = 150.0, 84.0, 52.0


@dataclass(frozen=True, slots=True)
class CheckPoint:
    """One value of a panel.

    Attributes:
        at: When, UTC.
        um: The value in micrometres.
        result: Of the check; "" for what is no check.
        half_um: How far it is uncertain, either way.
    """

    at: datetime
    um: float
    result: str = ""
    half_um: float = 0.0


@dataclass(frozen=True, slots=True)
class CheckPanel:
    """One thing over time, with what is allowed of it: ``low_um`` to ``high_um``."""

    title: str
    points: tuple[CheckPoint, ...]
    low_um: float | None = None
    high_um: float | None = None


@dataclass(frozen=True, slots=True)
class CheckSheet:
    """What is drawn: panels over one time axis."""

    bench: str
    panels: tuple[CheckPanel, ...]
    zone: str


def drawn_checks(sheet: CheckSheet) -> str:
    """Return the picture of a bench's checks as an SVG file."""
    svg = Svg()
    title = f"Bench {sheet.bench}: master checks and the holder's share"
    svg.text(32, 36, title, font_size=20, font_weight=700)
    svg.text(
        32, 58, f"● good   ✕ failed   – share and its 95 %; times in {sheet.zone}", fill=FAINT
    )
    times = [point.at.timestamp() for panel in sheet.panels for point in panel.points]
    if not times:
        svg.text(32, _HEAD + 20, "No check is on record.")
        return svg.document(_WIDTH, _HEAD + 50, title, "No check is on record.")
    first, last = min(times), max(times)
    margin = (last - first) * 0.02 or 60.0
    across = Scale(first - margin, last + margin, _LEFT, _RIGHT)
    top = _HEAD
    for panel in sheet.panels:
        _panel(svg, panel, across, top + 22)
        top += _HEIGHT + _BETWEEN
    _times(svg, across, sheet, top - _BETWEEN + 22 + 20)
    about = "; ".join(_said(sheet.panels))
    return svg.document(_WIDTH, top + 10, title, about)


def _said(panels: Sequence[CheckPanel]) -> Iterator[str]:
    for panel in panels:
        failed = sum(point.result == "failed" for point in panel.points)
        yield f"{panel.title}: {len(panel.points)} values" + (
            f", {failed} failed" if failed else ""
        )


def _panel(svg: Svg, panel: CheckPanel, across: Scale, top: float) -> None:
    bottom = top + _HEIGHT
    up = _upwards(panel, bottom, top)
    svg.text(_LEFT, top - 8, panel.title, font_weight=600)
    if panel.high_um is not None:
        low = up.low if panel.low_um is None else panel.low_um
        y = up(panel.high_um)
        svg.rect(_LEFT, y, _RIGHT - _LEFT, up(low) - y, fill=BAND)
        for limit in (panel.low_um, panel.high_um):
            if limit is not None:
                svg.line(_LEFT, up(limit), _RIGHT, up(limit), stroke=LIMIT)
                svg.text(
                    _RIGHT, up(limit) - 4, f"{limit:g}", fill=LIMIT, font_size=11,
                    text_anchor="end",
                )  # fmt: skip
    for mark in up.marks(4):
        svg.line(_LEFT, up(mark), _RIGHT, up(mark), stroke=GRID)
        svg.text(_LEFT - 8, up(mark) + 4, f"{mark:g}", text_anchor="end", fill=FAINT)
    svg.line(_LEFT, bottom, _RIGHT, bottom, stroke=AXIS)
    if not panel.points:
        svg.text(_LEFT + 10, top + 30, "nothing on record", fill=FAINT)
    shares = [point for point in panel.points if not point.result]
    svg.path([(across(p.at.timestamp()), up(p.um)) for p in shares], stroke=WITHIN)
    for point in panel.points:
        _point(svg, point, across(point.at.timestamp()), up)


def _upwards(panel: CheckPanel, bottom: float, top: float) -> Scale:
    values = [v for p in panel.points for v in (_least(p), p.um + p.half_um)]
    values += [limit for limit in (panel.low_um, panel.high_um) if limit is not None]
    low, high = min([*values, 0.0]), max([*values, 0.0])
    room = 0.12 * ((high - low) or 1.0)
    return Scale(low - (room if low < 0 else 0.0), high + room, bottom, top)


def _least(point: CheckPoint) -> float:
    """Return the lower end of a value's uncertainty; a share is never below 0."""
    return max(0.0, point.um - point.half_um) if point.half_um else point.um


def _point(svg: Svg, point: CheckPoint, x: float, up: Scale) -> None:
    y = up(point.um)
    if point.half_um:
        low, high = up(_least(point)), up(point.um + point.half_um)
        svg.line(x, low, x, high, stroke=WITHIN)
    if point.result == "failed":
        for slope in (-5.0, 5.0):
            svg.line(x - 5, y - slope, x + 5, y + slope, stroke=BEYOND, stroke_width=2.5)
        return
    svg.circle(x, y, 4 if point.result else 2.5, fill=WITHIN)


def _times(svg: Svg, across: Scale, sheet: CheckSheet, y: float) -> None:
    zone = next(p.at.tzinfo for panel in sheet.panels for p in panel.points)
    span_s = across.high - across.low
    for number in range(7):
        at = datetime.fromtimestamp(across.low + span_s * (number + 0.5) / 7, zone)
        x = across(at.timestamp())
        svg.line(x, y - 20, x, y - 15, stroke=AXIS)
        told = at.strftime("%H:%M" if span_s > 600 else "%H:%M:%S")
        svg.text(x, y, told, text_anchor="middle", fill=FAINT)
        if span_s > 86_400:
            svg.text(x, y + 16, at.strftime("%Y-%m-%d"), text_anchor="middle", fill=FAINT)
