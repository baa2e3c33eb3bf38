"""A picture as a file: SVG as it is, PNG by a renderer that is installed on demand."""

from pathlib import Path

from daemon.errors import PictureError

__all__ = ["SUFFIXES", "write_picture"]

SUFFIXES = (".svg", ".png")

_PNG_ZOOM = 2
"""Pixels for each of the drawing's: sharp on a screen, and on paper."""

_FONT_PROBE = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="40" height="20"><rect width="40"'
    ' height="20" fill="#fff"/>{}</svg>'
)
_LETTERS = '<text x="2" y="16" font-family="sans-serif" font-size="16">Mm</text>'


def write_picture(svg: str, path: Path) -> None:
    """Write a drawing; the file's suffix says as what.

    Raises:
        PictureError: If it can't be written, or PNG is asked for and nothing renders it.
    """
    data = svg.encode("utf-8") if path.suffix.lower() == ".svg" else _png(svg, path)
    try:
        path.write_bytes(data)
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        raise PictureError(f"{path}: {why}; accepted is a file that can be written") from error


def _png(svg: str, path: Path) -> bytes:
    try:
        import resvg_py
    except ImportError as error:
        text = (
            f"{path}: PNG needs a renderer: install it with pip install 'reclamp[plot]', or"
            f" write {path.with_suffix('.svg')}, which needs nothing"
        )
        raise PictureError(text) from error

    def rendered(text: str, zoom: int) -> bytes:
        return bytes(resvg_py.svg_to_bytes(svg_string=text, zoom=zoom))

    if rendered(_FONT_PROBE.format(_LETTERS), 1) == rendered(_FONT_PROBE.format(""), 1):
        raise PictureError(
            f"{path}: this machine has no font to write with: install one, such as"
            f" fonts-dejavu-core, or write {path.with_suffix('.svg')}"
        )
    return rendered(svg, _PNG_ZOOM)
