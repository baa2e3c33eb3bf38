"""Refreshes what README quotes: ``python -m tests.make_readme`` (``--demo`` for the demo too).

Between a marker comment and the end of the fenced block behind it stands what the named
command prints or the named file holds; a named table is made by the tests' own code.
``tests/test_docs.py`` and the test of the table fail when they differ.
"""

import re
import shlex
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

from tests.rules import master_faults

ROOT = Path(__file__).parent.parent
README = ROOT / "README.md"

_OUTPUT = re.compile(r"<!-- output: (?P<what>.+?) -->\n```text\n(?P<body>.*?)```\n", re.DOTALL)
_FILE = re.compile(r"<!-- file: (?P<what>[^ ,]+) -->\n```toml\n(?P<body>.*?)```\n", re.DOTALL)
_DEMO = re.compile(
    r"<!-- demo output: (?P<what>.+?) -->\n(?:```text\n(?P<body>.*?)```\n)?<!-- end -->\n",
    re.DOTALL,
)
_TABLE = re.compile(r"<!-- table: (?P<what>[a-z-]+) -->\n.*?<!-- end -->\n", re.DOTALL)
_TABLES: dict[str, Callable[[], str]] = {"master-faults": master_faults.table}


def output_of(command: str) -> str:
    """Return what a command of ours prints, standard error included."""
    words = shlex.split(command)
    assert words[0] == "reclamp", f"README quotes only our own commands, not {command!r}"
    done = subprocess.run(
        [sys.executable, "-m", "daemon.cli", *words[1:]],
        cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, check=False,
    )  # fmt: skip
    assert "Traceback" not in done.stdout, f"{command} broke down:\n{done.stdout}"
    return done.stdout


def refreshed(text: str, *, with_demo: bool) -> str:
    """Return README's text with every quoted output and file as it is today."""
    text = _OUTPUT.sub(
        lambda m: f"<!-- output: {m['what']} -->\n```text\n{output_of(m['what'])}```\n", text
    )
    text = _FILE.sub(
        lambda m: f"<!-- file: {m['what']} -->\n```toml\n{(ROOT / m['what']).read_text()}```\n",
        text,
    )
    if with_demo:
        text = _DEMO.sub(
            lambda m: (
                f"<!-- demo output: {m['what']} -->\n```text\n{output_of(m['what'])}```\n"
                "<!-- end -->\n"
            ),
            text,
        )
    return text


def tables_refreshed(text: str) -> str:
    """Return README's text with every table of ours as it is today."""
    return _TABLE.sub(
        lambda m: f"<!-- table: {m['what']} -->\n{_TABLES[m['what']]()}<!-- end -->\n", text
    )


if __name__ == "__main__":
    README.write_text(
        tables_refreshed(
            refreshed(README.read_text(encoding="utf-8"), with_demo="--demo" in sys.argv[1:])
        ),
        encoding="utf-8",
    )
