"""What a recomputation found: differences by name, and what it could not repeat."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from typing import Any

from daemon.store.stored import StoredClamping, StoredCycle


@dataclass(frozen=True, slots=True)
class Difference:
    """One thing that is stored otherwise than it is computed.

    Attributes:
        bench: Whose bench.
        lot: Code of the lot.
        piece: Number of the piece.
        cycle: Cycle of the piece.
        clamping: Number of the clamping; None for what concerns the whole cycle.
        position: Position of the indicator; None for what concerns all of them.
        what: Name of the column, or of what can't be read.
        stored: What the record says.
        computed: What comes out of the readings.
    """

    bench: str
    lot: str
    piece: int
    cycle: int
    clamping: int | None
    position: str | None
    what: str
    stored: object
    computed: object

    def __str__(self) -> str:
        where = f"{self.bench} lot {self.lot} piece {self.piece} cycle {self.cycle}"
        where += f" clamping {self.clamping}" if self.clamping is not None else ""
        where += f" {self.position}" if self.position is not None else ""
        stored, computed = _shown(self.stored), _shown(self.computed)
        return f"{where}: {self.what}: stored {stored}, computed {computed}"


def _shown(value: object) -> str:
    return "nothing" if value is None or value == "" else str(value)


@dataclass(slots=True)
class Findings:
    """The result of a recomputation, growing while it runs.

    Attributes:
        pieces: Pieces looked at.
        cycles: Cycles looked at.
        clampings: Clampings computed anew.
        verdicts: Verdicts decided anew.
        diagnoses: Sweeps of which was computed anew what they show beside their TIR.
        differences: In the order of the record.
        other_versions: Clampings of evaluations this release does not have, by version:
            neither right nor wrong.
        undecided: Verdicts that rest on such clampings, or on a text that is not to be had.
        texts: What is wrong with a stored text, by its hash: each is told once.
        on_faulty_texts: Clampings that rest on them.
    """

    pieces: int = 0
    cycles: int = 0
    clampings: int = 0
    verdicts: int = 0
    diagnoses: int = 0
    differences: list[Difference] = field(default_factory=list)
    other_versions: Counter[str] = field(default_factory=Counter)
    undecided: int = 0
    texts: dict[str, str] = field(default_factory=dict)
    on_faulty_texts: int = 0

    @property
    def is_fine(self) -> bool:
        """Return whether everything that could be repeated came out as stored."""
        return not self.differences and not self.texts

    def compare(
        self,
        cycle: StoredCycle,
        clamping: StoredClamping | None,
        position: str | None,
        pairs: Iterable[tuple[str, object, object]],
    ) -> None:
        """Note every pair of (what, stored, computed) that is not equal."""
        number = None if clamping is None else clamping.number
        for what, stored, computed in pairs:
            if stored != computed:
                where = (cycle.bench, cycle.lot, cycle.piece, cycle.number, number, position)
                self.differences.append(Difference(*where, what, stored, computed))

    def as_json(self) -> dict[str, Any]:
        """Return it as ``reclamp recompute --json`` prints it."""
        return {
            "pieces": self.pieces,
            "cycles": self.cycles,
            "clampings": self.clampings,
            "verdicts": self.verdicts,
            "diagnoses": self.diagnoses,
            "differences": [asdict(difference) for difference in self.differences],
            "texts": [{"sha256": name, "fault": why} for name, why in self.texts.items()],
            "on_faulty_texts": self.on_faulty_texts,
            "other_versions": dict(self.other_versions),
            "undecided": self.undecided,
        }
