"""Whether a pin is of the size the collet is measured at: its bore.

A spring collet closes all round only on its bore. On a thinner pin it grips with the edges of
its slots, a thicker one spreads it: either way the run-out is that of a collet nobody will
use so (common practice, no source). So the rule file says the bore, the register the pin's
diameter, and a pin of another size is a mistaken one.

Pins are ground to the nominal size: ISO 286-1 h6 reaches from 9 µm below it for 6 to 10 mm to
16 µm for 30 to 50 mm (from memory), gauge pins lie a few micrometres to either side. Within
0.02 mm all of them pass and no neighbouring size does: those lie 0.4 mm (1/64 in) away or
more, a tap shank's or a drill's at least 0.05 mm.
"""

from collections.abc import Sequence

from rules.instrument_fitness import Fitness
from rules.instruments import Register
from rules.length import mm_text

PIN_WITHIN_NM = 20_000
"""How far a pin's diameter may lie from the bore."""


def size_faults(register: Register, pins: Sequence[str], bore_nm: int | None) -> Fitness:
    """Return which pins are not of the collet's size.

    Args:
        register: The register as it stands.
        pins: Pins of the lot; one that is not in the register is told of by the register.
        bore_nm: Bore of the collet, above 0; None: the rule file says nothing, and nothing is
            compared.
    """
    if bore_nm is None:
        return Fitness()
    least, most = mm_text(bore_nm - PIN_WITHIN_NM), mm_text(bore_nm + PIN_WITHIN_NM)
    asked = f"the collet's bore is {mm_text(bore_nm)} mm (bore_mm)"
    accepted = f"accepted is a pin of {least} to {most} mm"
    found = []
    for name in pins:
        pin = register.get(name)
        if pin is None:
            continue
        if pin.diameter_nm is None:
            found.append(f"pin {name}: the register has no diameter; {asked}; {accepted}")
        elif abs(pin.diameter_nm - bore_nm) > PIN_WITHIN_NM:
            found.append(
                f"pin {name} is {mm_text(pin.diameter_nm)} mm thick; {asked}; {accepted}"
            )
    unknown = not any(name in register for name in pins)
    notes = (f"{asked}: no pin of the register is named to compare with it",) if unknown else ()
    return Fitness(tuple(found), (*found, *notes), tuple(found))
