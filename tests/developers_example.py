"""What DEVELOPERS.md tells an integrator to do, done as it is written there.

A fenced block with a file's name beside its language is written to that file; each line of
an ``sh`` block is run in turn, and has to end with the code that its comment ``# exit N``
names, 0 without one.
"""

import os
import re
import shlex
import subprocess
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

__all__ = ["Block", "Shell", "blocks_of", "follow"]

DEVELOPERS = Path(__file__).parents[1] / "DEVELOPERS.md"
_FENCE = re.compile(r"^```(\w+)(?: (\S+))?\n(.*?)^```$", re.MULTILINE | re.DOTALL)
_EXIT = re.compile(r"\s+# exit (\d+)$")


@dataclass(frozen=True)
class Block:
    """One fenced block.

    Attributes:
        language: The word behind the fence.
        name: The file it is, or where a command runs; "" if it has none.
    """

    language: str
    name: str
    text: str


def blocks_of(heading: str, document: Path = DEVELOPERS) -> list[Block]:
    """Return the fenced blocks under a heading of DEVELOPERS.md, or of another document."""
    text = document.read_text(encoding="utf-8")
    _, _, after = text.partition(f"\n## {heading}\n")
    assert after, f"no section {heading}"
    section = after.partition("\n## ")[0]
    return [Block(match[1], match[2] or "", match[3]) for match in _FENCE.finditer(section)]


class Shell:
    """Runs commands where the last one left off.

    Attributes:
        said: What each command printed, in order.
    """

    def __init__(self, folder: Path, programs: Path) -> None:
        """Begin in a folder, with the programs of a virtual environment found first."""
        self.folder = folder
        self.said: list[tuple[str, str]] = []
        path = f"{programs}{os.pathsep}{os.environ['PATH']}"
        self._environment = {**os.environ, "PATH": path, "PIP_NO_INPUT": "1"}
        self._environment.pop("PYTHONPATH", None)

    def run(self, line: str, **environment: str) -> str:
        """Run one line; return what it printed."""
        found = _EXIT.search(line)
        expected = int(found[1]) if found else 0
        command = line[: found.start()] if found else line
        words = shlex.split(command)
        if words[0] == "cd":
            self.folder = (self.folder / words[1]).resolve()
            return ""
        done = subprocess.run(
            command, shell=True, cwd=self.folder, text=True, check=False,
            env={**self._environment, **environment},
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
        )  # fmt: skip
        assert done.returncode == expected, f"{command}: {done.returncode}\n{done.stdout}"
        self.said.append((command, done.stdout))
        return done.stdout


def follow(
    blocks: list[Block], shell: Shell, changed: Mapping[str, str] | None = None
) -> Iterator[Block]:
    """Yield each block, after its file was written or its commands were run.

    Args:
        blocks: In their order.
        shell: Where they run; files are written where it began.
        changed: Commands to run in place of others.
    """
    began = shell.folder
    for block in blocks:
        if block.language != "sh" and block.name:
            (began / block.name).write_text(block.text, encoding="utf-8")
        elif block.language == "sh" and block.name != "bench":
            for line in block.text.splitlines():
                shell.run((changed or {}).get(line, line))
        yield block
