"""Shared fixtures: a bench file with its rule files in a folder of its own."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.bench_files import bench_file


@pytest.fixture
def bench_folder(tmp_path: Path) -> Callable[..., Path]:
    """Return a maker of bench files: the demo's, with texts replaced, in ``tmp_path``."""

    def make(*replacements: tuple[str, str], name: str = "bench.toml") -> Path:
        return bench_file(tmp_path, *replacements, name=name)

    return make


_REAL = "tests/system/"
"""Tests that start real processes: one after another, two at once are too many."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put what waits on real time first: beside it the other worker computes."""
    items.sort(key=lambda item: not item.nodeid.startswith(_REAL))


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Give each file to one worker, and all of tests/system to one (``-n 2``)."""
    from xdist.scheduler import LoadScopeScheduling

    class ByFile(LoadScopeScheduling):  # type: ignore[misc]
        def _split_scope(self, nodeid: str) -> str:
            return _REAL if nodeid.startswith(_REAL) else nodeid.split("::", 1)[0]

    config.option.loadscopereorder = False
    return ByFile(config, log)
