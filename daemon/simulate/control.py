"""Words on standard input, one a line."""

import asyncio
import os
import sys
from collections.abc import Callable, Mapping

_STDIN = 0


def listen_to_words(
    words: Mapping[str, Callable[[], None]], at_end: Callable[[], None]
) -> None:
    """Call what belongs to each word that comes in; ``at_end`` when no more can come.

    Needs a running event loop, and a pipe or terminal as standard input.
    """
    loop = asyncio.get_running_loop()
    pending = b""

    def heard() -> None:
        nonlocal pending
        chunk = os.read(_STDIN, 4096)
        if not chunk:
            loop.remove_reader(_STDIN)
            at_end()
            return
        *lines, pending = (pending + chunk).split(b"\n")
        for line in lines:
            word = line.decode("utf-8", "replace").strip()
            if word in words:
                words[word]()
            elif word:
                known = ", ".join(words)
                sys.stderr.write(f"simulated bench: {word!r} is no word, accepted: {known}\n")

    loop.add_reader(_STDIN, heard)
