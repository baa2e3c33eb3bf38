"""What a metrologist would say about a bench file that has no faults."""

from daemon.config import BenchConfig, Config
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
    if config.broker.host not in ("127.0.0.1", "localhost", "::1") and not config.broker.tls:
        found.append(
            f"mqtt.url: {config.broker.name} is not this machine and mqtt:// is not encrypted: "
            "who can write there can falsify the sorting"
        )
    return found


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
