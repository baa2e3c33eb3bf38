"""What each alarm says, as the service says it, with figures as wide as they come.

Where a pure function makes the words they are asked of it; else they stand here, and it is
looked up that the source still has them.
"""

import inspect
import re
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from types import ModuleType

from daemon import instrument_watch, line, order_forecast, rules_in_force, run_out_watch
from rules import (
    assurance,
    bench,
    bench_check,
    capture,
    check_at_bench,
    check_due,
    debounce,
    hands,
    instrument_fitness,
    master_check,
    rest_prompt,
)
from rules.bench_alarms import battery, call, joined, wrong_bin
from rules.bench_model import BenchState
from rules.facts import AlarmCode, AlarmFact
from rules.foot_switch import Call
from rules.lot import BoxView, LotView
from rules.moment import clock_doubt
from rules.rotation import Rotation

NOW = datetime(2026, 11, 26, 7, 30, tzinfo=UTC)
NUMBER = 132


def said(module: ModuleType, template: str, *values: object) -> str:
    """Return the template filled in, whose words have to stand in the module's source."""
    source = re.sub(r'"\s*\n\s*f?"', "", inspect.getsource(module))
    missing = [words for words in template.split("{}") if words not in source]
    assert missing == [], f"{module.__name__} does not say {missing}"
    return template.format(*values)


def called(code: Call) -> str:
    _, facts = call(BenchState(piece=NUMBER), code)
    (fact,) = facts
    assert isinstance(fact, AlarmFact)
    return fact.text


def low_battery() -> str:
    state, _ = battery(BenchState(low=frozenset({"IND-21"})))
    return state.changing[0].text


def clock() -> str:
    doubt = clock_doubt(NOW, "no", NOW + timedelta(days=1))
    return said(instrument_watch, "{}: no due date can be shown to be kept", doubt)


def of_the_check(level: str, reason: str) -> str:
    return said(bench_check, "master check {}: {}", level, reason)


BOX = BoxView("BX-0112", 50, 50)
FOOT = (
    f"cts of line usb1 {debounce.HELD_TOO_LONG}: take the foot off, or look for a short circuit"
)
OUT_OF_DATE = said(
    instrument_fitness, "{}: calibration was due on {}", "eccentric-master EM-1", "2026-11-01"
)
REVISION = said(rules_in_force, "revision {} ({})", "'7'", "0123456789ab")
FAULT = "mr-10-med.rules.toml: grade.0.limit_um: -4.0; accepted is a number above 0"
READS = "the mean of the two seats' run-outs is"

TEXTS: Mapping[AlarmCode, str] = {
    "indicator-lost": joined((("IND-21", said(line, "{}: no reading any more", "line usb1")),)),
    "battery-low": low_battery(),
    "signal-fault": joined((("foot", FOOT),)),
    "wrong-bin": wrong_bin(NUMBER, "1", "2"),
    "not-put-away": said(
        hands, "piece {} belongs in bin {}: not confirmed for {} s", NUMBER, "1", 60
    ),
    "beyond-lot": said(bench, "more pieces than the lot was opened with"),
    "order-short": said(
        order_forecast,
        "the lot will run out ({}): {} of {} missing, about {} expected among the {} left",
        "over 99 %", 26, "grade-1", 18, 49,
    ),
    "rest-held": said(
        rest_prompt,
        "the rest is on hold: {} of {} pieces drawn were beyond; {} pieces are not measured",
        3, 22, 55,
    ),
    "box-full": rest_prompt.boxes_text(LotView("W", "A", None, 1, boxes={"1": BOX})),
    "box-held": rest_prompt.held_boxes_text(
        LotView(
            "W", "A", None, 1, boxes={"1": BOX, "2": BoxView("BX-0113")},
            held_boxes=frozenset({"BX-0112", "BX-0113"}),
        )
    ),
    "instrument-unfit": OUT_OF_DATE,
    "clock-doubt": clock(),
    "rule-file-fault": said(
        rules_in_force, "{} is not taken: {}; {} stays in force",
        "mr-10-med.rules.toml", FAULT, REVISION,
    ),
    "rules-differ": said(
        rules_in_force, "{} is {} now; lot {} goes by {}",
        "mr-10-med.rules.toml", REVISION, "W-2611-A", REVISION,
    ),
    "help-called": called("help-called"),
    "attention-asked": called("attention-asked"),
    "clampings-alike": said(
        capture, "two clampings read alike; was the nut opened and the collet rotated?"
    ),
    "values-never-fall": said(
        capture, "{} values in a row, none below the last: is it reset?", 12
    ),
    "holder-share": said(
        run_out_watch, "the holder's share is {} ± {} µm, limit {} µm: position {}, {} first "
        "clampings", 1.63, 0.21, "1.2", "far", 1984,
    ),
    "rotated-backwards": Rotation("counter-clockwise").wrong_way,
    "check-soon": of_the_check(
        "soon", said(check_due, "{} of {} pieces since the last good check", 42, 50)
    ),
    "check-due": of_the_check("due", check_due.CAUSE_TEXT["reconnect"]),
    "check-failed": said(check_due, "the last check failed: {}", said(
        master_check, "{} {} µm, {} % of the certificate's {} µm; good is {} to {} µm",
        READS, 0.2, 4, 5.1, 4.7, 5.5,
    )),
    "span-unproved": rest_prompt.unproved_text(
        LotView(
            "W", "A", None, 1, unproved=42, unproved_why=said(
                assurance, "{} before a good check closed the span: none can prove it any more",
                said(assurance, "the holder was changed or taken out"),
            )
        )
    ),
    "zero-drift": said(
        check_at_bench, "{}: zero moved by {} µm since the last good check, at most {} µm is "
        "allowed", "sensitivity: far", 2.4, "2.0",
    ),
}  # fmt: skip
