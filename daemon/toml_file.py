"""Reading a TOML file into pydantic models, with every fault at once and each by its key."""

import hashlib
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import Any, Literal, TypeVar, get_args, get_origin

from pydantic import ValidationError

from daemon.errors import ConfigError
from daemon.toml_values import KeyFaultError, Section, shown

__all__ = ["Faults", "Raw", "Section", "TomlText", "read_toml", "table", "tables", "toml_of"]

Raw = Mapping[str, Any]

_BYTE_ORDER_MARK = "\ufeff"
"""Some editors put it first; it is no part of the text."""

S = TypeVar("S", bound=Section)


@dataclass(slots=True)
class Faults:
    """The faults of one file, collected: a person mends them all in one go."""

    path: Path
    lines: list[str] = field(default_factory=list)

    def add(self, key: str, text: str) -> None:
        """Note a fault at ``key`` (dotted, list entries by number from 0)."""
        line = f"{self.path}: {key}: {text}" if key else f"{self.path}: {text}"
        if line not in self.lines:
            self.lines.append(line)

    def model(self, model: type[S], raw: object, key: str) -> S | None:
        """Return the section, or None with its faults noted."""
        try:
            return model.model_validate(raw)
        except ValidationError as error:
            for fault in error.errors():
                self._pydantic(model, fault, key)
            return None

    def _pydantic(self, model: type[Section], fault: Any, key: str) -> None:
        where = ".".join([key, *(str(part) for part in fault["loc"])]).strip(".")
        error = fault.get("ctx", {}).get("error")
        if fault["type"] == "extra_forbidden":
            accepted = ", ".join(sorted(_section_at(model, fault["loc"]).model_fields))
            self.add(where, f"unknown key; accepted are {accepted}")
        elif fault["type"] == "missing":
            self.add(where, _missing(model, fault["loc"]))
        elif isinstance(error, KeyFaultError):
            self.add(f"{where}.{error.key}".strip("."), error.text)
        elif fault["type"] == "value_error":
            self.add(where, str(error))
        else:
            self.add(where, f"got {shown(fault['input'])}; {_in_words(fault['msg'])}")


def _in_words(message: str) -> str:
    """Return pydantic's sentence in the words of a TOML file."""
    message = re.sub(r"dictionary( or instance of \w+)?", "table", message)
    return message.removesuffix(" after validation")


def _missing(model: type[Section], loc: tuple[int | str, ...]) -> str:
    """Return what is accepted where nothing stands."""
    name = str(loc[-1])
    field = _section_at(model, loc).model_fields.get(name)
    annotation = field.annotation if field is not None else None
    inner = _inner_section(annotation)
    if inner is None:
        return f"missing; accepted is {_kind(annotation)}"
    how = f"one or more [[{name}]] tables" if get_origin(annotation) is list else "a table"
    return f"missing; accepted is {how} with {', '.join(inner.model_fields)}"


def _kind(annotation: object) -> str:
    if get_origin(annotation) is Literal:
        return " | ".join(f'"{choice}"' for choice in get_args(annotation))
    kinds = {str: "a text", int: "a whole number", Decimal: "a number", float: "a number"}
    return next((word for kind, word in kinds.items() if annotation is kind), "a value")


def _section_at(model: type[Section], loc: tuple[int | str, ...]) -> type[Section]:
    """Return the model of the table that holds the last part of ``loc``."""
    for part in loc[:-1]:
        if isinstance(part, int) or part not in model.model_fields:
            continue
        inner = _inner_section(model.model_fields[part].annotation)
        if inner is not None:
            model = inner
    return model


def _inner_section(annotation: object) -> type[Section] | None:
    if isinstance(annotation, type) and issubclass(annotation, Section):
        return annotation
    for part in getattr(annotation, "__args__", ()):
        found = _inner_section(part)
        if found is not None:
            return found
    return None


@dataclass(frozen=True, slots=True)
class TomlText:
    """A file as read: its text is what the records name, by hash."""

    path: Path
    text: str
    sha256: str
    raw: Mapping[str, Any]


def read_toml(path: Path) -> TomlText:
    """Return a TOML file; numbers come as Decimal, exactly as written.

    Raises:
        ConfigError: If it can't be read or is no TOML.
    """
    try:
        data = path.read_bytes()
    except (OSError, ValueError) as error:  # also a path with a zero byte in it
        why = getattr(error, "strerror", None) or error
        raise ConfigError([f"{path}: {why}"]) from error
    return toml_of(data, path)


def toml_of(data: bytes, path: Path) -> TomlText:
    """Return what the bytes of a TOML file say; ``path`` is how faults name it.

    Raises:
        ConfigError: If it is no TOML.
    """
    try:
        # Bytes, not text: what is hashed is the file as sha256sum sees it.
        text = data.decode("utf-8")
        raw = tomllib.loads(text.removeprefix(_BYTE_ORDER_MARK), parse_float=Decimal)
    except UnicodeDecodeError as error:
        what = f"no UTF-8 text: {error.reason} at byte {error.start}"
        raise ConfigError([f"{path}: {what}"]) from error
    except (ValueError, RecursionError) as error:  # also numbers and nesting without end
        raise ConfigError([f"{path}: no TOML: {error}"]) from error
    return TomlText(path, text, hashlib.sha256(data).hexdigest(), raw)


def tables(raw: Raw, key: str) -> Iterator[tuple[int, Raw]]:
    """Return the numbered tables of a list of tables; what is none is left to the models."""
    found = raw.get(key)
    for number, table in enumerate(found if isinstance(found, list) else []):
        if isinstance(table, Mapping):
            yield number, table


def table(raw: Raw, key: str) -> Raw:
    """Return a table; empty where none stands."""
    found = raw.get(key)
    return found if isinstance(found, Mapping) else {}
