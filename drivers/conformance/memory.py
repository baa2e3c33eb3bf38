"""How many bytes of data an object holds, all that it refers to included."""

import gc
from types import CodeType, FunctionType, ModuleType


def held_bytes(root: object) -> int:
    """Return the bytes in all texts and byte strings reached from an object.

    A container counts eight bytes an entry, a number eight. Classes, functions and modules
    are no data.
    """
    seen: set[int] = set()
    waiting = [root]
    total = 0
    while waiting:
        item = waiting.pop()
        if id(item) in seen or isinstance(item, type | FunctionType | ModuleType | CodeType):
            continue
        seen.add(id(item))
        total += _own_bytes(item)
        waiting.extend(gc.get_referents(item))
    return total


def _own_bytes(item: object) -> int:
    if isinstance(item, bytes | bytearray | memoryview | str):
        return len(item)
    if isinstance(item, list | tuple | dict | set | frozenset):
        return 8 * len(item)
    return 8 if isinstance(item, int | float) else 0
