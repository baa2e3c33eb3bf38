"""Whether a pin is long enough for the collet: it has to be gripped over the whole bore.

A pin that ends within the bore lets the collet close behind it: the collet tilts on it, and
the run-out is that of a collet nobody will ever use so (common practice, no source). So the
rule file says over what length the collet grips, the register how much of the pin is there
to be gripped.
"""

from collections.abc import Sequence

from rules.instrument_fitness import Fitness
from rules.instruments import Register
from rules.length import mm_text


def gripping_faults(register: Register, pins: Sequence[str], gripped_nm: int | None) -> Fitness:
    """Return which pins the collet can't grip as it has to.

    Args:
        register: The register as it stands.
        pins: Pins of the lot; one that is not in the register is told of by the register.
        gripped_nm: Length over which the collet grips, above 0; None: the rule file says
            nothing, and nothing is compared.
    """
    if gripped_nm is None:
        return Fitness()
    asked = f"the collet grips over {mm_text(gripped_nm)} mm (gripping_length_mm)"
    found = []
    for name in pins:
        pin = register.get(name)
        if pin is None:
            continue
        if pin.gripping_length_nm is None:
            found.append(
                f"pin {name}: the register has no gripping length; {asked}, and so much of a "
                "pin has to be there"
            )
        elif pin.gripping_length_nm < gripped_nm:
            found.append(
                f"pin {name} grips too short: {mm_text(pin.gripping_length_nm)} mm of it can "
                f"be gripped; {asked}; accepted is a pin of that or more"
            )
    unknown = not any(name in register for name in pins)
    notes = (f"{asked}: no pin of the register is named to compare with it",) if unknown else ()
    return Fitness(tuple(found), (*found, *notes), tuple(found))
