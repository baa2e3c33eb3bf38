"""The spread that ``reclamp explain`` computes with: given, or a lot's own so far."""

from dataclasses import dataclass
from pathlib import Path

from daemon.cli.answers import refuse
from daemon.cli.stored import one_lot
from daemon.lot_report import PositionReport, report_lot
from daemon.store.read_only import reading_only
from daemon.store.texts import TextFaultError
from rules.scatter_model import Spread, SpreadError

OWN_UM, SCATTER_UM, HOLDER_UM = 0.9, 0.4, 0.2
"""The demo's lot A, where neither an option nor a record says otherwise."""


@dataclass(frozen=True, slots=True)
class LotSpread:
    """How a lot spreads: µm of eccentricity, per axis.

    Attributes:
        own_um: Of the collets' own vectors.
        scatter_um: Of what a tightening adds.
        holder_um: Length of the holder's vector.
        step_deg: Turn of the collet between two clampings.
        source: Where it is from, for people.
    """

    own_um: float
    scatter_um: float
    holder_um: float
    step_deg: float
    source: str = "as given"

    def spread(self) -> Spread:
        """Return it for the models.

        Raises:
            SpreadError: If it can't be computed with.
        """
        return Spread(self.own_um, self.scatter_um, self.holder_um, self.step_deg)

    @property
    def text(self) -> str:
        """Return it for people."""
        return (
            f"spread {self.source}: own {self.own_um:.3g}, scatter {self.scatter_um:.3g}, "
            f"holder {self.holder_um:.3g} µm"
        )


def given_spread(
    own_um: float | None, scatter_um: float | None, holder_um: float | None, step_deg: float
) -> LotSpread:
    """Return the spread of the options, the demo's lot A where one is not given."""
    is_said = (own_um, scatter_um, holder_um) != (None, None, None)
    return LotSpread(
        OWN_UM if own_um is None else own_um,
        SCATTER_UM if scatter_um is None else scatter_um,
        HOLDER_UM if holder_um is None else holder_um,
        step_deg,
        "as given" if is_said else "of the demo's lot A, nothing else was said",
    )


def spread_of_lot(
    store: Path, code: str | None, bench: str | None, position: str | None, step_deg: float
) -> LotSpread:
    """Return the spread fitted to what a lot showed so far; refuse where nothing can be.

    Raises:
        StoreError: If the record can't be read.
    """
    with reading_only(store) as db:
        lot = one_lot(db, code, bench)
        try:
            report = report_lot(db, lot)
        except TextFaultError as error:
            refuse(str(error))
    found = _at(report.positions, position)
    if found.spreads is None:
        refuse(f"--store: lot {lot.code}: {'; '.join(found.without)}")
    if not found.is_described:
        refuse(
            f"--store: the law of two normal spreads does not describe lot {lot.code}: a risk "
            "from it would be a number without ground; accepted are --own-um, --scatter-um"
        )
    best = found.spreads.best
    source = f"of lot {lot.code} so far, {found.spreads.pieces} pieces"
    return LotSpread(best.own_um, best.scatter_um, best.holder_um, step_deg, source)


def _at(positions: tuple[PositionReport, ...], position: str | None) -> PositionReport:
    known = {one.position: one for one in positions}
    if position is None and len(known) == 1:
        return positions[0]
    if position is None or position not in known:
        accepted = ", ".join(known) or "none: nothing was measured yet"
        refuse(f"--position: got {position!r}; the lot has {accepted}")
    return known[position]


def scaled_to_pass(lot: LotSpread, percent: float, acceptance_um: float) -> LotSpread:
    """Return the spread at which that share passes one clamping, divided as it was.

    Raises:
        SpreadError: If no spread does it.
    """
    from rules.planning import scatter_share, spread_for

    found = spread_for(
        percent / 100, acceptance_um, scatter_share(lot.spread()), lot.holder_um, lot.step_deg
    )
    source = f"at which {percent:g} % pass one clamping"
    return LotSpread(found.own_um, found.scatter_um, lot.holder_um, lot.step_deg, source)


__all__ = ["LotSpread", "SpreadError", "given_spread", "scaled_to_pass", "spread_of_lot"]
