"""A PNG's pixels, so that a test can measure what Chromium really painted."""

import struct
import zlib
from itertools import pairwise

_CHANNELS = {2: 3, 6: 4}
"""Colour types of a screenshot: RGB and RGBA, eight bits each (PNG specification, 11.2.2)."""


def rows_of(png: bytes) -> list[list[tuple[int, int, int]]]:
    """Return the picture's rows of (red, green, blue)."""
    width, _, depth, colour = struct.unpack(">IIBB", png[16:26])
    assert depth == 8, "a screenshot has eight bits a channel"
    channels = _CHANNELS[colour]
    raw = zlib.decompress(b"".join(_chunks(png, b"IDAT")))
    stride = width * channels
    lines = [raw[at : at + stride + 1] for at in range(0, len(raw), stride + 1)]
    above = bytes(stride)
    rows = []
    for line in lines:
        above = _unfiltered(line[0], line[1:], above, channels)
        cells = zip(*(above[channel::channels] for channel in range(3)), strict=True)
        rows.append([(red, green, blue) for red, green, blue in cells])
    return rows


def _chunks(png: bytes, kind: bytes) -> list[bytes]:
    at, found = 8, []
    while at < len(png):
        (length,) = struct.unpack(">I", png[at : at + 4])
        if png[at + 4 : at + 8] == kind:
            found.append(png[at + 8 : at + 8 + length])
        at += 12 + length
    return found


def _unfiltered(kind: int, line: bytes, above: bytes, step: int) -> bytes:
    """Undo one row's filter (PNG specification, clause 9)."""
    out = bytearray(line)
    for i in range(len(out)):
        left = out[i - step] if i >= step else 0
        corner = above[i - step] if i >= step else 0
        guess = (0, left, above[i], (left + above[i]) // 2, _paeth(left, above[i], corner))
        out[i] = (out[i] + guess[kind]) & 0xFF
    return bytes(out)


def _paeth(left: int, up: int, corner: int) -> int:
    guess = left + up - corner
    return min((left, up, corner), key=lambda each: abs(guess - each))


def ink_height(png: bytes) -> int:
    """Return the height in pixels of the one thing painted on an even ground."""
    rows = rows_of(png)
    ground = rows[0][0]
    inked = [any(_differs(pixel, ground) for pixel in row) for row in rows]
    edges = [at for at, (before, after) in enumerate(pairwise(inked)) if before != after]
    assert len(edges) == 2, f"not one thing on an even ground: {edges}"
    return edges[1] - edges[0]


def _differs(pixel: tuple[int, int, int], ground: tuple[int, int, int]) -> bool:
    """Half of the way from ground to ink: where anti-aliasing puts the edge."""
    return max(abs(a - b) for a, b in zip(pixel, ground, strict=True)) > 110
