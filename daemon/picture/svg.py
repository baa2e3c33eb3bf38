"""Just enough SVG: shapes and text as they are drawn, in the order they are drawn."""

from collections.abc import Iterable
from html import escape

__all__ = ["Svg", "shortened", "width_of"]

FONT = "system-ui, 'DejaVu Sans', 'Liberation Sans', Arial, sans-serif"

_EM_WIDTH = 0.6
"""Mean width of a character in such fonts, in ems: enough to keep texts apart."""


def width_of(text: str, size: float) -> float:
    """Return about how wide a text will be, in pixels."""
    return len(text) * size * _EM_WIDTH


def shortened(text: str, size: float, width: float) -> str:
    """Return the text, its end left out openly where it is too long for its place."""
    most = max(1, int(width / (size * _EM_WIDTH)))
    return text if len(text) <= most else f"{text[: most - 1].rstrip()}…"


class Svg:
    """A drawing that grows; coordinates are pixels, y goes down."""

    def __init__(self) -> None:
        self._parts: list[str] = []

    def _add(self, tag: str, look: dict[str, object], inner: str | None = None) -> None:
        """Draw one element; ``_`` in a name stands for ``-``, None leaves it out."""
        words = " ".join(
            f'{name.replace("_", "-")}="{escape(_shown(value))}"'
            for name, value in look.items()
            if value is not None
        )
        body = "/>" if inner is None else f">{inner}</{tag}>"
        self._parts.append(f"<{tag} {words}{body}")

    def line(self, x1: float, y1: float, x2: float, y2: float, **look: object) -> None:
        """Draw a straight line."""
        self._add("line", {"x1": x1, "y1": y1, "x2": x2, "y2": y2, **look})

    def rect(self, x: float, y: float, width: float, height: float, **look: object) -> None:
        """Draw a rectangle."""
        size = {"width": max(0.0, width), "height": max(0.0, height)}
        self._add("rect", {"x": x, "y": y, **size, **look})

    def circle(self, x: float, y: float, radius: float, **look: object) -> None:
        """Draw a circle."""
        self._add("circle", {"cx": x, "cy": y, "r": max(0.0, radius), **look})

    def path(self, points: Iterable[tuple[float, float]], **look: object) -> None:
        """Draw straight lines from point to point, filled only if ``look`` says so."""
        words = [f"{_shown(x)} {_shown(y)}" for x, y in points]
        if words:
            self._add("path", {"d": "M" + "L".join(words), "fill": "none", **look})

    def text(self, x: float, y: float, text: str, **look: object) -> None:
        """Write one line of text; ``y`` is its base line."""
        self._add("text", {"x": x, "y": y, **look}, escape(text, quote=False))

    def document(self, width: float, height: float, title: str, about: str) -> str:
        """Return the whole file, on white paper, with the styles used by class."""
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{_shown(width)}"'
            f' height="{_shown(height)}" viewBox="0 0 {_shown(width)} {_shown(height)}"'
            f' role="img" font-family="{FONT}" font-size="13" fill="#1a1a1a">'
        )
        told = f"<title>{escape(title)}</title><desc>{escape(about)}</desc>"
        paper = '<rect width="100%" height="100%" fill="#ffffff"/>'
        return "\n".join([head, told, _HATCH, paper, *self._parts, "</svg>", ""])


_HATCH = (
    '<defs><pattern id="hatch" width="7" height="7" patternUnits="userSpaceOnUse"'
    ' patternTransform="rotate(45)"><line x1="0" y1="0" x2="0" y2="7" stroke="#c9c9c9"'
    ' stroke-width="1.6"/></pattern></defs>'
)


def _shown(value: object) -> str:
    """Return a number with two decimals at most: what no eye can tell apart is left out."""
    if isinstance(value, float):
        return f"{value:.2f}".rstrip("0").rstrip(".")
    return str(value)
