"""The picture of a bench's master checks over time."""

from collections.abc import Callable
from pathlib import Path

from typer.testing import CliRunner

from daemon.cli import app
from tests.daemon.bench_of_sweeps import sweep_bench


def test_checks_drift_and_the_holders_share_lie_over_one_time_axis(
    bench_folder: Callable[..., Path], tmp_path: Path
) -> None:
    bench = sweep_bench(bench_folder)
    bench.check()
    for _ in range(4):
        bench.piece(2.0, 2.5, 3.0)
    bench.check()
    bench.piece(2.0, 2.5, 3.0)
    bench.close()
    path, picture = bench.config.source.path, tmp_path / "checks.svg"
    told = CliRunner().invoke(
        app,
        ["master", "status", "--config", str(path), "--bench", "b1", "--plot", str(picture)],
    )
    assert told.exit_code == 0, told.output
    drawn = picture.read_text(encoding="utf-8")
    for title in (
        "run-out on MM-1, far", "sensitivity on EM-1, far", "zero drift since", "share of the",
    ):  # fmt: skip
        assert title in drawn
    assert "run-out on MM-1, far, µm: 2 values" in drawn
    other = picture.with_suffix(".gif")
    refused = CliRunner().invoke(
        app, ["master", "status", "--config", str(path), "--plot", str(other)]
    )
    assert refused.exit_code == 2
    assert "accepted are files that end in .svg or .png" in refused.output
