"""What a lot is measured and clamped with, besides the bench's own indicators."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class LotInstruments:
    """Identities as a lot was opened with them.

    Attributes:
        holder: Its holder; "" where none was named.
        pins: Its pins.
        torque_tool: What its nut is tightened with; "" where none was named.
        torque_nmm: What that is set to, in N·mm; None: nobody said.
    """

    holder: str = ""
    pins: tuple[str, ...] = ()
    torque_tool: str = ""
    torque_nmm: int | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """Return every identity that was named."""
        return tuple(name for name in (self.holder, *self.pins, self.torque_tool) if name)
