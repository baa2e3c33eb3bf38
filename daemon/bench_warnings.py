"""What a metrologist would say about a bench file that has no faults."""

from pathlib import Path

from daemon.config import BenchConfig, Config, LineConfig, plain_options
from daemon.registry import make_driver
from rules.length import um_text
from rules.ruleset import Grade


def warnings_of(config: Config) -> list[str]:
    """Return a line for each thing that is allowed and still worth a look."""
    found: list[str] = []
    for one in config.benches:
        where = f"bench {one.id}"
        found.extend(f"{where}: {text}" for text in _resolution(one))
        found.extend(f"{where}: {text}" for text in _grades(one))
        found.extend(f"{where}: {text}" for text in _capture(one))
    found.extend(_asked(config))
    found.extend(_files(config))
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
    folder = config.store_path.parent
    if not folder.is_dir():
        found.append(f"store.path: there is no folder {folder} on this machine")
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


def _resolution(one: BenchConfig) -> list[str]:
    """The 10:1 rule of thumb (common practice): a step of at most a tenth of the limit."""
    tightest = min(g.tolerance_limit_nm for g in one.rules.grading.grades)
    return [
        f"indicator {i.id}: its step is above a tenth of the tightest limit "
        f"{um_text(tightest)} µm; a clamping near the limit is a matter of one step"
        for i in one.rules.capture.indicators
        if i.sweep.step_nm * 10 > tightest
    ]


def _grades(one: BenchConfig) -> list[str]:
    found = []
    grades = one.rules.grading.grades
    step = max(i.sweep.step_nm for i in one.rules.capture.indicators)
    for number, grade in enumerate(grades):
        guard = grade.guard_band_nm
        if guard * 2 > grade.tolerance_limit_nm:
            found.append(f"{grade.id}: its guard band is above half its limit")
        if 0 < guard < step:
            found.append(f"{grade.id}: its guard band is below one step of the indicator")
        if grade.clampings == 1 and number > 0 and guard == 0:
            found.append(_one_clamping(grade))
    return found


def _one_clamping(grade: Grade) -> str:
    tenth = um_text(grade.tolerance_limit_nm // 10)
    return (
        f"{grade.id}: graded by one clamping, which can hide the holder's whole run-out; the "
        f"master's TIR has to be at most {tenth} µm, or give it a guard band of that TIR"
    )


def _capture(one: BenchConfig) -> list[str]:
    capture = one.section.capture
    found = []
    if capture.mode == "single-value":
        found.append(
            "capture: finished values prove neither a whole turn nor a loosening; "
            "every record will say so"
        )
    if capture.proof == "speed" and not capture.run_contact:
        found.append(
            "capture: without index or run contact a nearly perfect collet shows no turning "
            "and will be invalid"
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
