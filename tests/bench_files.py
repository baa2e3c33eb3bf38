"""The demo's bench file and rule files, with texts replaced, in a folder of a test's own."""

from pathlib import Path

SCENARIO = Path(__file__).parent.parent / "simulators" / "scenario"


def bench_file(folder: Path, *replacements: tuple[str, str], name: str = "bench.toml") -> Path:
    """Write them; return the bench file's path."""
    for source in SCENARIO.glob("*.toml"):
        text = source.read_text(encoding="utf-8")
        if source.name == "bench.toml":
            for old, new in replacements:
                assert old in text, f"{old!r} is not in the bench file"
                text = text.replace(old, new)
            (folder / name).write_text(text, encoding="utf-8")
        else:
            (folder / source.name).write_text(text, encoding="utf-8")
    return folder / name
