"""What becomes of a lot, in lines: order filled, early warning, draws and looks."""

from daemon.messages import AlarmData, DrawData, Lot, LotData

_ALARMS = ("order-short", "rest-held")


def wants_proof(lot: Lot) -> bool:
    """Return whether pieces are still to be measured for the proof of the rest."""
    rest = lot.rest
    if rest is None:
        return False
    if rest.outcome == "short":
        return rest.next_look is not None and rest.next_look.beyond_left >= 0
    return rest.outcome in (None, "under-way")


def of_the_lot(data: LotData | AlarmData) -> str:
    """Return the line of a lot's event or alarm; "" for those that change nothing for it."""
    if isinstance(data, AlarmData):
        return f"alarm {data.code}: {data.text}" if data.stands and data.code in _ALARMS else ""
    if data.what == "drawn" and data.draw is not None:
        return _draw(data.draw)
    if data.what == "look" and data.rest is not None:
        return f"look {data.rest.look}: {data.rest.text}"
    if data.what == "order-filled":
        ordered = ", ".join(f"{pieces} of {grade}" for grade, pieces in data.order.items())
        return f"order filled: {ordered}"
    return "every piece of the lot was measured" if data.what == "exhausted" else ""


def _draw(draw: DrawData) -> str:
    if draw.purpose == "order":
        return f"the order of measuring is drawn, seed {draw.seed!r}"
    how = f"drawn, seed {draw.seed!r}" if draw.by_record else "to be taken by hand"
    return f"a sample of {draw.size} of the {draw.pieces} pieces left is {how}"
