"""What one table can't see: ports, channels, bins and limits that must fit each other.

Works on the raw file, so that a fault in one table hides no fault in another.
"""

import os
from collections.abc import Callable, Mapping

from daemon.errors import DriverMakeError, UnknownDriverError
from daemon.lamp_checks import check_lamps
from daemon.line_checks import bench_of_signals, check_lines
from daemon.registry import FoundDriver, make_driver
from daemon.rule_checks import RuleOutline
from daemon.toml_file import Faults, Raw, table, tables
from daemon.toml_values import number_of, shown
from drivers import OptionError
from rules.length import NM_PER_UM
from rules.ruleset import EVIDENCE_RANK, Resolution

Outlines = Mapping[str, RuleOutline]


def try_driver(
    find: Callable[[], FoundDriver], options: Raw, key: str, faults: Faults
) -> FoundDriver | None:
    """Find a driver and make it once with its options, as the service will."""
    try:
        driver = find()
    except UnknownDriverError as error:
        faults.add(f"{key}.driver", str(error))
        return None
    try:
        make_driver(driver, options)
    except OptionError as error:
        got = "missing" if error.got is None else f"got {shown(error.got)}"
        faults.add(f"{key}.options.{error.key}", f"{got}; accepted is {error.accepted}")
    except DriverMakeError as error:
        faults.add(f"{key}.driver", str(error))
    else:
        return driver
    return None


def check_raw(raw: Raw, outlines: Outlines, faults: Faults) -> None:
    """Note every fault between tables."""
    _twice(raw, "line", "id", faults)
    _twice(raw, "bench", "id", faults)
    _check_ports(raw, faults)
    _check_channels(raw, faults)
    _check_silence(raw, faults)
    check_lines(raw, faults)
    check_lamps(raw, faults)
    for number, bench in tables(raw, "bench"):
        name = bench.get("rules")
        rules = outlines.get(name) if isinstance(name, str) else None
        _check_positions(bench, f"bench.{number}", faults)
        _check_second_flag(bench, raw, f"bench.{number}", faults)
        if rules is not None:
            _check_bench(bench, rules, f"bench.{number}", faults)


def _twice(raw: Raw, name: str, key: str, faults: Faults) -> None:
    first: dict[str, int] = {}
    for number, entry in tables(raw, name):
        value = entry.get(key)
        if not isinstance(value, str):
            continue
        if value in first:
            text = f"{value!r} is used by {name}.{first[value]} as well"
            faults.add(f"{name}.{number}.{key}", f"{text}; accepted is one of its own")
        first.setdefault(value, number)


def _check_ports(raw: Raw, faults: Faults) -> None:
    """Refuse one port on two lines, also where two names lead to the same device."""
    first: dict[str, int] = {}
    for number, line in tables(raw, "line"):
        port = line.get("port")
        if not isinstance(port, str) or not port or "\0" in port:
            continue
        place = port if "://" in port else os.path.realpath(port)
        if place in first:
            text = f"{port!r} is the port of line.{first[place]} as well"
            faults.add(f"line.{number}.port", f"{text}; accepted is one line a port")
        first.setdefault(place, number)


def _check_channels(raw: Raw, faults: Faults) -> None:
    lines = {line["id"] for _, line in tables(raw, "line") if isinstance(line.get("id"), str)}
    taken: dict[tuple[str, str], str] = {}
    ids: dict[str, str] = {}
    for bench_number, bench in tables(raw, "bench"):
        for number, indicator in tables(bench, "indicator"):
            key = f"bench.{bench_number}.indicator.{number}"
            line, channel = indicator.get("line"), indicator.get("channel", "")
            if isinstance(line, str) and line not in lines:
                known = ", ".join(sorted(lines)) or "none, there is no [[line]]"
                faults.add(f"{key}.line", f"no line {line!r}; accepted are {known}")
            if isinstance(line, str) and isinstance(channel, str):
                _claim(taken, (line, channel), key, faults)
            name = indicator.get("id")
            if isinstance(name, str) and name in ids:
                text = f"{name!r} is used by {ids[name]} as well; accepted is one of its own"
                faults.add(f"{key}.id", text)
            if isinstance(name, str):
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


def _check_silence(raw: Raw, faults: Faults) -> None:
    """Hold silence to how a line speaks: at a key press, or when it is asked."""
    single = {
        indicator.get("line")
        for _, bench in tables(raw, "bench")
        for _, indicator in tables(bench, "indicator")
        if table(bench, "capture").get("mode") == "single-value"
    }
    for number, line in tables(raw, "line"):
        silent, every = number_of(line.get("silent_s")), number_of(line.get("request_every_s"))
        if not silent:
            continue
        if line.get("id") in single:
            text = f"got {silent}; single values come at a key press, accepted is 0 (never)"
            faults.add(f"line.{number}.silent_s", text)
        elif every is not None and silent <= every:
            text = f"got {silent}; accepted is 0 (never) or more than request_every_s = {every}"
            faults.add(f"line.{number}.silent_s", text)


def _check_positions(bench: Raw, key: str, faults: Faults) -> None:
    """Refuse one position twice: run-out is recorded by position."""
    first: dict[str, int] = {}
    for number, indicator in tables(bench, "indicator"):
        position = indicator.get("position", "far")
        if not isinstance(position, str):
            continue
        if position in first:
            text = (
                f"{position!r} is the position of indicator.{first[position]} as well; "
                'accepted is one of its own, such as "face" and "far"'
            )
            faults.add(f"{key}.indicator.{number}.position", text)
        first.setdefault(position, number)


def _check_second_flag(bench: Raw, raw: Raw, key: str, faults: Faults) -> None:
    """Ask for the contact of a second flag, and for the angle of a contact."""
    wired = any(
        "index-2" in table(line, "signals").values()
        and bench_of_signals(line, raw) == bench.get("id")
        for _, line in tables(raw, "line")
    )
    capture = table(bench, "capture")
    if capture.get("proof") != "index":
        return
    said = "second_flag_deg" in capture
    if said and not wired:
        text = 'no line tells it; accepted is signals = { … = "index-2" } on a line'
        faults.add(f"{key}.capture.second_flag_deg", text)
    if wired and not said:
        text = 'a line tells "index-2"; accepted is its angle from the index, in degrees'
        faults.add(f"{key}.capture.second_flag_deg", text)


def _check_bench(bench: Raw, rules: RuleOutline, key: str, faults: Faults) -> None:
    check_fit(bench, rules, key, faults)
    _check_order(bench, rules, key, faults)


def check_fit(bench: Raw, rules: RuleOutline, key: str, faults: Faults) -> None:
    """Note why a bench can't go by these rules, whatever its lot is."""
    _check_bins(bench, rules, key, faults)
    _check_limits(bench, rules, key, faults)
    _check_steps(bench, rules, key, faults)
    if table(bench, "capture").get("mode") == "single-value":
        _check_single(bench, rules, key, faults)


def _check_single(bench: Raw, rules: RuleOutline, key: str, faults: Faults) -> None:
    asked = rules.least_loosening
    if EVIDENCE_RANK[asked] > 0:
        text = (
            f"single values show no loosening, but the rule file asks for {asked!r}; "
            'accepted is "sweep"'
        )
        faults.add(f"{key}.capture.mode", text)
    by = table(bench, "put_away").get("by")
    if isinstance(by, list) and "removal" in by:
        text = 'single values show no removal; accepted are "bin" and "foot"'
        faults.add(f"{key}.put_away.by", text)
    if len(list(tables(bench, "indicator"))) > 1:
        faults.add(f"{key}.indicator", "single values: accepted is one indicator a bench")


def _check_bins(bench: Raw, rules: RuleOutline, key: str, faults: Faults) -> None:
    shown_bins: dict[str, int] = {}
    shapes: dict[str, str] = {}
    for number, entry in tables(bench, "bin"):
        name, shape, where = entry.get("id"), entry.get("shape"), f"{key}.bin.{number}"
        if not isinstance(name, str):
            continue
        if name not in rules.bins and rules.is_whole:
            accepted = ", ".join(sorted(rules.bins))
            text = f"bin {name!r} has no grade in the rule file; accepted are {accepted}"
            faults.add(f"{where}.id", text)
        if name in shown_bins:
            faults.add(f"{where}.id", f"bin {name!r} is there twice; accepted is one of each")
        shown_bins.setdefault(name, number)
        if isinstance(shape, str):
            if shape in shapes:
                text = f"{shape!r} is the shape of bin {shapes[shape]!r} as well"
                faults.add(f"{where}.shape", f"{text}; accepted is a shape of its own")
            shapes.setdefault(shape, name)
    for name, what in rules.bins.items():
        if name not in shown_bins:
            text = f"no bin {name!r}, which the rule file needs for {what}; accepted is a"
            faults.add(f"{key}.bin", f"{text} [[bench.bin]] with that id")


def _check_limits(bench: Raw, rules: RuleOutline, key: str, faults: Faults) -> None:
    """Hold the indicators' positions to the limits per position, both ways."""
    said = {number: one.get("position", "far") for number, one in tables(bench, "indicator")}
    places = {name: number for number, name in said.items() if isinstance(name, str)}
    file = bench.get("rules")
    for grade, named in rules.positions.items():
        accepted = ", ".join(sorted(named))
        for place in sorted(places.keys() - named):
            text = f"{place!r} has no limit in {grade} of {file}; accepted are {accepted}"
            faults.add(f"{key}.indicator.{places[place]}.position", text)
        for place in sorted(named - places.keys()):
            text = (
                f"none stands at {place!r}, which {grade}.position.{place} of {file} limits; "
                f"accepted is one at each of {accepted}"
            )
            faults.add(f"{key}.indicator", text)


def _check_steps(bench: Raw, rules: RuleOutline, key: str, faults: Faults) -> None:
    """Refuse a step above the share of the tightest limit there: such a bench can't tell."""
    percent = rules.refuse_percent
    for number, indicator in tables(bench, "indicator"):
        step = number_of(indicator.get("step_um"))
        tightest = rules.tightest_nm(str(indicator.get("position", "far")))
        if step is None or tightest is None or step * NM_PER_UM * 100 <= tightest * percent:
            continue
        share = "a fifth" if percent == Resolution().refuse_percent else f"{percent} %"
        text = (
            f"a step of {step} µm is above {share} of the tightest limit "
            f"{tightest / NM_PER_UM:g} µm; accepted is "
            f"{tightest * percent / NM_PER_UM / 100:g} or less"
        )
        faults.add(f"{key}.indicator.{number}.step_um", text)


def _check_order(bench: Raw, rules: RuleOutline, key: str, faults: Faults) -> None:
    lot = table(bench, "lot")
    grades = rules.grades_of(lot.get("article"))
    if "article" in lot and grades is None:
        text = f"no article {shown(lot['article'])} in {bench.get('rules')}; accepted are "
        faults.add(f"{key}.lot.article", text + ", ".join(rules.grades))
    order = lot.get("order")
    if not isinstance(order, Mapping):
        return
    for grade in order:
        if grades is not None and grade not in grades and rules.is_whole:
            text = f"no such grade; accepted are {', '.join(grades)}"
            faults.add(f"{key}.lot.order.{grade}", text)
    quantity = lot.get("quantity")
    total = sum(n for n in order.values() if isinstance(n, int))
    if isinstance(quantity, int) and total > quantity:
        text = (
            f"{total} pieces ordered from a lot of {quantity}; accepted is {quantity} or less"
        )
        faults.add(f"{key}.lot.order", text)
