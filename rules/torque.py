"""How hard the nut is tightened: what the rule file asks for, and what the tool was set to.

No sweep shows a torque, and run-out depends on it. So the setting is said once a lot, by who
opens it, and stands on the record of each of its pieces.
"""

from decimal import Decimal

from rules.instrument_fitness import Fitness

_NMM_PER_NM = 1000


def torque_text(nmm: int) -> str:
    """Return a torque for people, in newton metres with the digits it has: 8500 → "8.5 N·m"."""
    return f"{Decimal(nmm) / _NMM_PER_NM:f} N·m"


def tightened_text(tool: str, set_nmm: int | None) -> str:
    """Return how the nut is tightened, for people: by which tool, at which setting."""
    setting = "torque not said" if set_nmm is None else f"tightened at {torque_text(set_nmm)}"
    return f"{setting}, torque tool {tool or 'not said'}"


def torque_fault(asked_nmm: int | None, set_nmm: int | None) -> str:
    """Return why a lot can't be measured at a setting; "" when it can.

    Args:
        asked_nmm: What the rule file asks for, in N·mm; None: it says nothing.
        set_nmm: What the torque tool is set to, in N·mm; None: nobody said.
    """
    if asked_nmm is None or set_nmm is None or asked_nmm == set_nmm:
        return ""
    return (
        f"the torque tool is set to {torque_text(set_nmm)}; accepted is what the rule file "
        f"asks for, {torque_text(asked_nmm)} (torque_nmm = {asked_nmm})"
    )


def torque_faults(asked_nmm: int | None, set_nmm: int | None) -> Fitness:
    """Return the same as a reason against opening a lot, and a warning where nobody said."""
    fault = torque_fault(asked_nmm, set_nmm)
    if fault:
        return Fitness((fault,), (fault,))
    if asked_nmm is None or set_nmm is not None:
        return Fitness()
    asked = torque_text(asked_nmm)
    return Fitness((), (f"nobody said that the torque tool is set to {asked} (torque_nmm)",))
