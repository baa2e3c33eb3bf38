"""One bench in the lines of a terminal, the most needed first.

What a line says it says in words and signs; bold and reverse only repeat it. A line breaks
between its items, so a narrow terminal shows the same.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from rich.cells import cell_len
from rich.text import Text

__all__ = ["CALLS", "Bench", "Seen", "bench_lines", "wrapped"]

Bench = Mapping[str, Any]

_SIGNS = {
    "coming-up": "…", "master-check": "◎", "no-lot": "–", "clamping": "▶", "loosen": "↻",
    "put-away": "▼", "order-filled": "✓", "sampling": "▦", "blocked": "▲", "fault": "■",
}  # fmt: skip
CALLS = ("blocked", "fault")
_WAITS_FOR = {
    "operator": "Operator", "lead": "Lead", "indicator": "Indicator", "service": "Service",
}  # fmt: skip
_INDENT, _GAP = "  ", "   "


@dataclass(frozen=True, slots=True)
class Seen:
    """When and how wide it is looked at.

    Attributes:
        now_s: The board's monotonic clock.
        at: Wall time, with its zone: times are told in it.
        width: Columns of the terminal.
        height: Its lines; None where it goes on for ever.
    """

    now_s: float
    at: datetime
    width: int
    height: int | None = None


def bench_lines(name: str, bench: Bench, seen: Seen) -> list[Text]:
    """Return what is known of one bench, the most needed first."""
    if bench["status"]["condition"] != "live" or bench.get("state") is None:
        return _silent_lines(name, bench, seen)
    state, lot = bench["state"], bench.get("lot")
    first = Text(_SIGNS.get(state["state"], "?") + " ")
    first.append(_title(name, bench), "bold")
    words = [*_state_items(state), *_lasting(bench["status"], seen), *_age(bench, seen)]
    lines = wrapped(words, seen, first, "reverse" if state["state"] in CALLS else "")
    for alarm in _alarms(bench, seen):
        lines += wrapped([alarm], seen, Text(_INDENT), "bold")
    if lot and lot["lot"]:
        lines += wrapped(_order_items(lot), seen, Text(_INDENT))
        lines += wrapped(_lot_items(lot), seen, Text(_INDENT))
    else:
        lines += wrapped(["no lot"], seen, Text(_INDENT))
    lines += wrapped(_check_items(state.get("check"), seen), seen, Text(_INDENT))
    lines += wrapped(_waits_items(bench), seen, Text(_INDENT))
    return lines


def _silent_lines(name: str, bench: Bench, seen: Seen) -> list[Text]:
    condition, since = bench["status"]["condition"], bench["status"]["since"]
    words = {"offline": "OFFLINE", "waiting": "connecting", "unknown": "NOT HEARD"}
    word = words.get(condition, "NO DATA" if condition != "live" else "NO STATE")
    if since and condition != "waiting":
        word = "OFFLINE" if condition == "offline" else "NO DATA"
        word += f" SINCE {_clock(since, seen)}"
    lot = bench.get("lot")
    last = [f"last known {item}" for item in _order_items(lot)[:1]] if lot else []
    return wrapped([word, *last], seen, Text(f"? {_title(name, bench)}"), "bold")


def _title(name: str, bench: Bench) -> str:
    about = bench.get("about")
    return _printable(str(about["title"] or name) if about else name)


def _state_items(state: Mapping[str, Any]) -> list[str]:
    word = _spaced(state["state"])
    if state["state"] == "clamping" and state["clamping"]:
        word += f" {state['clamping']}/{state['clampings'] or '?'}"
    if state["bin"]:
        word += f" {state['bin']}"
    if state["piece"] is None:
        return [word]
    tirs = [_um(clamping["tir_um"]) for clamping in state["tirs"]]
    return [word, f"piece {state['piece']}" + "".join(f"  {tir}" for tir in tirs)]


def _lasting(status: Mapping[str, Any], seen: Seen) -> list[str]:
    if status["entered_s"] is None:
        return []
    lasted = _seconds(seen.now_s - status["entered_s"])
    return [lasted if status["entered_known"] else f"> {lasted}"]


def _age(bench: Bench, seen: Seen) -> list[str]:
    heard_s = bench["status"]["heard_s"]
    return [] if heard_s is None else [f"heard {_seconds(seen.now_s - heard_s)} ago"]


def _alarms(bench: Bench, seen: Seen) -> list[str]:
    """Return the open alarms, those that nobody has answered first, then the newest."""
    alarms: dict[str, Any] = bench.get("alarms") or {}
    newest = sorted(alarms.items(), key=lambda item: item[1]["since"], reverse=True)
    raised = [_alarm(code, one, seen) for code, one in newest if one["state"] == "raised"]
    raised += [f"! {_spaced(c)}" for c in bench["state"]["alarms"] if c not in alarms]
    answered = [_alarm(code, one, seen) for code, one in newest if one["state"] != "raised"]
    return raised + answered


def _alarm(code: str, alarm: Mapping[str, Any], seen: Seen) -> str:
    text = f"{alarm['text'] or _spaced(code)}, since {_clock(alarm['since'], seen)}"
    match alarm["state"]:
        case "raised":
            return f"! {text}"
        case "shelved" if alarm.get("until"):
            return f"({text}; shelved until {_clock(alarm['until'], seen)})"
        case state:
            return f"({text}; {state})"


def _order_items(lot: Mapping[str, Any]) -> list[str]:
    ordered = [grade for grade in lot["grades"] if grade["ordered"] is not None]
    items = [f"{g['put_away']} of {g['ordered']} {_spaced(g['grade'])}" for g in ordered]
    if lot["measured"] and lot["grades"]:
        best = lot["grades"][0]
        share = round(100 * (best["put_away"] + best["pending"]) / lot["measured"])
        items.append(f"yield {share} %, n {lot['measured']}")
    return [*items, *_forecast(lot.get("forecast"))]


def _forecast(found: Mapping[str, Any] | None) -> list[str]:
    if not found or not found["missing"]:
        return []
    if found["short"]:
        to_come = f"about {round(found['expected_found'])} of {found['missing']} to come"
        return [f"LOT RUNS OUT: {to_come}"]
    most = found["pieces_95"]
    most = f"{found['unmeasured']}+" if most is None else most
    return [f"about {round(found['expected_pieces'])} more ({found['pieces_5'] or '?'}–{most})"]


def _lot_items(lot: Mapping[str, Any]) -> list[str]:
    others = [
        f"{_spaced(grade['grade'])} {grade['put_away']}"
        for grade in lot["grades"]
        if grade["ordered"] is None
    ]
    others += [f"{key} {lot[key]}" for key in ("hold", "nonconforming") if lot[key]]
    if lot["unmeasured"] is not None:
        others.append(f"{lot['unmeasured']} left")
    items = [f"{lot['lot']} {lot['article'] or ''}".rstrip(), ", ".join(others)]
    if lot["measured"]:
        items.append(f"{round(100 * lot['retried'] / lot['measured'])} % retried")
    return [*items, *_pace(lot)]


def _pace(lot: Mapping[str, Any]) -> list[str]:
    taken, takt = lot["cycle_s_median"], lot.get("takt_s")
    items = [] if taken is None else [f"{round(taken)} s a piece"]
    if takt is not None:
        slower = "slower than " if taken is not None and taken > takt else ""
        items.append(f"{slower}takt {round(takt)} s")
    return [", ".join(items)] if items else []


def _check_items(check: Mapping[str, Any] | None, seen: Seen) -> list[str]:
    """Return the last good master check and when the next one is due."""
    if check is None:
        return ["master check not told"]
    if check["level"] == "off":
        return ["no master check asked for"]
    good, pieces, minutes = check["last_good"], check["pieces_left"], check["minutes_left"]
    items = [f"checked {_clock(good, seen)}" if good else "no good check yet"]
    left = [] if pieces is None else [f"{pieces} piece{'' if pieces == 1 else 's'}"]
    left += [] if minutes is None else [_seconds(60 * minutes)]
    if check["level"] == "due":
        items.append("check due")
    elif left:
        items.append(f"next in {' or '.join(left)}")
    return [*items, *([f"{check['held']} held"] if check["held"] else [])]


def _waits_items(bench: Bench) -> list[str]:
    """Return whom it waits for: the operator by the prompt, anybody else by the reason.

    A reason that an alarm tells already is not told again.
    """
    prompt, state = bench.get("prompt"), bench["state"]
    whom, reason, text = state["waits_for"], state["reason"], prompt["text"] if prompt else ""
    is_told = any(reason in alarm["text"] for alarm in (bench.get("alarms") or {}).values())
    if reason and text and is_told:
        whom = "operator"
    who = _WAITS_FOR.get(whom, "")
    why = (text or reason) if whom == "operator" else (reason or text)
    return [f"{who}: {why or 'is awaited'}"] if who else [why] if why else []


def wrapped(
    items: Sequence[str], seen: Seen, first: Text | None = None, style: str = ""
) -> list[Text]:
    """Return the items in as few lines as hold them; one that is too long is folded."""
    line = first or Text()
    lines: list[Text] = []
    is_begun = bool(line.plain.strip())
    for item in filter(None, items):
        gap = _GAP if is_begun else ""
        if is_begun and cell_len(line.plain) + len(gap) + cell_len(item) > seen.width:
            lines.append(line)
            line, gap = Text(_INDENT), ""
        line.append(gap).append(_printable(item), style)
        is_begun = True
    if is_begun:
        lines.append(line)
    return [part for whole in lines for part in _folded(whole, seen.width)]


def _folded(line: Text, width: int) -> list[Text]:
    from rich.console import Console

    if cell_len(line.plain) <= width:
        return [line]
    return list(line.wrap(Console(width=width, file=None), width))


def _printable(text: str) -> str:
    """Keep a stranger's control characters from the terminal."""
    return "".join(each if each.isprintable() else "�" for each in text)


def _spaced(word: str) -> str:
    return word.replace("-", " ")


def _um(value: float | None) -> str:
    return (
        "–" if value is None else f"{value:.1f}" if value == round(value, 1) else f"{value:g}"
    )


def _clock(utc: str, seen: Seen) -> str:
    """Return the time in the zone of whoever looks, with the date if it isn't today."""
    try:
        at = datetime.fromisoformat(utc).astimezone(seen.at.tzinfo)
    except ValueError:
        return "?"
    return f"{at:%H:%M}" if at.date() == seen.at.date() else f"{at:%m-%d %H:%M}"


def _seconds(seconds: float) -> str:
    whole = max(0, int(seconds))
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min"
    if whole < 86_400:
        return f"{whole // 3600} h {whole % 3600 // 60:02}"
    return f"{whole // 86_400} d"
