"""How far the measuring force bends a slender pin aside: a small bore asks for a small force.

A pin gripped at the face and touched ``length`` before it is a cantilever with a load at its
end: δ = F L³ / (3 E I), I = π d⁴ / 64 (any textbook of the strength of materials, from
memory). The bend itself is the same all round and cancels in a run-out; what does not cancel
is its change, since an indicator's force changes over its travel and with its direction, by
a third or so (common practice, no source). So the whole bend may be as much as the form of a
pin may be: a tenth of the tightest limit.
"""

from math import pi

from rules.instrument_fitness import PIN_FORM_SHARE
from rules.instruments import Register
from rules.length import um_text

STEEL_E_N_PER_MM2 = 210_000.0
"""Young's modulus of steel."""

MOST_MN = 1_500
"""What an indicator may push with whose force nobody entered: the most that ISO 463 allows a
plunger gauge (from memory)."""


def bend_nm(force_mn: int, length_nm: int, diameter_nm: int) -> int:
    """Return how far a steel pin gives way under the stylus, in nm.

    Args:
        force_mn: Measuring force in millinewtons, from 0.
        length_nm: From the collet's face to the stylus, from 0.
        diameter_nm: Of the pin, above 0.
    """
    force_n, length_mm, diameter_mm = force_mn / 1e3, length_nm / 1e6, diameter_nm / 1e6
    inertia_mm4 = pi * diameter_mm**4 / 64
    return round(1e6 * force_n * length_mm**3 / (3 * STEEL_E_N_PER_MM2 * inertia_mm4))


def bend_faults(
    register: Register, indicator: str, projection_nm: int, pins: tuple[str, ...],
    tightest_nm: int,
) -> tuple[str, ...]:  # fmt: skip
    """Return which pins this indicator bends, or may bend, too far.

    Args:
        register: The register as it stands.
        indicator: Which indicator touches them.
        projection_nm: How far from the collet's face it does.
        pins: Pins of the lot.
        tightest_nm: Tightest tolerance limit of the rule file, above 0.
    """
    by = register.get(indicator)
    found = []
    for name in pins:
        pin = register.get(name)
        if by is None or pin is None or not pin.diameter_nm:
            continue
        force_mn = MOST_MN if by.measuring_force_mn is None else by.measuring_force_mn
        bend = bend_nm(force_mn, projection_nm, pin.diameter_nm)
        if bend * PIN_FORM_SHARE <= tightest_nm:
            continue
        most = f"{um_text(tightest_nm // PIN_FORM_SHARE)} µm, a tenth of the tightest limit"
        if by.measuring_force_mn is None:
            least_mn = MOST_MN * tightest_nm // (PIN_FORM_SHARE * bend)
            found.append(
                f"pin {name}: above {least_mn} mN the measuring force bends it by more than "
                f"{most}, and the register has no force of indicator {indicator}"
            )
            continue
        found.append(
            f"pin {name}: {force_mn} mN of indicator {indicator} bend it by "
            f"{um_text(bend)} µm; at most {most}, is good: a smaller measuring force, or "
            "nearer to the face"
        )
    return tuple(found)
