"""What a simulation is named after: a wire pattern, a bench of the demo, a bench file's line.

And the other way round: the ``[[line]]`` table that reads what is simulated.
"""

import json
from collections.abc import Mapping
from decimal import Decimal

from daemon.config import LineConfig, plain_options
from daemon.errors import ConfigError
from daemon.modem_lines import ModemLine
from daemon.simulate.patterns import PATTERNS
from daemon.simulate.wanted import Wanted
from simulators.bench import Contact
from simulators.scenario import B1_FRAME, B2_FRAME

BENCHES: Mapping[str, tuple[str, Mapping[str, object]]] = {
    "b1": ("ascii-line", B1_FRAME),
    "b2": ("ascii-poll", B2_FRAME),
}
"""Benches of the demo: wire pattern and its options."""

_SIMULATED: tuple[Contact, ...] = ("index", "foot")


def pattern_of(target: str) -> tuple[str, Mapping[str, object]]:
    """Return wire pattern and usual options of a pattern's or bench's name.

    Raises:
        ConfigError: If nothing of that name can be simulated.
    """
    if target in BENCHES:
        return BENCHES[target]
    if target in PATTERNS:
        return target, PATTERNS[target].usual
    known = ", ".join([*PATTERNS, *BENCHES])
    raise ConfigError(
        [f"{target!r} can't be simulated; accepted are {known}, or a bench file (.toml)"]
    )


def line_of(config: LineConfig) -> tuple[str, Mapping[str, object], dict[Contact, ModemLine]]:
    """Return wire pattern, options and wiring of a line of a bench file."""
    section = config.section
    wiring = {
        contact: line
        for line, signal in section.signals.items()
        for contact in _SIMULATED
        if signal == contact
    }
    return section.driver or "", plain_options(section.options), wiring


def as_options(options: Mapping[str, object]) -> list[str]:
    """Return options as the ``KEY=VALUE`` texts of a command line."""
    return [f"{key}={_value(value)}" for key, value in options.items()]


def as_toml(wanted: Wanted, url: str) -> str:
    """Return the ``[[line]]`` table of a bench file that reads this line."""
    own = wanted.sampled or wanted.own
    lines = [
        "[[line]]",
        'id = "simulated"',
        f"port = {_value(url)}",
        f"baud = {own.baud}",
        f'framing = "{own.data_bits}{own.parity}{own.stop_bits}"',
        f"driver = {_value(wanted.pattern)}",
        f"options = {_value(wanted.options)}",
    ]
    if wanted.wiring:
        signals = {line: contact for contact, line in wanted.wiring.items()}
        lines.append(f"signals = {_value(signals)}")
    return "\n".join(lines) + "\n"


def _value(value: object) -> str:
    """Return a TOML value on one line; JSON's texts are TOML's."""
    match value:
        case bool():
            return "true" if value else "false"
        case int() | float() | Decimal():
            return str(value)
        case Mapping():
            inner = ", ".join(f"{_key(str(key))} = {_value(it)}" for key, it in value.items())
            return f"{{ {inner} }}" if inner else "{}"
        case list() | tuple():
            return "[" + ", ".join(_value(it) for it in value) + "]"
        case _:
            return json.dumps(str(value), ensure_ascii=False)


def _key(key: str) -> str:
    is_bare = key.isascii() and key.replace("-", "").replace("_", "").isalnum()
    return key if is_bare else json.dumps(key, ensure_ascii=False)
