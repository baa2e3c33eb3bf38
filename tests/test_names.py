"""The four flat names are ours alone in an environment.

``daemon``, ``drivers``, ``rules`` and ``simulators`` are imported by their own names; another
distribution that brings one of them would be mixed up with ours, or hide it.
"""

from collections.abc import Iterable
from importlib import import_module, metadata
from pathlib import Path

import pytest

OURS = ("daemon", "drivers", "rules", "simulators")
ROOT = Path(__file__).parent.parent


def bringers(found: Iterable[metadata.Distribution]) -> dict[str, set[str]]:
    """Return which distributions bring one of our names, by name."""
    bring: dict[str, set[str]] = {name: set() for name in OURS}
    for distribution in found:
        if (distribution.name or "").lower() == "reclamp":
            continue
        for file in distribution.files or ():
            first = file.parts[0]
            name = first.removesuffix(".py") if len(file.parts) == 1 else first
            if name in OURS:
                bring[name].add(distribution.name)
    return bring


def test_no_other_distribution_here_brings_one_of_our_names() -> None:
    assert bringers(metadata.distributions()) == {name: set() for name in OURS}


@pytest.mark.parametrize("name", OURS)
def test_what_is_imported_under_our_names_is_this_tree(name: str) -> None:
    module = import_module(name)
    assert module.__file__ is not None
    assert Path(module.__file__).resolve().parent == ROOT / name


@pytest.mark.parametrize("file", ["rules/__init__.py", "daemon.py"])
def test_a_stranger_who_brings_one_is_seen(file: str, tmp_path: Path) -> None:
    info = tmp_path / "stranger-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: stranger\nVersion: 1.0\n")
    (info / "RECORD").write_text(f"{file},,\nstranger-1.0.dist-info/METADATA,,\n")
    found = bringers(metadata.distributions(path=[str(tmp_path)]))
    assert found[file.split("/")[0].removesuffix(".py")] == {"stranger"}
