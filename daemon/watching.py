"""The board's truth in a terminal: same subscriber, same judgement of staleness.

Where there are more lines than the terminal has, each bench shrinks to its first line, and
those that need help come first.
"""

import json
from collections.abc import Mapping
from typing import Any

from rich.text import Text

from daemon.bench_lines import CALLS, Bench, Seen, bench_lines, wrapped
from daemon.board.shop import Shop

__all__ = ["Seen", "screen", "snapshot"]


def snapshot(shop: Shop) -> dict[str, dict[str, Any]]:
    """Return every bench as the board's viewers get it, by id."""
    patch = shop.since(0)
    return {} if patch is None else dict(sorted(json.loads(patch)["benches"].items()))


def screen(
    benches: Mapping[str, Bench], broker: str, trouble: str, is_up: bool, seen: Seen
) -> Text:
    """Return the whole screen; what may not be believed is never shown as present."""
    head = wrapped(
        [f"{seen.at:%H:%M:%S}", _broker(broker, trouble, is_up), _calls(benches)], seen
    )
    blocks = [bench_lines(name, bench, seen) for name, bench in benches.items()]
    if not blocks:
        blocks = [[Text("no bench heard on this broker yet")]]
    if seen.height is not None and len(head) + sum(map(len, blocks)) > seen.height:
        blocks = _shortened(benches, blocks, seen.height - len(head))
    return Text("\n").join([*head, *(line for block in blocks for line in block)])


def _broker(broker: str, trouble: str, is_up: bool) -> str:
    return f"broker {broker}" if is_up else f"NO BROKER at {broker}: {trouble}"


def _needs_help(bench: Bench) -> bool:
    if bench["status"]["condition"] not in ("live", "waiting"):
        return True
    raised = any(alarm["state"] == "raised" for alarm in (bench.get("alarms") or {}).values())
    state = bench.get("state")
    return raised or (state is not None and state["state"] in CALLS)


def _calls(benches: Mapping[str, Bench]) -> str:
    calling = sum(_needs_help(bench) for bench in benches.values())
    verb = "needs" if calling == 1 else "need"
    return f"{calling} of {len(benches)} {verb} help" if calling else ""


def _shortened(
    benches: Mapping[str, Bench], blocks: list[list[Text]], room: int
) -> list[list[Text]]:
    """One line a bench; where that is too much still, those that need help come first."""
    firsts = [block[:1] for block in blocks]
    if len(firsts) <= room:
        return firsts
    room = max(room - 1, 0)
    calling = [_needs_help(bench) for bench in benches.values()]
    ranked = sorted(range(len(firsts)), key=lambda index: not calling[index])
    kept = sorted(ranked[:room])
    left = [index for index in range(len(firsts)) if index not in kept]
    need = sum(calling[index] for index in left)
    more = f"… {len(left)} more benches, {need} of them need help"
    return [*(firsts[index] for index in kept), [Text(more, "bold")]]
