"""A finding as a piece of bench.toml, with what stays open as comments."""

import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from textwrap import wrap

from daemon.config import plain_options
from daemon.config_sections import LineSection
from daemon.errors import ConfigError
from daemon.recognise.judge import Finding
from daemon.recognise.proposal import Doubt
from daemon.registry import find_driver
from daemon.toml_file import Faults
from drivers import OptionError

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_WIDTH = 92


@dataclass(frozen=True, slots=True)
class Place:
    """Where the indicator was heard.

    Attributes:
        port: As the bench file should name it.
        baud: Speed; None where nothing shows it.
        framing: Such as "7E1"; None where nothing shows it.
    """

    port: str
    baud: int | None = None
    framing: str | None = None


def bench_piece(finding: Finding, place: Place, doubts: Sequence[Doubt]) -> str:
    """Return the ``[[line]]`` of a bench file that reads this indicator.

    Raises:
        ConfigError: If the piece would not pass as part of a bench file.
    """
    candidate = finding.outcome.candidate
    lines = [comment for doubt in doubts for comment in _comment(doubt)]
    lines += ["[[line]]", 'id = "line1"', f"port = {_value(place.port)}"]
    if place.baud is not None:
        lines.append(f"baud = {place.baud}")
    if place.framing is not None:
        lines.append(f'framing = "{place.framing}"')
    lines += [f'driver = "{candidate.driver}"', "", "[line.options]"]
    lines += [f"{_key(key)} = {_value(value)}" for key, value in candidate.options.items()]
    text = "\n".join(lines) + "\n"
    _check(text)
    return text


def _comment(doubt: Doubt) -> list[str]:
    return wrap(f"{doubt.about}: {doubt.text}", _WIDTH, initial_indent="# open: ",
                subsequent_indent="#       ", break_long_words=False)  # fmt: skip


def _key(key: str) -> str:
    return key if _BARE_KEY.fullmatch(key) else json.dumps(key)


def _value(value: object) -> str:
    """Return a value as TOML; its strings are escaped as JSON's are."""
    if isinstance(value, Mapping):
        inner = ", ".join(f"{_key(key)} = {_value(item)}" for key, item in value.items())
        return f"{{ {inner} }}" if inner else "{}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, float):
        return format(Decimal(str(value)), "f")
    return json.dumps(value)


def _check(text: str) -> None:
    """Read the piece as the service would: its table, its driver, its options."""
    faults = Faults(Path("proposal"))
    (table,) = tomllib.loads(text, parse_float=Decimal)["line"]
    section = faults.model(LineSection, table, "line.0")
    if section is not None and section.driver is not None:
        try:
            find_driver(section.driver, Path.cwd()).make(plain_options(section.options))
        except OptionError as error:
            faults.add(f"line.0.options.{error.key}", str(error))
    if faults.lines:
        raise ConfigError(faults.lines)
