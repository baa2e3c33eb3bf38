"""A plain plot of first clampings: a line a class, for a terminal or a report."""

from collections.abc import Sequence

from rules.capability import FirstClampings

BAR = 40
"""Characters of the longest bar."""

_STEPS = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)
"""Class widths in micrometres: what a person reads without reckoning."""

_CLASSES = 20
"""Most classes shown."""


def plot(
    tirs_um: Sequence[float], law: FirstClampings | None, limits_um: Sequence[float] = ()
) -> tuple[str, ...]:
    """Return the lines of a histogram, counts beside what the law expects.

    A class holds the run-outs above its lower end, up to and including its upper end, as a
    limit does; the first one holds zero too.

    Args:
        tirs_um: First clampings, micrometres, at least one.
        law: Their law; None draws the counts alone.
        limits_um: Shown as a line of their own at their place.
    """
    width, classes = _classes(max((*tirs_um, *limits_um)))
    counts = [0] * classes
    for tir in tirs_um:
        counts[_class_of(tir, width)] += 1
    most = max(counts)
    lines = []
    marks = sorted(limits_um)
    for number, count in enumerate(counts):
        low, high = number * width, (number + 1) * width
        bar = "█" * round(BAR * count / most)
        expected = f"  (law {_expected(law, low, high):.1f})" if law else ""
        lines.append(f"{low:6.1f} … {high:5.1f} µm │{bar} {count}{expected}")
        while marks and marks[0] <= high + 1e-9:
            lines.append(f"{'limit':>6} {marks.pop(0):8.1f} µm ┤" + "╌" * BAR)
    return tuple(lines)


def _classes(largest_um: float) -> tuple[float, int]:
    for width in _STEPS:
        count = _class_of(largest_um, width) + 1
        if count <= _CLASSES:
            return width, count
    width = largest_um / _CLASSES
    return width, _CLASSES


def _class_of(tir_um: float, width_um: float) -> int:
    """Return the class of a run-out; one at an upper end is in that class."""
    return max(0, -int(-(tir_um - 1e-9) // width_um) - 1)


def _expected(law: FirstClampings, low_um: float, high_um: float) -> float:
    share = law.share_beyond(high_um).value
    before = law.share_beyond(low_um).value if low_um > 0 else 1.0
    return law.pieces * (before - share)
