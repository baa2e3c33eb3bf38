"""The bench file: load it, find every fault at once, hand plain rules to the core."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from pathlib import Path
from typing import Any

from daemon import config_checks
from daemon.broker import Broker, parse_url
from daemon.capture_section import CaptureSection
from daemon.check_section import check_rules, note_masters
from daemon.config_sections import (
    BenchFile,
    BenchSection,
    IndicatorSection,
    LineSection,
    LotSection,
    StoreSection,
)  # fmt: skip
from daemon.errors import ConfigError
from daemon.lot_checks import check_lots
from daemon.no_driver import NO_DRIVER
from daemon.registry import FoundDriver, find_driver
from daemon.rule_file import ReadRules, RuleText, read_rules
from daemon.toml_file import Faults, TomlText, read_toml, table, tables
from drivers import LineSettings
from rules.bench import BenchRules
from rules.capture_model import CaptureRules, IndicatorRules
from rules.foot_switch import FootRules
from rules.holder_series import holder_limit_nm
from rules.instruments import Register
from rules.length import um_to_nm
from rules.masters import StillSpan
from rules.put_away import PutAwayRules
from rules.rotation import Rotation
from rules.ruleset import RuleBook, RuleSet
from rules.run_out import SweepRules

NS_PER_S = 1_000_000_000
_NO_WINDOW_UM = 1_000_000
_SILENT_S = 1.5
_PARITIES: dict[str, Any] = {"N": "N", "E": "E", "O": "O"}


@dataclass(frozen=True, slots=True)
class LineConfig:
    """One line, ready to open.

    Attributes:
        section: The table of the file.
        driver: Where its driver comes from; ``NO_DRIVER`` for a line without an indicator.
        signals_of: The bench its signals belong to; None if it has none.
        silent_s: After how long without a reading an indicator is lost; 0 is never.
    """

    section: LineSection
    driver: FoundDriver
    silent_s: float = _SILENT_S
    signals_of: str | None = None

    def settings(self, default: LineSettings) -> LineSettings:
        """Return speed and framing: the file's where it says so, else the driver's own."""
        baud = self.section.baud or default.baud
        if self.section.framing is None:
            return LineSettings(baud, default.data_bits, default.parity, default.stop_bits)
        bits, parity, stop = list(self.section.framing)
        return LineSettings(
            baud, 7 if bits == "7" else 8, _PARITIES[parity], 1 if stop == "1" else 2
        )


@dataclass(frozen=True, slots=True)
class BenchConfig:
    """One bench, ready to run.

    Attributes:
        section: The table of the file.
        rules: What its steps go by: of the rule file, what it says of the lot's article.
        rules_path: The rule file.
        rules_text: Its text as read.
        book: The whole rule file.
        where: File and table it stands in, for faults that only the record shows.
        register: The register of instruments it goes by; empty before the record was read.
    """

    section: BenchSection
    rules: BenchRules
    rules_path: Path
    rules_text: str
    book: RuleBook
    where: str = ""
    register: Register = field(default_factory=dict)

    def going_by(self, rules: RuleText, article: str | None) -> "BenchConfig":
        """Return the bench as it goes by what a state of its rule file says of an article.

        None is a bench without a lot: nothing is graded by what it goes by then.

        Raises:
            UnknownArticleError: If that state has no such article.
        """
        book = rules.book
        grading = book.first if article is None else book.of(article)
        steps = bench_rules(self.section, grading, self.register, self.where)
        return replace(self, rules=steps, rules_text=rules.text, book=book)

    def measuring_with(self, register: Register) -> "BenchConfig":
        """Return the bench as it goes by this register: its masters' values come from there."""
        check = check_rules(
            self.section.check, self.rules.grading, register, f"{self.where}.check",
            _still(self.section),
        )  # fmt: skip
        return replace(self, rules=replace(self.rules, check=check), register=register)

    @property
    def rule_text(self) -> RuleText:
        """Return the state of the rule file it goes by."""
        return RuleText(self.book, self.rules_text)

    @property
    def id(self) -> str:
        """Return the bench's id."""
        return self.section.id

    @property
    def holder_limit_nm(self) -> int | None:
        """Return what the holder's share of the run-out may be; None: there is no limit."""
        return share_limit_nm(self.section, self.rules.grading)

    def bin_holds(self) -> Mapping[str, str]:
        """Return what each bin holds: a grade id, "hold" or "nonconforming"."""
        holds: dict[str, str] = {}
        for rules in self.book.articles.values():
            holds |= {grade.bin: grade.id for grade in rules.grades}
            holds |= {rules.hold_bin: "hold", rules.nonconforming_bin: "nonconforming"}
        return holds


@dataclass(frozen=True, slots=True)
class Config:
    """A bench file without fault.

    Attributes:
        source: The file as read.
        file: Its tables.
        lines: Lines by id.
        benches: Benches in the order of the file.
        broker: Where events go.
        store_path: Where the record is kept.
    """

    source: TomlText
    file: BenchFile
    lines: Mapping[str, LineConfig]
    benches: tuple[BenchConfig, ...]
    broker: Broker
    store_path: Path


def store_path(path: Path) -> Path:
    """Return where the store of a bench file lies, whatever else is wrong with its files.

    Raises:
        ConfigError: If the bench file can't be read, or doesn't say it.
    """
    source = read_toml(path)
    faults = Faults(path)
    section = faults.model(StoreSection, table(source.raw, "store"), "store")
    if section is None:
        raise ConfigError(faults.lines)
    return path.parent / section.path


def misfits(
    config: Config, bench: str, read: ReadRules, register: Register | None = None
) -> tuple[str, ...]:
    """Return why rules without faults of their own don't fit a bench; nothing if they do.

    Args:
        config: The whole bench file.
        bench: Which bench of it.
        read: The rules.
        register: What its masters are by the register; None: they go by the file alone.
    """
    faults = Faults(config.source.path)
    for number, raw in tables(config.source.raw, "bench"):
        if raw.get("id") == bench:
            config_checks.check_fit(raw, read.outline, f"bench.{number}", faults)
            if read.rules is not None:
                section = next(one.section for one in config.benches if one.id == bench)
                note_masters(
                    number, section.check, section.capture.mode, read.rules,
                    _still(section), faults, register or {},
                )  # fmt: skip
    return tuple(faults.lines)


def load(path: Path) -> Config:
    """Return the configuration of a bench file.

    Raises:
        ConfigError: With every fault of the bench file and its rule files.
    """
    source = read_toml(path)
    faults = Faults(path)
    file = faults.model(BenchFile, source.raw, "")
    read = _read_rule_files(source, faults)
    drivers = _find_drivers(source, faults)
    outlines = {name: found.outline for name, found in read.items()}
    config_checks.check_raw(source.raw, outlines, faults)
    rule_sets = {n: (f.rules, f.text) for n, f in read.items() if f.rules is not None}
    if file is not None:
        with_books = _with_books(file, rule_sets)
        check_lots(with_books, faults)
        for number, (bench, book) in with_books.items():
            note_masters(
                number, bench.check, bench.capture.mode, book, _still(bench), faults, {}
            )
    if faults.lines or file is None:
        raise ConfigError(faults.lines)
    benches = tuple(
        _bench(
            section, path.parent / section.rules, rule_sets[section.rules],
            f"{path}: bench.{number}",
        )
        for number, section in enumerate(file.bench)
    )  # fmt: skip
    return Config(
        source, file, _lines(file, drivers), benches, _broker(file, path.parent),
        path.parent / file.store.path,
    )  # fmt: skip


def _with_books(
    file: BenchFile, rule_sets: Mapping[str, tuple[RuleBook, str]]
) -> dict[int, tuple[BenchSection, RuleBook]]:
    return {
        number: (bench, rule_sets[bench.rules][0])
        for number, bench in enumerate(file.bench)
        if bench.rules in rule_sets
    }


def _lines(file: BenchFile, drivers: Mapping[str, FoundDriver]) -> dict[str, LineConfig]:
    """Return the lines; one of single values is never silent: they come at a key press."""
    single = {
        indicator.line
        for bench in file.bench
        for indicator in bench.indicator
        if bench.capture.mode == "single-value"
    }
    found = {}
    for line in file.line:
        silent_s = line.silent_s
        if silent_s is None:
            silent_s = 0.0 if line.id in single else _SILENT_S
        driver = NO_DRIVER if line.driver is None else drivers[line.driver]
        signals_of = _signals_of(line, file) if line.signals else None
        found[line.id] = LineConfig(line, driver, silent_s, signals_of)
    return found


def _signals_of(line: LineSection, file: BenchFile) -> str | None:
    served = [b.id for b in file.bench if any(i.line == line.id for i in b.indicator)]
    return line.bench or served[0]


def _read_rule_files(source: TomlText, faults: Faults) -> dict[str, ReadRules]:
    found: dict[str, ReadRules] = {}
    for number, bench in tables(source.raw, "bench"):
        name = bench.get("rules")
        if not isinstance(name, str) or not name or name in found:
            continue
        path = source.path.parent / name
        try:
            found[name] = read_rules(path)
            lines: tuple[str, ...] = found[name].faults
        except ConfigError as error:
            lines = error.faults
        if lines and not path.is_file():
            text = f"no file {str(path)!r}; accepted is a path from the bench file's folder"
            faults.add(f"bench.{number}.rules", text)
            continue
        faults.lines.extend(line for line in lines if line not in faults.lines)
    return found


def _find_drivers(source: TomlText, faults: Faults) -> dict[str, FoundDriver]:
    """Find and try every driver; a wrong option is told like one of our own keys."""
    found: dict[str, FoundDriver] = {}
    for number, line in tables(source.raw, "line"):
        name, options = line.get("driver"), line.get("options", {})
        if not isinstance(name, str) or not isinstance(options, Mapping):
            continue
        driver = config_checks.try_driver(
            lambda name=name: find_driver(name, source.path.parent),  # type: ignore[misc]
            plain_options(options),
            f"line.{number}",
            faults,
        )
        if driver is not None:
            found[name] = driver
    return found


def plain_options(options: Mapping[str, Any]) -> dict[str, object]:
    """Return driver options as plain TOML values: whole numbers as int, others as float."""

    def plain(value: Any) -> object:
        if isinstance(value, Decimal):
            return float(value)
        if isinstance(value, Mapping):
            return {key: plain(inner) for key, inner in value.items()}
        return [plain(inner) for inner in value] if isinstance(value, list) else value

    return {key: plain(value) for key, value in options.items()}


def _broker(file: BenchFile, beside: Path) -> Broker:
    host, port, tls, username = parse_url(file.mqtt.url)
    section = file.mqtt

    def resolved(name: str | None) -> Path | None:
        return beside / name if name is not None else None

    return Broker(
        host, port, username, resolved(section.password_file), tls, resolved(section.ca_file),
        resolved(section.cert_file), resolved(section.key_file), section.protocol,
    )  # fmt: skip


def _bench(
    section: BenchSection, path: Path, read: tuple[RuleBook, str], where: str
) -> BenchConfig:
    book, text = read
    grading = book.of(section.lot.article) if section.lot is not None else book.first
    rules = bench_rules(section, grading, {}, where)
    return BenchConfig(section, rules, path, text, book, where)


def bench_rules(
    section: BenchSection, grading: RuleSet, register: Register, where: str
) -> BenchRules:
    """Return what the steps of a bench go by under these rules and this register."""
    capture = capture_rules(section.capture, section.indicator, grading)
    put_away = PutAwayRules(
        frozenset(section.put_away.by), _ns(section.put_away.confirm_within_s)
    )
    foot = FootRules(_ns(section.foot_switch.long_press_s))
    rotation = Rotation(section.rotation.spindle, section.rotation.collet)
    where = f"{where}.check"
    check = check_rules(section.check, grading, register, where, _still(section))
    return BenchRules(grading, capture, put_away, foot, rotation, check)


def capture_rules(
    section: CaptureSection, indicators: list[IndicatorSection], grading: RuleSet
) -> CaptureRules:
    """Return the plain capture rules of a bench table."""
    return CaptureRules(
        mode=section.mode,
        indicators=tuple(_indicator(i, section, grading) for i in indicators),
        settle_ns=_ns(section.settle_s),
        run_up_ns=_ns(section.run_up_s),
        moving_nm=_moving_nm(section, indicators),
        turn_wait_ns=_ns(section.turn_wait_s),
        lift_ns=_ns(section.lift_s),
        removal_ns=_ns(section.removal_s),
        loosening_nm=um_to_nm(section.loosening_um),
        loosening_ns=_ns(section.loosening_s),
        reclamp_min_ns=_ns(section.reclamp_min_s),
    )


def _moving_nm(section: CaptureSection, indicators: list[IndicatorSection]) -> int:
    finest = min(um_to_nm(indicator.step_um) for indicator in indicators)
    return um_to_nm(section.moving_um) if section.moving_um is not None else 4 * finest


def _window_um(indicator: IndicatorSection) -> tuple[Decimal, Decimal]:
    low, high = indicator.window_um or (-_NO_WINDOW_UM, _NO_WINDOW_UM)
    return Decimal(low), Decimal(high)


def _still(section: BenchSection) -> StillSpan:
    """Return what the indicators of a bench can show at standstill."""
    widths = [high - low for low, high in map(_window_um, section.indicator)]
    moving_nm = _moving_nm(section.capture, section.indicator)
    return StillSpan(um_to_nm(min(widths)), moving_nm)


def share_limit_nm(section: BenchSection, grading: RuleSet) -> int | None:
    """Return what the holder may add, as TIR: the bench file's word, else the grades'."""
    said = section.holder.share_limit_um
    return holder_limit_nm(grading) if said is None else um_to_nm(said)


def _indicator(
    indicator: IndicatorSection, section: CaptureSection, grading: RuleSet
) -> IndicatorRules:
    low, high = _window_um(indicator)
    sweep = SweepRules(
        proof=section.proof or "index",
        turns=grading.turns,
        step_nm=um_to_nm(indicator.step_um),
        top_limit_nm=grading.top_limit_at_nm(indicator.position),
        fastest_turn_ns=_ns(section.fastest_turn_s),
        slowest_turn_ns=_ns(section.slowest_turn_s),
        samples_min=section.samples_min,
        turn_ns=_ns(section.turn_s or 0),
        speed_tolerance_percent=section.speed_tolerance_percent,
        has_run_contact=section.run_contact,
        second_flag_deg=section.second_flag_deg or 0,
        delay_ns=_ns(indicator.delay_s),
    )
    return IndicatorRules(
        indicator.id, indicator.position, um_to_nm(low), um_to_nm(high), sweep
    )


def _ns(seconds: float) -> int:
    return round(seconds * NS_PER_S)


__all__ = ["BenchConfig", "Config", "LineConfig", "LotSection", "load"]
