"""The board's truth as lines of a terminal: same subscriber, same judgement of staleness."""

import json
from typing import Any

from rich.table import Table
from rich.text import Text

from daemon.board.shop import Shop

_SHAPES = {
    "coming-up": "…", "master-check": "◎", "no-lot": "–", "clamping": "▶", "loosen": "↻",
    "put-away": "▼", "order-filled": "✓", "sampling": "▦", "blocked": "▲", "fault": "■",
}  # fmt: skip
_COLUMNS = ("bench", "state", "lot", "order", "other", "in work", "next")


def snapshot(shop: Shop) -> dict[str, dict[str, Any]]:
    """Return every bench as the board's viewers get it, by id."""
    patch = shop.since(0)
    return {} if patch is None else dict(sorted(json.loads(patch)["benches"].items()))


def table(benches: dict[str, dict[str, Any]], broker: str, trouble: str) -> Table:
    """Return the benches as a table; what may not be believed is never shown as present."""
    title = f"no broker at {broker}: {trouble}" if trouble else f"broker {broker}"
    drawn = Table(title=title, title_justify="left", expand=True)
    for column in _COLUMNS:
        drawn.add_column(column, overflow="fold")
    for name, bench in benches.items():
        drawn.add_row(*(Text(cell) for cell in row(name, bench)))
    return drawn


def row(name: str, bench: dict[str, Any]) -> tuple[str, ...]:
    """Return the cells of one bench."""
    about, state, lot = bench.get("about"), bench.get("state"), bench.get("lot")
    title = f"{name} {about['title']}" if about else name
    condition = bench["status"]["condition"]
    if condition != "live" or state is None:
        since = bench["status"]["since"] or ""
        return (title, f"? {condition} {since[11:16]}".rstrip(), "", "", "", "", "")
    word = f"{_SHAPES.get(state['state'], '?')} {state['state']}"
    if state["clamping"]:
        word += f" {state['clamping']}/{state['clampings']}"
    if state["bin"]:
        word += f" {state['bin']}"
    if state["alarms"]:
        word += f"  ! {', '.join(state['alarms'])}"
    counts = _counts(lot) if lot and lot["lot"] else ("no lot", "", "")
    in_work = "  ".join(
        "–" if t["tir_um"] is None else f"{t['tir_um']:g}" for t in state["tirs"]
    )
    if state["piece"] is not None:
        in_work = f"piece {state['piece']}  {in_work}".rstrip()
    prompt = bench.get("prompt")
    text = state["reason"] or (prompt["text"] if prompt else "")
    return (title, word, *counts, in_work, text)


def _counts(lot: dict[str, Any]) -> tuple[str, str, str]:
    order = [g for g in lot["grades"] if g["ordered"] is not None]
    rest = [g for g in lot["grades"] if g["ordered"] is None]
    ordered = ", ".join(f"{g['grade']} {g['put_away']} of {g['ordered']}" for g in order)
    others = [f"{g['grade']} {g['put_away']}" for g in rest]
    others += [f"{key} {lot[key]}" for key in ("hold", "nonconforming") if lot[key]]
    if lot["unmeasured"] is not None:
        others.append(f"{lot['unmeasured']} left")
    return f"{lot['lot']} {lot['article']}", ordered, ", ".join(others)
