"""Who imports whom in this tree, read from the files without importing them."""

import ast
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

__all__ = ["Graph", "broken", "contracts", "graph_of", "reached"]

ROOT = Path(__file__).parent.parent
PACKAGES = ("daemon", "drivers", "rules", "simulators")

Graph = Mapping[str, frozenset[str]]
"""Module → what it imports: modules of the tree by their full name, others by their first."""


def contracts() -> list[dict[str, Any]]:
    """Return the import contracts of pyproject.toml."""
    text = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    found: list[dict[str, Any]] = tomllib.loads(text)["tool"]["importlinter"]["contracts"]
    return found


def graph_of(root: Path = ROOT, packages: Iterable[str] = PACKAGES) -> Graph:
    """Return the imports of every module below the packages, those in functions too."""
    files = {_name(path, root): path for p in packages for path in (root / p).rglob("*.py")}
    return {
        name: frozenset(_imports(ast.parse(path.read_text(encoding="utf-8")), name, files))
        for name, path in files.items()
    }


def _name(path: Path, root: Path) -> str:
    parts = path.relative_to(root).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def _imports(tree: ast.AST, name: str, known: Mapping[str, object]) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield _known(alias.name, known)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{name} imports relatively"
            module = node.module or ""
            for alias in node.names:
                yield _known(f"{module}.{alias.name}", known)


def _known(name: str, known: Mapping[str, object]) -> str:
    """Return the module of the tree in which a name lies, or the package it is of."""
    parts = name.split(".")
    for length in range(len(parts), 0, -1):
        if (module := ".".join(parts[:length])) in known:
            return module
    return parts[0]


def _below(module: str, package: str) -> bool:
    return module == package or module.startswith(f"{package}.")


def reached(graph: Graph, start: str) -> set[str]:
    """Return everything a module leads to, itself included."""
    seen: set[str] = set()
    waiting = [start]
    while waiting:
        module = waiting.pop()
        if module not in seen:
            seen.add(module)
            waiting += graph.get(module, ())
    return seen


def broken(contract: Mapping[str, Any], graph: Graph) -> list[str]:
    """Return ``importer -> imported`` for everything a contract forbids."""
    if contract["type"] == "layers":
        return list(_against_layers(contract["layers"], graph))
    return list(_forbidden(contract, graph))


def _against_layers(layers: list[str], graph: Graph) -> Iterator[str]:
    for number, low in enumerate(layers):
        for module in (m for m in graph if _below(m, low)):
            for high in layers[:number]:
                yield from (f"{module} -> {i}" for i in graph[module] if _below(i, high))


def _forbidden(contract: Mapping[str, Any], graph: Graph) -> Iterator[str]:
    ignored = [tuple(i.split(" -> ")) for i in contract.get("ignore_imports", [])]
    allowed = {
        (module, imported)
        for module, imports in graph.items()
        for imported in imports
        if any(_matches(module, a) and _matches(imported, b) for a, b in ignored)
    }
    kept = {m: frozenset(i for i in imports if (m, i) not in allowed)
            for m, imports in graph.items()}  # fmt: skip
    for module in (m for m in graph if any(_below(m, s) for s in contract["source_modules"])):
        if contract.get("allow_indirect_imports"):
            found = set(kept[module])
        else:
            found = reached(kept, module) - {module}
        for imported in sorted(found):
            if any(_below(imported, f) for f in contract["forbidden_modules"]):
                yield f"{module} -> {imported}"


def _matches(module: str, pattern: str) -> bool:
    return _below(module, pattern.removesuffix(".**")) or fnmatchcase(module, pattern)
