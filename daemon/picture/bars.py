"""The clampings of a piece side by side: a bar each, beside the limits."""

from collections.abc import Sequence
from dataclasses import dataclass

from daemon.picture import words
from daemon.picture.ink import AXIS, FAINT, GRID, LIMIT, of_result
from daemon.picture.scale import Scale
from daemon.picture.sheet import PieceSheet
from daemon.picture.svg import Svg, shortened, width_of
from daemon.store.stored import StoredClamping, StoredPosition
from rules.length import um_text
from rules.ruleset import Grade, Limit

BAR = 15
ROW = 24
_BESIDE = 236
"""Room for words to the right of the axis."""

_TOP = 54
"""Room above the bars for the names of the limits."""


@dataclass(frozen=True, slots=True)
class _Row:
    """One bar: a clamping, or one position of it; ``is_first`` of its clamping."""

    cycle: int
    clamping: StoredClamping
    place: StoredPosition | None
    is_first: bool

    @property
    def tir_nm(self) -> int | None:
        return self.clamping.tir_nm if self.place is None else self.place.tir_nm

    @property
    def value_nm(self) -> int:
        """Return the TIR, or the run-out that was there at least."""
        of = self.clamping if self.place is None else self.place
        return of.tir_nm if of.tir_nm is not None else of.seen_nm or 0


def height(sheet: PieceSheet) -> float:
    """Return how high the bars of a piece are together, axis included."""
    return _TOP + ROW * len(_rows(sheet)) + 34


def draw(svg: Svg, sheet: PieceSheet, left: float, right: float, top: float) -> None:
    """Draw the bars of every clamping below ``top``, limits across them."""
    rows = _rows(sheet)
    start = left + 20 + max((width_of(_name(sheet, row), 11) for row in rows), default=98)
    scale = Scale(0, _most_nm(sheet) / 1000, start, right - _BESIDE - 14)
    bottom = top + _TOP + ROW * len(rows)
    for mark in scale.marks(7):
        x = scale(mark)
        svg.line(x, top + _TOP - 4, x, bottom, stroke=GRID)
        svg.text(x, bottom + 16, f"{mark:g}", text_anchor="middle", fill=FAINT, font_size=11)
    svg.text(scale.end + 14, bottom + 16, "TIR in µm", fill=FAINT, font_size=11)
    svg.line(start, bottom, scale.end, bottom, stroke=AXIS)
    for number, row in enumerate(rows):
        _bar(svg, row, scale, top + _TOP + ROW * number + 2)
    _limits(svg, sheet, scale, top, bottom)
    for number, row in enumerate(rows):
        y = top + _TOP + ROW * number
        svg.text(start - 10, y + 13, _name(sheet, row), text_anchor="end")
        _value(svg, row, scale, y + 2)
    svg.line(start, top + _TOP - 4, start, bottom, stroke=AXIS)


def _rows(sheet: PieceSheet) -> list[_Row]:
    """Return the bars: one a clamping, or one for each of its positions."""
    rows = []
    for cycle in sheet.cycles:
        for clamping in cycle.clampings:
            places = clamping.positions if len(clamping.positions) > 1 else [None]
            rows += [
                _Row(cycle.number, clamping, place, number == 0)
                for number, place in enumerate(places)
            ]
    return rows


def _name(sheet: PieceSheet, row: _Row) -> str:
    name = f"clamping {row.clamping.number}"
    if len(sheet.cycles) > 1:
        name = f"cycle {row.cycle}, {name}"
    return name if row.place is None else f"{name}, {row.place.position}"


def _bar(svg: Svg, row: _Row, scale: Scale, y: float) -> None:
    ink, wide = of_result(row.clamping), scale(row.value_nm / 1000) - scale.start
    if row.tir_nm is not None:
        svg.rect(scale.start, y, wide, BAR, fill=ink)
    elif row.value_nm:
        svg.rect(scale.start, y, wide, BAR, fill="url(#hatch)")
        svg.rect(scale.start, y, wide, BAR, fill="none", stroke=ink)


def _value(svg: Svg, row: _Row, scale: Scale, y: float) -> None:
    text = ""
    if row.tir_nm is not None:
        text = f"{um_text(row.tir_nm)} µm"
    elif row.value_nm:
        text = words.at_least(row.value_nm)
    _beside(svg, text, scale(row.value_nm / 1000), scale, y)
    if row.is_first:
        said = shortened(words.outcome(row.clamping), 13, _BESIDE)
        svg.text(scale.end + 14, y + 12, said, fill=of_result(row.clamping))


def _beside(svg: Svg, text: str, end: float, scale: Scale, y: float) -> None:
    """Write a value after its bar, or into its end where there is no room behind."""
    if not text:
        return
    look: dict[str, object] = {"font_weight": 600}
    if end + 6 + width_of(text, 13) > scale.end:
        svg.text(end - 6, y + 12, text, text_anchor="end", fill="#ffffff", **look)
    else:
        plate = width_of(text, 13) + 4
        svg.rect(end + 3, y, plate, BAR, fill="#ffffff", fill_opacity=0.85)
        svg.text(end + 6, y + 12, text, **look)


def _limits(svg: Svg, sheet: PieceSheet, scale: Scale, top: float, bottom: float) -> None:
    """Draw each grade's limits; names that would touch stand on lines of their own."""
    grades = sheet.rules.grades if sheet.rules is not None else ()
    limits = [(grade, limit) for grade in grades for limit in grade.limits]
    taken = [-1000.0, -1000.0, -1000.0]
    above = top + _TOP - 11
    beyond = [one for one in limits if one[1].acceptance_limit_nm > scale.high * 1000]
    if beyond:
        said = shortened(f"further right: {_accepted(beyond)}", 11, _BESIDE)
        svg.text(scale.end + 14, above, said, font_size=11, fill=LIMIT)
    for grade, limit in (one for one in limits if one not in beyond):
        _limit_lines(svg, sheet, limit, scale, top + _TOP, bottom)
        name = _accepts(grade, limit)
        if limit.guard_band_nm:
            name += f" (limit {um_text(limit.tolerance_limit_nm)})"
        name = shortened(name, 11, (scale.end - scale.start) / 2)
        half = width_of(name, 11) / 2
        middle = scale(limit.acceptance_limit_nm / 1000)
        middle = min(max(middle, scale.start - 100 + half), scale.end - half)
        line = next((n for n in (0, 1, 2) if middle - half > taken[n] + 8), None)
        if line is not None:  # its line across the bars is there all the same
            taken[line] = middle + half
            svg.text(
                middle, above - 14 * line, name, text_anchor="middle", font_size=11, fill=LIMIT
            )  # fmt: skip


def _accepted(limits: Sequence[tuple[Grade, Limit]]) -> str:
    """Return in few words what grades accept, each named once."""
    found: dict[str, list[str]] = {}
    for grade, limit in limits:
        value = f"{limit.position} {um_text(limit.acceptance_limit_nm)}".strip()
        found.setdefault(grade.id, []).append(value)
    return ", ".join(f"{name} accepts {', '.join(said)}" for name, said in found.items())


def _accepts(grade: Grade, limit: Limit) -> str:
    where = f" {limit.position}" if limit.position else ""
    return f"{grade.id}{where} accepts {um_text(limit.acceptance_limit_nm)}"


def _limit_lines(
    svg: Svg, sheet: PieceSheet, limit: Limit, scale: Scale, top: float, bottom: float
) -> None:
    """Draw a limit across the bars it holds for: all of them, or those of its position."""
    lines: list[tuple[int, str | None]] = [(limit.acceptance_limit_nm, None)]
    if limit.guard_band_nm:
        lines.append((limit.tolerance_limit_nm, "4 3"))
    spans = [(top - 6, bottom)]
    if limit.position:
        spans = [
            (top + ROW * number - 2, top + ROW * number + ROW - 3)
            for number, row in enumerate(_rows(sheet))
            if row.place is None or row.place.position == limit.position
        ]
    for limit_nm, dash in lines:
        x = scale(limit_nm / 1000)
        if x <= scale.end:
            for high, low in spans:
                svg.line(x, high, x, low, stroke="#ffffff", stroke_width=4)
                svg.line(x, high, x, low, stroke=LIMIT, stroke_width=1.6, stroke_dasharray=dash)


def _most_nm(sheet: PieceSheet) -> int:
    """Return the end of the axis: what was measured, and the limits that it is near to."""
    most = max((row.value_nm for row in _rows(sheet)), default=0)
    if sheet.rules is not None:
        grades = sheet.rules.grades
        widest = [max(limit.tolerance_limit_nm for limit in grade.limits) for grade in grades]
        reached = next((limit_nm for limit_nm in widest if limit_nm >= most), widest[-1])
        most = max(most, reached, widest[0])
    return most * 108 // 100 or 1000
