"""Writing a new driver: a package of its own, or one file."""

import ast
import keyword
import re
import sys
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from importlib.metadata import version
from importlib.resources import files
from pathlib import Path
from string import Template

from daemon.registry import known_drivers

_TEMPLATE = "daemon.driver_template"
_PACKAGE = f"{_TEMPLATE}.skeleton"
_CODE = ("driver.py", "codec.py", "driver_specimens.py")
_NAME = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*")
_TAKEN = frozenset({"daemon", "drivers", "rules", "simulators", "tests"})


class NewDriverError(ValueError):
    """A new driver that can't be written: what was asked, and what is accepted."""


@dataclass(frozen=True, slots=True)
class NewName:
    """A new driver's names.

    Attributes:
        name: As a bench file names it: lower-case words with "-".

    Raises:
        NewDriverError: If the name is none, or taken.
    """

    name: str

    def __post_init__(self) -> None:
        accepted = 'accepted are lower-case words of letters and digits with "-" between'
        if not _NAME.fullmatch(self.name) or keyword.iskeyword(self.module):
            raise NewDriverError(f"{self.name!r}: {accepted}")
        if self.name in known_drivers():
            raise NewDriverError(f"{self.name!r} is the name of an installed driver")
        if self.module in _TAKEN or self.module in sys.stdlib_module_names:
            raise NewDriverError(f"{self.name!r} is the name of another module of Python")

    @property
    def module(self) -> str:
        """The package or module."""
        return self.name.replace("-", "_")

    @property
    def class_name(self) -> str:
        """The driver's class."""
        return "".join(word.capitalize() for word in self.name.split("-"))


def write_package(new: NewName, into: Path) -> list[Path]:
    """Write a package with driver, simulated indicator, frames, test and packaging.

    Returns:
        The files, in the order in which to read them.

    Raises:
        NewDriverError: If the folder exists or can't be written.
    """
    home = into / new.name
    texts = {
        home / new.module / "driver.py": _renamed(_text("skeleton/driver.py"), new),
        home / new.module / "codec.py": _renamed(_text("skeleton/codec.py"), new),
        home / new.module / "driver_specimens.py": _renamed(
            _text("skeleton/driver_specimens.py"), new
        ),
        home / new.module / "__init__.py": _text("skeleton/__init__.py"),
        home / "tests" / "test_driver.py": _renamed(_text("test_driver.py"), new),
        home / "pyproject.toml": _filled(_text("pyproject.toml.txt"), new),
        home / "README.md": _filled(_text("README.md.txt"), new),
    }
    return _write(home, texts)


def write_single(new: NewName, into: Path) -> list[Path]:
    """Write one file with driver, simulated indicator and frames.

    Raises:
        NewDriverError: If it exists or can't be written.
    """
    path = into / f"{new.module}.py"
    merged = _merged(_text(f"skeleton/{name}") for name in _CODE)
    return _write(path, {path: _renamed(merged, new)})


def _write(home: Path, texts: Mapping[Path, str]) -> list[Path]:
    if home.exists():
        raise NewDriverError(f"{home} exists; accepted is a name that is free")
    try:
        for path, text in texts.items():
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise NewDriverError(f"{home}: {error.strerror}") from error
    return list(texts)


def _text(name: str) -> str:
    return files(_TEMPLATE).joinpath(name).read_text(encoding="utf-8")


def _renamed(text: str, new: NewName) -> str:
    named = (
        text.replace(_PACKAGE, new.module)
        .replace("Skeleton", new.class_name)
        .replace("skeleton", new.name)
    )
    return _own_imports_last(named, new)


def _own_imports_last(text: str, new: NewName) -> str:
    """Return the text with the package's own imports behind those of reclamp."""
    lines = text.splitlines(keepends=True)
    own = [line for line in lines if line.startswith(f"from {new.module}.")]
    if not own:
        return text
    others = [line for line in lines if line not in own]
    last = max(at for at, line in enumerate(others) if line.startswith(("from ", "import ")))
    return "".join([*others[: last + 1], "\n", *own, *others[last + 1 :]])


def _filled(text: str, new: NewName) -> str:
    return Template(text).substitute(
        name=new.name, module=new.module, reclamp=version("reclamp")
    )


def _merged(texts: Iterable[str]) -> str:
    """Return the files as one: the first one's docstring, all imports, then their bodies."""
    docstring, bodies = "", []
    plain: set[str] = set()
    names: dict[str, set[str]] = {}
    for text in texts:
        tree = ast.parse(text)
        docstring = docstring or text[: _start_of(text, tree.body[1])].rstrip()
        imports = [node for node in tree.body if isinstance(node, ast.Import | ast.ImportFrom)]
        for node in imports:
            if isinstance(node, ast.Import):
                plain |= {alias.name for alias in node.names}
            elif node.module is not None and not node.module.startswith(_TEMPLATE):
                found = names.setdefault(node.module, set())
                found |= {alias.name for alias in node.names}
        after = next(node for node in tree.body[1:] if node not in imports)
        bodies.append(text[_start_of(text, after) :].strip("\n"))
    body = "\n\n\n".join(bodies)
    return f"{docstring}\n\n{_imports(plain, names)}\n{body}\n"


def _start_of(text: str, node: ast.stmt) -> int:
    decorators = getattr(node, "decorator_list", [])
    line = min([node.lineno, *(decorator.lineno for decorator in decorators)])
    return sum(len(each) for each in text.splitlines(keepends=True)[: line - 1])


def _imports(plain: set[str], names: Mapping[str, set[str]]) -> str:
    """Return import lines, those of the standard library first."""
    standard = [f"import {name}" for name in sorted(plain)]
    ours: list[str] = []
    for module in sorted(names):
        line = f"from {module} import {', '.join(sorted(names[module]))}"
        is_standard = module.partition(".")[0] in sys.stdlib_module_names
        (standard if is_standard else ours).append(line)
    return "\n".join(standard) + "\n\n" + "\n".join(ours) + "\n"
