"""Recorded random draws of tray cells: the same seed gives the same order for ever.

A draw has to stand in court: whoever holds the recorded seed must get the same cells in any
year, from any program. So the algorithm is written down here and depends on no library's
generator. It is the Fisher-Yates shuffle (Durstenfeld, CACM 7, 1964, algorithm 235; from
memory) fed by SHA-256 (FIPS 180-4) in counter mode:

1. Block number i = 0, 1, 2 … is SHA-256 of the UTF-8 text ``reclamp-draw-1/SEED/i``, read
   as one whole number of 256 bits, first byte highest.
2. A number below k is a block modulo k. A block at or above the largest multiple of k that
   256 bits hold is passed over, so that no cell is favoured.
3. The cells stand in the order they are given. For place = n − 1 down to 1: take a number j
   below place + 1, exchange cells ``place`` and ``j``.

The first cells of the result are the draw; a sample is the first n of them.
"""

from collections.abc import Collection, Iterator, Sequence
from hashlib import sha256

ALGORITHM = "reclamp-draw-1"
"""Stands in every record of a draw; another algorithm gets another name."""

_SPAN = 2**256


class DrawError(ValueError):
    """A draw that can't be made; the message says why and what is accepted."""


def draw_order(seed: str, cells: Sequence[int]) -> tuple[int, ...]:
    """Return all cells in the drawn order.

    Args:
        seed: Recorded with the draw before its first cell is touched; not empty.
        cells: Numbers of the tray cells that hold a piece, each once.

    Raises:
        DrawError: If the seed is empty or a cell is named twice.
    """
    if not seed:
        raise DrawError("the seed of a draw is empty: accepted is any text, recorded with it")
    if len(set(cells)) != len(cells):
        twice = sorted({cell for cell in cells if cells.count(cell) > 1})
        raise DrawError(f"cells named twice: {twice}; accepted is each cell once")
    order = list(cells)
    blocks = _blocks(seed)
    for place in range(len(order) - 1, 0, -1):
        other = _number_below(place + 1, blocks)
        order[place], order[other] = order[other], order[place]
    return tuple(order)


def draw_sample(seed: str, cells: Sequence[int], size: int) -> tuple[int, ...]:
    """Return ``size`` cells drawn without replacement, in the order to measure them.

    Raises:
        DrawError: If there are fewer cells than that, or as `draw_order` does.
    """
    if not 0 <= size <= len(cells):
        raise DrawError(f"sample of {size} from {len(cells)} cells: accepted is 0 … all")
    return draw_order(seed, cells)[:size]


def next_cell(order: Sequence[int], done: Collection[int]) -> int | None:
    """Return the next cell to measure: the first of the order that is not done; None at end.

    Args:
        order: The drawn order, or the drawn sample.
        done: Cells whose piece was measured, set aside or found missing. A cell passed
            over for any other reason would unmake the draw.
    """
    finished = frozenset(done)
    return next((cell for cell in order if cell not in finished), None)


def _blocks(seed: str) -> Iterator[int]:
    number = 0
    while True:
        digest = sha256(f"{ALGORITHM}/{seed}/{number}".encode()).digest()
        yield int.from_bytes(digest, "big")
        number += 1


def _number_below(limit: int, blocks: Iterator[int]) -> int:
    usable = _SPAN - _SPAN % limit
    return next(block for block in blocks if block < usable) % limit
