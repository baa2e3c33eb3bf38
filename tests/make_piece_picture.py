"""Make README's picture of a piece into .pictures/: `python -m tests.make_piece_picture`.

A simulated piece, measured into a real store by the real evaluation, drawn by the command's
own code.
"""

from pathlib import Path
from tempfile import TemporaryDirectory

from daemon.picture.file import write_picture
from daemon.picture.page import drawn
from daemon.picture.sheet import PieceSheet, read_sheet
from daemon.store.read_only import reading_only
from daemon.store.stored import lots
from simulators.stand import Harmonic
from tests.bench_files import SCENARIO
from tests.daemon.measured import Bench, measured

FILE = Path(__file__).parent.parent / ".pictures" / "piece.svg"
PIECES = 40


def _had_two(sheet: PieceSheet) -> bool:
    return [c.result for c in sheet.cycles[0].clampings] == ["within"] * 2


def main() -> None:
    """Draw the first piece that its second clamping sent to grade 2."""
    with TemporaryDirectory() as name:
        folder = Path(name)
        for source in SCENARIO.glob("*.toml"):
            (folder / source.name).write_bytes(source.read_bytes())
        kind = Bench(harmonics=(Harmonic(2, 0.15), Harmonic(3, 0.2)))
        shop = measured(folder / "bench.toml", PIECES, kind=kind)
        with reading_only(shop.config.store_path) as db:
            lot = lots(db)[0]
            sheets = (read_sheet(db, lot, number) for number in range(1, PIECES + 1))
            sheet = next(s for s in sheets if s is not None and _had_two(s))
            write_picture(drawn(sheet), FILE)


if __name__ == "__main__":
    main()
