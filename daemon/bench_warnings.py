"""What a metrologist would say about a bench file that has no faults."""

import sqlite3
from contextlib import suppress
from pathlib import Path

from daemon.config import BenchConfig, Config, LineConfig, plain_options
from daemon.errors import StoreError
from daemon.instrument_watch import pin_warnings, unregistered
from daemon.registry import make_driver
from daemon.rule_warnings import rule_warnings
from daemon.run_out_watch import run_out_watch
from daemon.store.indicators_seen import replaced_indicators
from daemon.store.instruments import register_of
from daemon.store.read_only import reading_only
from rules.assurance_model import CHANGES
from rules.holder_series import holder_limit_nm
from rules.lot_instruments import LotInstruments
from rules.ruleset import UnknownArticleError
from rules.torque import torque_faults

_SECRETS = ("mqtt.password_file", "mqtt.key_file")


def warnings_of(config: Config) -> list[str]:
    """Return a line for each thing that is allowed and still worth a look."""
    found: list[str] = []
    for one in config.benches:
        where = f"bench {one.id}"
        found.extend(f"{where}: {text}" for text in rule_warnings(one))
        found.extend(f"{where}: {text}" for text in _capture(one))
        found.extend(f"{where}: {text}" for text in _checks(one))
        found.extend(f"{where}: {text}" for text in _torque(one))
    found.extend(_asked(config))
    found.extend(_files(config))
    found.extend(_register(config))
    found.extend(_holder(config))
    found.extend(_replaced(config))
    if config.broker.host not in ("127.0.0.1", "localhost", "::1") and not config.broker.tls:
        found.append(
            f"mqtt.url: {config.broker.name} is not this machine and mqtt:// is not encrypted: "
            "who can write there can falsify the sorting"
        )
    return found


def _files(config: Config) -> list[str]:
    """Say which files the service will not find on this machine."""
    broker = config.broker
    named: dict[str, Path | None] = {
        "mqtt.password_file": broker.password_file,
        "mqtt.ca_file": broker.ca_file,
        "mqtt.cert_file": broker.cert_file,
        "mqtt.key_file": broker.key_file,
    }
    found = [
        f"{key}: there is no file {path} on this machine"
        for key, path in named.items()
        if path is not None and not path.is_file()
    ]
    found += [
        f"{key}: everybody on this machine can read {path}; chmod 600 keeps the secret"
        for key, path in named.items()
        if key in _SECRETS
        and path is not None
        and path.is_file()
        and path.stat().st_mode & 0o004
    ]
    folder = config.store_path.parent
    if not folder.is_dir():
        found.append(f"store.path: there is no folder {folder} on this machine")
    return found


def _holder(config: Config) -> list[str]:
    """Say where the record shows a holder too large for a grade given from one clamping."""
    if not config.store_path.is_file():
        return []
    found = []
    try:
        with reading_only(config.store_path) as db:
            for one in config.benches:
                watch = run_out_watch(one)
                watch.limit_is(holder_limit_nm(one.rules.grading))
                watch.load(db, None)
                found += [
                    f"bench {one.id}: a grade is given from one clamping, and by the record "
                    f"{said.text}"
                    for said in watch.judged()
                    if said.code == "holder-share" and said.is_on
                ]
    except StoreError:
        return []  # told with the register
    return found


def _replaced(config: Config) -> list[str]:
    """Say which pieces a start with this file would put on hold: their indicator is gone."""
    found = []
    with suppress(StoreError):  # told with the register
        for one in config.benches if config.store_path.is_file() else ():
            if (
                not one.section.check.master
                or "indicator-change" not in one.section.check.causes
            ):
                continue
            now = {indicator.position: indicator.id for indicator in one.section.indicator}
            with reading_only(config.store_path) as db:
                gone = replaced_indicators(db, one.id, now)
                waiting = _waiting(db, one.id)
            if gone is not None and waiting:
                found.append(
                    f"bench {one.id}: {gone}, and {waiting} pieces wait for a master check: a "
                    "start with this file puts them on hold; make the closing check before it"
                )
    return found


def _waiting(db: sqlite3.Connection, bench: str) -> int:
    (pieces,) = db.execute(
        "SELECT count(DISTINCT piece) FROM piece_spans WHERE bench = ? AND span = 'open'",
        (bench,),
    ).fetchone()
    return int(pieces)


def _register(config: Config) -> list[str]:
    """Say what measures here and is in no register; of one to come what has to be in it."""
    if not config.store_path.is_file():
        return [
            f"bench {one.id}: nothing is graded before the register of instruments has "
            f"{', '.join(named)}: run-out and U stand in the bench file nowhere"
            for one in config.benches
            if (named := [m.id for m in one.section.check.master if not m.named.has_values])
        ]
    try:
        with reading_only(config.store_path) as db:
            register = register_of(db)
    except StoreError as error:
        return [f"store.path: {error}"]
    found = []
    for one in config.benches:
        lot = one.section.lot
        of_lot = lot.instruments if lot is not None else LotInstruments()
        missing = unregistered(one, register, of_lot)
        if missing:
            found.append(
                f"bench {one.id}: {', '.join(missing)}: in no register of instruments; nobody "
                "is told when a calibration is overdue (reclamp instrument add)"
            )
        if lot is not None:
            found += [f"bench {one.id}: {text}" for text in pin_warnings(one, register, of_lot)]
    return found


def _asked(config: Config) -> list[str]:
    """Look at the lines whose indicators speak only when asked."""
    single = {
        indicator.line
        for one in config.benches
        for indicator in one.section.indicator
        if one.section.capture.mode == "single-value"
    }
    found = []
    for line in config.lines.values():
        if not _is_asked(line):
            continue
        section = line.section
        if section.id in single:
            found.append(
                f"line {section.id}: its indicator is asked again and again, and every answer "
                "would be taken as the finished value of a clamping"
            )
        missed_s = section.request_every_s + 2 * section.answer_wait_s
        if 0 < line.silent_s <= missed_s:
            found.append(
                f"line {section.id}: one missed answer takes up to {missed_s:g} s, and the "
                f"indicator is lost after silent_s = {line.silent_s:g}"
            )
    return found


def _is_asked(line: LineConfig) -> bool:
    driver = make_driver(line.driver, plain_options(line.section.options))
    return driver.next_request() is not None


def _checks(one: BenchConfig) -> list[str]:
    section = one.section.check
    left_out = sorted(CHANGES - set(section.causes))
    if not section.master or not left_out:
        return []
    return [
        f"check: causes leaves out {', '.join(left_out)}: a good check made with another "
        "instrument then releases what was measured with the one before"
    ]


def _torque(one: BenchConfig) -> tuple[str, ...]:
    lot = one.section.lot
    if lot is None:
        return ()
    try:
        rules = one.book.of(lot.article)
    except UnknownArticleError:
        return ()  # a fault of its own
    return torque_faults(rules.torque_nmm, lot.torque_nmm).warns


def _capture(one: BenchConfig) -> list[str]:
    capture = one.section.capture
    found = []
    if capture.mode == "single-value":
        found.append(
            "capture: finished values prove neither a whole turn nor a loosening; "
            "every record will say so"
        )
    if capture.mode == "single-value" and one.section.check.master:
        found.append(
            "check: finished values on a master prove neither the speed nor that it was turned "
            "over; an indicator that averages is found only where it is turned as fast as "
            "pieces are"
        )
    if capture.proof == "speed" and not capture.run_contact:
        found.append(
            "capture: without index or run contact a nearly perfect collet shows no turning "
            "and will be invalid"
        )
    if capture.proof == "speed":
        found.append(
            "capture: by its known speed a turn is as whole as the spindle is steady: one that "
            "swings by more than 5 % within a turn refuses good collets; an index is better"
        )
    if capture.proof == "period":
        found.append(
            "capture: by its own period a turn is proved only where run-out stands clear of "
            "noise: a nearly perfect collet is invalid, and a speed that swings by more than "
            "5 % refuses good ones; an index is better"
        )
    is_by_hand = capture.turning == "by-hand" and capture.proof == "index"
    if is_by_hand and capture.second_flag_deg is None:
        found.append(
            "capture: by hand with one flag only the clutch proves the direction; the record "
            "rests on its name"
        )
    if capture.proof == "speed" and capture.speed_tolerance_percent > 5:
        found.append(
            "capture: a speed known to no better than 5 % refuses good collets for closure"
        )
    for indicator in one.section.indicator:
        if indicator.window_um is None and capture.mode == "sweep":
            found.append(
                f"indicator {indicator.id}: without window_um a lifted stylus is seen only "
                "where the indicator itself says over-range"
            )
    return found
