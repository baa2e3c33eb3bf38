"""Shared fixtures: a bench file with its rule files in a folder of its own."""

from collections.abc import Callable
from pathlib import Path

import pytest

SCENARIO = Path(__file__).parent.parent / "simulators" / "scenario"


@pytest.fixture
def bench_folder(tmp_path: Path) -> Callable[..., Path]:
    """Return a maker of bench files: the demo's, with texts replaced, in ``tmp_path``."""

    def make(*replacements: tuple[str, str], name: str = "bench.toml") -> Path:
        for source in SCENARIO.glob("*.toml"):
            text = source.read_text(encoding="utf-8")
            if source.name == "bench.toml":
                for old, new in replacements:
                    assert old in text, f"{old!r} is not in the bench file"
                    text = text.replace(old, new)
                (tmp_path / name).write_text(text, encoding="utf-8")
            else:
                (tmp_path / source.name).write_text(text, encoding="utf-8")
        return tmp_path / name

    return make
