"""What one table can't see: ports, channels, bins and limits that must fit each other.

Works on the raw file, so that a fault in one table hides no fault in another.
"""

from collections.abc import Callable, Iterator, Mapping
from decimal import Decimal
from typing import Any

from daemon.errors import UnknownDriverError
from daemon.registry import FoundDriver
from daemon.toml_file import Faults
from drivers import OptionError
from rules.length import NM_PER_UM
from rules.ruleset import EVIDENCE_RANK, RuleSet

Raw = Mapping[str, Any]
RuleSets = Mapping[str, tuple[RuleSet, str]]


def tables(raw: Raw, key: str) -> Iterator[tuple[int, Raw]]:
    """Return the numbered tables of a list of tables; what is none is left to the models."""
    found = raw.get(key)
    for number, table in enumerate(found if isinstance(found, list) else []):
        if isinstance(table, Mapping):
            yield number, table


def _table(raw: Raw, key: str) -> Raw:
    found = raw.get(key)
    return found if isinstance(found, Mapping) else {}


def try_driver(
    find: Callable[[], FoundDriver], options: Raw, key: str, faults: Faults
) -> FoundDriver | None:
    """Find a driver and make it once with its options, as the service will."""
    try:
        driver = find()
        driver.make(options)
    except UnknownDriverError as error:
        faults.add(f"{key}.driver", str(error))
        return None
    except OptionError as error:
        text = f"got {error.got!r}, accepted is {error.accepted}"
        faults.add(f"{key}.options.{error.key}", text)
        return None
    return driver


def check_raw(raw: Raw, rule_sets: RuleSets, faults: Faults) -> None:
    """Note every fault between tables."""
    _twice(raw, "line", "id", faults, "id")
    _twice(raw, "line", "port", faults, "port")
    _twice(raw, "bench", "id", faults, "id")
    _check_channels(raw, faults)
    for number, bench in tables(raw, "bench"):
        name = bench.get("rules")
        rules = rule_sets.get(name) if isinstance(name, str) else None
        if rules is not None:
            _check_bench(bench, rules[0], f"bench.{number}", faults)


def _twice(raw: Raw, table: str, key: str, faults: Faults, what: str) -> None:
    first: dict[object, int] = {}
    for number, entry in tables(raw, table):
        value = entry.get(key)
        if not isinstance(value, str):
            continue
        if value in first:
            text = f"{what} {value!r} is used by {table}.{first[value]} as well"
            faults.add(f"{table}.{number}.{key}", text)
        first.setdefault(value, number)


def _check_channels(raw: Raw, faults: Faults) -> None:
    lines = {str(line.get("id")) for _, line in tables(raw, "line")}
    taken: dict[tuple[str, str], str] = {}
    ids: dict[str, str] = {}
    for bench_number, bench in tables(raw, "bench"):
        for number, indicator in tables(bench, "indicator"):
            key = f"bench.{bench_number}.indicator.{number}"
            line, channel = str(indicator.get("line")), str(indicator.get("channel", ""))
            if line not in lines:
                known = ", ".join(sorted(lines)) or "none"
                faults.add(f"{key}.line", f"no line {line!r}; accepted are {known}")
            _claim(taken, (line, channel), key, faults)
            name = str(indicator.get("id"))
            if name in ids:
                faults.add(f"{key}.id", f"{name!r} is used by {ids[name]} as well")
            ids.setdefault(name, key)


def _claim(
    taken: dict[tuple[str, str], str], place: tuple[str, str], key: str, faults: Faults
) -> None:
    line, channel = place
    others = [spot for spot in taken if spot[0] == line]
    clash = next((s for s in others if s[1] == channel or not s[1] or not channel), None)
    if clash is not None:
        what = f"channel {channel!r}" if channel else "the whole line"
        faults.add(
            f"{key}.channel",
            f"{what} of {line!r} is used by {taken[clash]} as well; "
            "accepted is one indicator a channel",
        )
    taken.setdefault(place, key)


def _check_bench(bench: Raw, rules: RuleSet, key: str, faults: Faults) -> None:
    _check_bins(bench, rules, key, faults)
    _check_steps(bench, rules, key, faults)
    _check_order(bench, rules, key, faults)
    capture = _table(bench, "capture")
    asked = rules.least_loosening
    single = capture.get("mode") == "single-value"
    if single and EVIDENCE_RANK[asked] > 0:
        text = f"single values show no loosening, but the rule file asks for {asked!r}"
        faults.add(f"{key}.capture.mode", text)
    by = _table(bench, "put_away").get("by")
    if single and isinstance(by, list) and "removal" in by:
        text = 'single values show no removal; accepted are "bin" and "foot"'
        faults.add(f"{key}.put_away.by", text)
    if single and len(list(tables(bench, "indicator"))) > 1:
        faults.add(f"{key}.indicator", "single values: accepted is one indicator a bench")


def _check_bins(bench: Raw, rules: RuleSet, key: str, faults: Faults) -> None:
    needed = {grade.bin: f"grade {grade.id!r}" for grade in rules.grades}
    needed.setdefault(rules.nonconforming_bin, "nonconforming pieces")
    needed.setdefault(rules.hold_bin, "pieces on hold")
    shown: dict[str, int] = {}
    shapes: dict[object, str] = {}
    for number, entry in tables(bench, "bin"):
        name = str(entry.get("id"))
        where = f"{key}.bin.{number}"
        if name not in needed:
            accepted = ", ".join(sorted(needed))
            text = f"bin {name!r} has no grade in the rule file; accepted are {accepted}"
            faults.add(f"{where}.id", text)
        if name in shown:
            faults.add(f"{where}.id", f"bin {name!r} is there twice")
        if entry.get("shape") in shapes:
            other = shapes[entry.get("shape")]
            faults.add(f"{where}.shape", f"bin {other!r} has this shape: bins differ by shape")
        shown.setdefault(name, number)
        shapes.setdefault(entry.get("shape"), name)
    for name, what in needed.items():
        if name not in shown:
            faults.add(f"{key}.bin", f"no bin {name!r}, which the rule file needs for {what}")


def _check_steps(bench: Raw, rules: RuleSet, key: str, faults: Faults) -> None:
    """Refuse a step above a fifth of the tightest limit: such a bench can't tell."""
    tightest = min(grade.tolerance_limit_nm for grade in rules.grades)
    for number, indicator in tables(bench, "indicator"):
        step = indicator.get("step_um")
        if isinstance(step, int | Decimal) and Decimal(step) * NM_PER_UM * 5 > tightest:
            text = (
                f"a step of {step} µm is above a fifth of the tightest limit "
                f"{tightest / NM_PER_UM:g} µm; accepted is {tightest / NM_PER_UM / 5:g} or less"
            )
            faults.add(f"{key}.indicator.{number}.step_um", text)


def _check_order(bench: Raw, rules: RuleSet, key: str, faults: Faults) -> None:
    lot = _table(bench, "lot")
    order = lot.get("order")
    if not isinstance(order, Mapping):
        return
    known = [grade.id for grade in rules.grades]
    for grade in order:
        if grade not in known:
            text = f"no such grade; accepted are {', '.join(known)}"
            faults.add(f"{key}.lot.order.{grade}", text)
    quantity = lot.get("quantity")
    total = sum(n for n in order.values() if isinstance(n, int))
    if isinstance(quantity, int) and total > quantity:
        text = (
            f"{total} pieces ordered from a lot of {quantity}; accepted is {quantity} or less"
        )
        faults.add(f"{key}.lot.order", text)
