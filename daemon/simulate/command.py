"""What ``reclamp simulate`` asks of this package: words in, one wanted simulation out."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from daemon.config import LineConfig, plain_options
from daemon.modem_lines import ModemLine
from daemon.simulate.session import Around, run
from daemon.simulate.target import as_options, as_toml, line_of, pattern_of
from daemon.simulate.wanted import (
    EndWanted,
    Wanted,
    Word,
    read_end,
    read_plan,
    read_settings,
    read_wiring,
)  # fmt: skip
from drivers import LineSettings
from simulators.bench import Contact
from simulators.faults import LineFaults

__all__ = [
    "Around", "Asked", "LineFaults", "Wanted", "Words", "as_options", "as_toml", "of_file",
    "of_pattern", "pattern_of", "read_words", "run", "wanted",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Words:
    """Options that are texts, as read.

    Attributes:
        end: Where the line is opened.
        sampled: How its reader is set; None: like the indicator.
        wiring: Contacts on modem lines; None where nothing was said.
        plan: What happens when.
    """

    end: EndWanted
    sampled: LineSettings | None
    wiring: Mapping[Contact, ModemLine] | None
    plan: Sequence[tuple[float, Word]]


@dataclass(frozen=True, slots=True)
class Asked:
    """What speaks: by name, or as a bench file says.

    Attributes:
        pattern: Driver name of the wire pattern.
        options: The driver's options.
        own: How the indicator sends.
        wiring: Contacts on modem lines.
        lot: Demo bench whose lot lies in the tray.
    """

    pattern: str
    options: Mapping[str, object]
    own: LineSettings
    wiring: Mapping[Contact, ModemLine]
    lot: str = "b1"


def read_words(
    port: str, sampled: str | None, signals: Sequence[str], at: Sequence[str]
) -> Words:
    """Return the texts as read.

    Raises:
        ValueError: If one is wrong, with the option and what is accepted.
    """
    end = read_end(port)
    if sampled is not None and end.kind == "rfc2217":
        raise ValueError("--sampled: over rfc2217 the client says how it reads")
    if signals and end.kind != "rfc2217":
        raise ValueError(f"--signal: {end.kind} has no modem lines; accepted with rfc2217")
    settings = read_settings(sampled) if sampled is not None else None
    return Words(end, settings, read_wiring(signals) if signals else None, read_plan(at))


def of_file(config: LineConfig, own: LineSettings) -> Asked:
    """Return what a line of a bench file describes."""
    pattern, options, wiring = line_of(config)
    return Asked(pattern, options, own, wiring)


def of_pattern(config: LineConfig, own: LineSettings, target: str) -> Asked:
    """Return what a pattern's or a demo bench's name and the options beside it describe."""
    lot = target if target in ("b1", "b2") else "b1"
    options = plain_options(config.section.options)
    return Asked(config.section.driver or "", options, own, {}, lot)


def wanted(
    asked: Asked, words: Words, faults: LineFaults, rate_hz: int, seed: int, pieces: int
) -> Wanted:
    """Return the simulation that both describe; a bench file's wiring needs modem lines."""
    wiring = asked.wiring if words.wiring is None else words.wiring
    if words.end.kind != "rfc2217":
        wiring = {}
    return Wanted(
        asked.pattern, asked.options, asked.own, words.end, words.sampled, wiring, faults,
        words.plan, rate_hz, seed, pieces, asked.lot,
    )  # fmt: skip
