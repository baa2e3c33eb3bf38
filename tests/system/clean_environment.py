"""A virtual environment with nothing of this tree in it: a wheel, and what the wheel needs.

Third-party distributions are linked from the environment that runs the tests, so that no
index is asked; reclamp itself and what an integrator writes are installed by pip, from files.
"""

import subprocess
import sys
import sysconfig
import venv
from importlib.metadata import distribution
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

__all__ = ["CleanEnvironment", "build_wheel"]

ROOT = Path(__file__).parents[2]


def build_wheel(into: Path) -> Path:
    """Build reclamp's wheel from this tree."""
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(into)]
    subprocess.run(build, cwd=ROOT, check=True, capture_output=True)
    (wheel,) = into.glob("reclamp-*.whl")
    return wheel


class CleanEnvironment:
    """A virtual environment of its own.

    Attributes:
        programs: Where its programs lie.
    """

    def __init__(self, folder: Path, needs: tuple[str, ...]) -> None:
        """Make it, with these third-party distributions and what they need."""
        venv.create(folder, with_pip=False, symlinks=True)
        self.programs = folder / "bin"
        self._python = self.programs / "python"
        variables = {"base": str(folder), "platbase": str(folder)}
        self._site = Path(sysconfig.get_path("purelib", "venv", variables))
        for name in sorted(_with_what_they_need(needs)):
            self._link(name)

    @property
    def pip_install(self) -> str:
        """Return the command that installs a file or folder here, from no index."""
        pip = f"{sys.executable} -m pip --python {self._python} install"
        return f"{pip} --quiet --no-index --no-build-isolation --disable-pip-version-check"

    def install(self, what: Path) -> None:
        """Install a wheel."""
        subprocess.run([*self.pip_install.split(), str(what)], check=True, capture_output=True)

    def run(self, *words: str) -> str:
        """Run its Python; return what it prints."""
        done = subprocess.run(
            [str(self._python), *words], check=True, capture_output=True, text=True, cwd="/"
        )
        return done.stdout

    def _link(self, name: str) -> None:
        """Link a distribution's files: all that lies in its site-packages."""
        found = distribution(name)
        for top in {path.parts[0] for path in found.files or () if path.parts[0] != ".."}:
            place = self._site / top
            if not place.exists() and top != "__pycache__":
                place.symlink_to(str(found.locate_file(top)))


def _with_what_they_need(names: tuple[str, ...]) -> set[str]:
    """Return distributions with all they require, without extras, and without reclamp."""
    found: set[str] = set()
    waiting = list(names)
    while waiting:
        name = canonicalize_name(waiting.pop())
        if name in found:
            continue
        found.add(name)
        for text in distribution(name).requires or ():
            needed = Requirement(text)
            if needed.marker is None or needed.marker.evaluate({"extra": ""}):
                waiting.append(needed.name)
    return found - {"reclamp"}
