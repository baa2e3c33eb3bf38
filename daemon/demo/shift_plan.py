"""What happens in the demo's shift, and at which piece."""

NORTH, CRANE = "b1", "b2"
"""The bench of the shift, its pieces known by their cells; the one with the box."""

QUANTITY = 30
ORDERED = 8
NEW_BOX = "A-2-002"

IN_INCH = 1
"""Master check, from 1, in which the indicator is switched to inch."""

CUT_SHORT, NOT_LOOSENED, CHIP, WRONG_BIN, UNPLUGGED, KILLED, BROKER_GONE = range(2, 9)
"""Pieces with which it happens, by number."""

MEASURED_AGAIN = 2
"""How many of the pieces taken back are measured again; the others are decided on."""

BOX_QUANTITY = 6
BOX_BEFORE = 3
"""Pieces at the Crane bench before a check fails there."""

PLAN = (
    "first the master check: the indicator is switched to inch, then back",
    f"piece {CUT_SHORT}: three quarters of a turn",
    f"piece {NOT_LOOSENED}: swept twice without a loosening",
    f"piece {CHIP}: a chip; the lead has the whole set taken again",
    f"piece {WRONG_BIN}: dropped into a bin whose lamp is dark",
    f"piece {UNPLUGGED}: the indicator's cable is pulled",
    f"piece {KILLED}: the service is killed",
    f"piece {BROKER_GONE}: the broker is gone for a while, and a box is changed without it",
    f"then the order of {ORDERED} is filled, and its closing check fails by a chip in the "
    "taper: pieces are taken back, and the order is open again",
    f"of those {MEASURED_AGAIN} are measured again; of the others one is scrapped, one goes "
    "by concession, one is released; none can be regraded, its measurement is in doubt",
    f"filled anew and checked, the rest of {QUANTITY} pieces is proved; a piece beyond the "
    "order is regraded; the lead has a last check made, and closes the lot",
    "meanwhile at the Crane bench, where pieces are known by their box alone: "
    f"after {BOX_BEFORE} pieces a check fails, their boxes are on hold; one is poured back "
    "into the tray and measured again whole, the pieces in it closed as replaced",
)
