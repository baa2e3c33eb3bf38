"""What one ``[[line]]`` can't see: which bench its signals belong to, and who else tells them.

Works on the raw file, so that a fault in one table hides no fault in another.
"""

from collections.abc import Mapping

from daemon.toml_file import Faults, Raw, table, tables
from daemon.toml_values import shown

_BARE_SCHEMES = ("socket://", "loop://")
"""Ports that say "on" for every modem line, whatever is plugged in."""


def bench_of_signals(line: Raw, raw: Raw) -> str | None:
    """Return the bench that a line's signals go to; None if the file leaves it open.

    It is ``bench`` where the line says so, else the one bench whose indicators sit on it.
    """
    said = line.get("bench")
    if isinstance(said, str):
        return said
    served = {
        str(bench.get("id"))
        for _, bench in tables(raw, "bench")
        for _, indicator in tables(bench, "indicator")
        if indicator.get("line") == line.get("id")
    }
    return served.pop() if len(served) == 1 else None


def check_lines(raw: Raw, faults: Faults) -> None:
    """Note every fault of lines with signals and of lines without a driver."""
    told: dict[tuple[str, str], str] = {}
    for number, line in tables(raw, "line"):
        key = f"line.{number}"
        _check_driver(line, raw, key, faults)
        signals = table(line, "signals")
        if signals:
            _check_port(line, key, faults)
            _check_bench(line, raw, key, faults)
            _check_sources(line, raw, signals, key, told, faults)
        elif isinstance(line.get("bench"), str):
            text = "the line has no signals; accepted is bench beside signals only"
            faults.add(f"{key}.bench", text)


def _check_driver(line: Raw, raw: Raw, key: str, faults: Faults) -> None:
    if "driver" in line:
        return
    if not table(line, "signals"):
        text = "missing; accepted is a driver, or signals on a line without an indicator"
        faults.add(f"{key}.driver", text)
    if table(line, "options"):
        faults.add(f"{key}.options", "there is no driver to heed them; accepted is a driver")
    for bench_number, bench in tables(raw, "bench"):
        for number, indicator in tables(bench, "indicator"):
            if "id" in line and indicator.get("line") == line["id"]:
                text = f"line {shown(line['id'])} has no driver; accepted is a line with one"
                faults.add(f"bench.{bench_number}.indicator.{number}.line", text)


def _check_port(line: Raw, key: str, faults: Faults) -> None:
    port = line.get("port")
    if isinstance(port, str) and port.startswith(_BARE_SCHEMES):
        text = f"{shown(port)} has no modem lines; accepted are a serial port and rfc2217://"
        faults.add(f"{key}.signals", text)


def _check_bench(line: Raw, raw: Raw, key: str, faults: Faults) -> None:
    known = [str(bench.get("id")) for _, bench in tables(raw, "bench")]
    accepted = f"accepted are {', '.join(known)}"
    bench = bench_of_signals(line, raw)
    if bench is None:
        text = f"missing; it says whose signals these are, {accepted}"
        faults.add(f"{key}.bench", text)
    elif bench not in known:
        faults.add(f"{key}.bench", f"no bench {shown(bench)}; {accepted}")


def _check_sources(
    line: Raw,
    raw: Raw,
    signals: Mapping[str, object],
    key: str,
    told: dict[tuple[str, str], str],
    faults: Faults,
) -> None:
    """Refuse two contacts for one signal of a bench: two flags would halve every turn."""
    bench = bench_of_signals(line, raw)
    for contact, signal in signals.items():
        if bench is None or not isinstance(signal, str):
            continue
        here = f"{key}.signals.{contact}"
        first = told.setdefault((bench, signal), here)
        if first != here:
            text = f"{signal!r} of bench {bench!r} comes from {first} as well"
            faults.add(here, f"{text}; accepted is one contact a signal")
