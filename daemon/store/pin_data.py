"""The pin's axis as event data: from the vectors of one clamping at known distances."""

from collections.abc import Iterable, Mapping

from daemon.messages import PinAxisData
from rules.clamping import PositionRunOut
from rules.length import nm_to_um
from rules.pin_axis import PinAxisError, pin_axis
from rules.vectors import vector_of

__all__ = ["pin_data", "pin_of_clamping"]


def pin_data(seen: Iterable[tuple[int, complex]]) -> PinAxisData | None:
    """Return the pin's axis from distance and vector of each position; None without two.

    The styli are taken to lie at one angle round the spindle.
    """
    try:
        found = pin_axis(list(seen))
    except PinAxisError:
        return None
    return PinAxisData(
        tilt_urad=round(found.tilt_urad, 1),
        # A vector turned by the spindle to its stylus: the angle runs the other way.
        direction_deg=round(-found.direction_deg % 360, 1) % 360,
        face_um=nm_to_um(round(abs(found.at_face))),
        residual_um=nm_to_um(round(found.residual_nm)),
    )


def pin_of_clamping(
    positions: Iterable[PositionRunOut], distance_nm: Mapping[str, int]
) -> PinAxisData | None:
    """Return the pin's axis in a clamping whose spindle has a zero."""
    found = [
        (distance_nm[one.indicator], one.run_out.diagnosis)
        for one in positions
        if one.indicator in distance_nm
    ]
    return pin_data(
        (nm, vector_of(shown.amplitude_nm, shown.direction_udeg))
        for nm, shown in found
        if shown is not None
    )
