"""Options of a command that name a line: a port with a driver, or a line of a bench file."""

import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path

from daemon.cli.answers import refuse
from daemon.config import LineConfig, load, plain_options
from daemon.config_sections import LineSection
from daemon.errors import ConfigError, DriverMakeError
from daemon.no_driver import NO_DRIVER
from daemon.registry import FoundDriver, find_driver, make_driver
from daemon.toml_file import Faults
from drivers import Driver, LineSettings, OptionError

COMMAND_LINE = Path("command line")


@dataclass(frozen=True, slots=True)
class HeardLine:
    """A line to listen to.

    Attributes:
        config: Port, speed, framing, levels, times and driver.
        settings: Speed and framing to open it with.
        make: Makes its driver; None where there is none.
    """

    config: LineConfig
    settings: LineSettings
    make: Callable[[], Driver] | None


def parse_options(texts: Sequence[str]) -> dict[str, object]:
    """Return ``KEY=VALUE`` options; a value is TOML, and plain text where it is none."""
    found: dict[str, object] = {}
    for text in texts:
        key, sign, value = text.partition("=")
        if not sign or not key.strip():
            refuse(f"--option {text!r}: accepted is KEY=VALUE, e.g. decimals=4")
        try:
            found[key.strip()] = tomllib.loads(f"it = {value}", parse_float=Decimal)["it"]
        except tomllib.TOMLDecodeError:
            found[key.strip()] = value
    return found


def line_of_file(path: Path, line_id: str | None) -> HeardLine:
    """Return a line of a bench file.

    Raises:
        ConfigError: If the file has faults, or no such line.
    """
    lines = load(path).lines
    if line_id is None and len(lines) == 1:
        line_id = next(iter(lines))
    if line_id is None or line_id not in lines:
        text = f"{path}: line: got --line {line_id}, accepted is one of {', '.join(lines)}"
        raise ConfigError([text])
    return _heard(lines[line_id])


def line_of_options(
    values: Mapping[str, object], driver: str | None, options: Sequence[str]
) -> HeardLine:
    """Return a line that the command line describes.

    Args:
        values: Keys of a ``[[line]]`` table; None for its default.
        driver: Name or ``FILE.py:NAME``, relative to the working folder.
        options: ``KEY=VALUE`` texts.

    Raises:
        ConfigError: For every wrong value, by the key's name in a bench file.
        UnknownDriverError: If there is no such driver.
    """
    faults = Faults(COMMAND_LINE)
    given = {key: value for key, value in values.items() if value is not None}
    table = {
        "id": "line",
        "driver": driver or "none",
        **given,
        "options": parse_options(options),
    }
    section = faults.model(LineSection, table, "line")
    found = NO_DRIVER if driver is None else find_driver(driver, Path.cwd())
    if section is not None:
        _try_options(found, section, faults)
    if section is None or faults.lines:
        raise ConfigError(faults.lines)
    return _heard(LineConfig(section, found))


def _try_options(found: FoundDriver, section: LineSection, faults: Faults) -> None:
    try:
        make_driver(found, plain_options(section.options))
    except OptionError as error:
        faults.add(f"options.{error.key}", f"got {error.got!r}, accepted is {error.accepted}")
    except DriverMakeError as error:
        faults.add("driver", str(error))


def _heard(config: LineConfig) -> HeardLine:
    def make() -> Driver:
        return config.driver.make(plain_options(config.section.options))

    has_driver = config.driver is not NO_DRIVER
    return HeardLine(config, config.settings(make().line), make if has_driver else None)
