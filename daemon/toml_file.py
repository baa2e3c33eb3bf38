"""Reading a TOML file into pydantic models, with every fault at once and each by its key."""

import hashlib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from daemon.errors import ConfigError


class Section(BaseModel):
    """Base of every table in a file: frozen, unknown keys are errors, types are not bent."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


def _decimal(value: object) -> Decimal:
    if isinstance(value, bool) or not isinstance(value, int | Decimal):
        raise ValueError(f"got {value!r}, accepted is a number")
    return Decimal(value)


def _float(value: object) -> float:
    return float(_decimal(value))


Number = Annotated[Decimal, BeforeValidator(_decimal)]
"""A number as written, exact."""

Seconds = Annotated[float, BeforeValidator(_float), Field(ge=0, le=86_400)]
Share = Annotated[float, BeforeValidator(_float), Field(gt=0, lt=1)]
Word = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]*$", max_length=60)]
"""An id that can stand in a topic: letters, digits, "-" and "_"."""

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
        if fault["type"] == "extra_forbidden":
            accepted = ", ".join(sorted(_section_at(model, fault["loc"]).model_fields))
            self.add(where, f"unknown key; accepted are {accepted}")
        elif fault["type"] == "missing":
            self.add(where, "missing; it has no default")
        elif fault["type"] == "value_error":
            self.add(where, fault["msg"].removeprefix("Value error, "))
        else:
            self.add(where, f"got {_shown(fault['input'])}; {fault['msg']}")


def _shown(value: object) -> str:
    return str(value) if isinstance(value, Decimal) else repr(value)


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
        text = path.read_text(encoding="utf-8")
        raw = tomllib.loads(text, parse_float=Decimal)
    except OSError as error:
        raise ConfigError([f"{path}: {error.strerror or error}"]) from error
    except UnicodeDecodeError as error:
        raise ConfigError([f"{path}: no UTF-8 text: {error.reason}"]) from error
    except tomllib.TOMLDecodeError as error:
        raise ConfigError([f"{path}: no TOML: {error}"]) from error
    return TomlText(path, text, hashlib.sha256(text.encode("utf-8")).hexdigest(), raw)
