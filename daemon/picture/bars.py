"""The clampings of a piece side by side: a bar each, beside the limits."""

from daemon.picture import words
from daemon.picture.ink import AXIS, FAINT, GRID, LIMIT, of_result
from daemon.picture.scale import Scale
from daemon.picture.sheet import PieceSheet
from daemon.picture.svg import Svg, shortened, width_of
from daemon.store.stored import StoredClamping
from rules.length import um_text
from rules.ruleset import Grade

BAR = 15
ROW = 24
_BESIDE = 236
"""Room for words to the right of the axis."""

_TOP = 54
"""Room above the bars for the names of the limits."""


def height(sheet: PieceSheet) -> float:
    """Return how high the bars of a piece are together, axis included."""
    return _TOP + ROW * _count(sheet) + 34


def draw(svg: Svg, sheet: PieceSheet, left: float, right: float, top: float) -> None:
    """Draw the bars of every clamping below ``top``, limits across them."""
    start = left + (118 if len(sheet.cycles) == 1 else 156)
    scale = Scale(0, _most_nm(sheet) / 1000, start, right - _BESIDE - 14)
    bottom = top + _TOP + ROW * _count(sheet)
    for mark in scale.marks(7):
        x = scale(mark)
        svg.line(x, top + _TOP - 4, x, bottom, stroke=GRID)
        svg.text(x, bottom + 16, f"{mark:g}", text_anchor="middle", fill=FAINT, font_size=11)
    svg.text(scale.end + 14, bottom + 16, "TIR in µm", fill=FAINT, font_size=11)
    svg.line(start, bottom, scale.end, bottom, stroke=AXIS)
    clampings = [(cycle, c) for cycle in sheet.cycles for c in cycle.clampings]
    for number, (_, clamping) in enumerate(clampings):
        _bar(svg, clamping, scale, top + _TOP + ROW * number + 2)
    _limits(svg, sheet, scale, top, bottom)
    for number, (cycle, clamping) in enumerate(clampings):
        y = top + _TOP + ROW * number
        name = f"clamping {clamping.number}"
        if len(sheet.cycles) > 1:
            name = f"cycle {cycle.number}, {name}"
        svg.text(start - 10, y + 13, name, text_anchor="end")
        _value(svg, clamping, scale, y + 2)
    svg.line(start, top + _TOP - 4, start, bottom, stroke=AXIS)


def _count(sheet: PieceSheet) -> int:
    return sum(len(cycle.clampings) for cycle in sheet.cycles)


def _value_nm(clamping: StoredClamping) -> int:
    return clamping.tir_nm if clamping.tir_nm is not None else clamping.seen_nm or 0


def _bar(svg: Svg, clamping: StoredClamping, scale: Scale, y: float) -> None:
    ink, wide = of_result(clamping), scale(_value_nm(clamping) / 1000) - scale.start
    if clamping.tir_nm is not None:
        svg.rect(scale.start, y, wide, BAR, fill=ink)
    elif clamping.seen_nm:
        svg.rect(scale.start, y, wide, BAR, fill="url(#hatch)")
        svg.rect(scale.start, y, wide, BAR, fill="none", stroke=ink)


def _value(svg: Svg, clamping: StoredClamping, scale: Scale, y: float) -> None:
    text = ""
    if clamping.tir_nm is not None:
        text = f"{um_text(clamping.tir_nm)} µm"
    elif clamping.seen_nm:
        text = words.at_least(clamping.seen_nm)
    _beside(svg, text, scale(_value_nm(clamping) / 1000), scale, y)
    said = shortened(words.outcome(clamping), 13, _BESIDE)
    svg.text(scale.end + 14, y + 12, said, fill=of_result(clamping))


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
    taken = [-1000.0, -1000.0, -1000.0]
    above = top + _TOP - 11
    beyond = [g for g in grades if g.acceptance_limit_nm > scale.high * 1000]
    if beyond:
        names = ", ".join(f"{g.id} accepts {um_text(g.acceptance_limit_nm)}" for g in beyond)
        said = shortened(f"further right: {names}", 11, _BESIDE)
        svg.text(scale.end + 14, above, said, font_size=11, fill=LIMIT)
    for grade in (g for g in grades if g not in beyond):
        _limit_lines(svg, grade, scale, top + _TOP - 6, bottom)
        name = f"{grade.id} accepts {um_text(grade.acceptance_limit_nm)}"
        if grade.guard_band_nm:
            name += f" (limit {um_text(grade.tolerance_limit_nm)})"
        name = shortened(name, 11, (scale.end - scale.start) / 2)
        half = width_of(name, 11) / 2
        middle = scale(grade.acceptance_limit_nm / 1000)
        middle = min(max(middle, scale.start - 100 + half), scale.end - half)
        line = next((n for n in (0, 1, 2) if middle - half > taken[n] + 8), None)
        if line is not None:  # its line across the bars is there all the same
            taken[line] = middle + half
            svg.text(
                middle, above - 14 * line, name, text_anchor="middle", font_size=11, fill=LIMIT
            )  # fmt: skip


def _limit_lines(svg: Svg, grade: Grade, scale: Scale, top: float, bottom: float) -> None:
    lines: list[tuple[int, str | None]] = [(grade.acceptance_limit_nm, None)]
    if grade.guard_band_nm:
        lines.append((grade.tolerance_limit_nm, "4 3"))
    for limit_nm, dash in lines:
        x = scale(limit_nm / 1000)
        if x <= scale.end:
            svg.line(x, top, x, bottom, stroke="#ffffff", stroke_width=4)
            svg.line(x, top, x, bottom, stroke=LIMIT, stroke_width=1.6, stroke_dasharray=dash)


def _most_nm(sheet: PieceSheet) -> int:
    """Return the end of the axis: what was measured, and the limits that it is near to."""
    seen = [c.tir_nm or c.seen_nm or 0 for cycle in sheet.cycles for c in cycle.clampings]
    most = max(seen, default=0)
    if sheet.rules is not None:
        grades = sheet.rules.grades
        reached = [g for g in grades if g.tolerance_limit_nm >= most][:1] or [grades[-1]]
        most = max(most, reached[0].tolerance_limit_nm, grades[0].tolerance_limit_nm)
    return most * 108 // 100 or 1000
