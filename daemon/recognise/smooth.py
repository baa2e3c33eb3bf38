"""Whether numbers follow each other as readings of a moving stylus do."""

from collections.abc import Sequence
from itertools import pairwise

_MOST_STEP_SHARE = 0.25
"""Of the whole range; two numbers drawn by chance lie a third of it apart on average."""


def is_smooth(numbers: Sequence[int]) -> bool:
    """Return True if neighbours lie closer than chance would put them."""
    if len(numbers) < 3 or len(set(numbers)) < 3:
        return False
    steps = sum(abs(right - left) for left, right in pairwise(numbers))
    span = max(numbers) - min(numbers)
    return steps < _MOST_STEP_SHARE * span * (len(numbers) - 1)
