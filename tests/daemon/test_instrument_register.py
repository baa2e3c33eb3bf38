"""The register at work: what an overdue calibration and a wrong clock stop, and what not."""

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from typer.testing import CliRunner

from daemon import snapshot
from daemon.cli import app
from daemon.commands import carry_out
from daemon.config import load
from daemon.messages import Command, Reply
from rules.lot_instruments import LotInstruments
from tests.daemon.bench_of_values import SINGLE_VALUES, ValueBench, value_bench

DAY_S = 86_400.0
TEN_YEARS_S = 3_653 * DAY_S
TODAY = "2026-11-24"
YESTERDAY = "2026-11-23"


@pytest.fixture
def bench(bench_folder: Callable[..., Path]) -> Iterator[ValueBench]:
    made = value_bench(bench_folder)
    yield made
    made.close()


class Asker:
    """Sends commands with ids of their own."""

    def __init__(self, bench: ValueBench) -> None:
        self.bench = bench

    def __call__(self, command: str, **values: Any) -> Reply:
        body = {"id": uuid4().hex, "command": command, "role": "lead", **values}
        asked = Command.model_validate_json(json.dumps(body))
        return carry_out(asked, self.bench.runner, self.bench.store)

    def add(self, name: str, kind: str | None = None, **more: Any) -> Reply:
        entry = {"id": name, "kind": kind, **more}
        return self("instrument-add", instrument=entry)

    def listed(self) -> dict[str, dict[str, Any]]:
        data = self("instrument-list").data
        assert data is not None
        found: Any = data["instruments"]
        return {one["id"]: one for one in found}

    def register_all(self, due: str | None = "2027-01-31") -> None:
        assert self.add("IND-21", "indicator", certificate="C-1", due=due).ok
        assert self.add("H-MED-1", "holder").ok
        pin = {"form_um": 0.3, "diameter_mm": 10, "gripping_length_mm": 32}
        assert self.add("MP-10-1", "pin", certificate="C-2", due=due, **pin).ok

    def next_lot(self) -> Reply:
        self("lot-close", reason="end of shift", unproved="not sold")
        return self(
            "lot-open", lot="W-2612-A", article="MR-10-MED", bins_empty=True,
            holder="H-MED-1", pins=["MP-10-1"],
        )  # fmt: skip


@pytest.fixture
def ask(bench: ValueBench) -> Asker:
    return Asker(bench)


def alarms(bench: ValueBench) -> list[tuple[str, str]]:
    rows = bench.rows("SELECT body FROM events WHERE kind = 'alarm' ORDER BY seq")
    data = [json.loads(str(body))["data"] for (body,) in rows]
    return [(one["code"], one["state"]) for one in data]


# --- the register ----------------------------------------------------------------------------


def test_an_entry_supersedes_the_one_before_and_both_stay(ask: Asker) -> None:
    ask.register_all()
    assert ask.add("MP-10-1", certificate="C-9", due="2028-01-31").ok
    pin = ask.listed()["MP-10-1"]
    assert (pin["certificate"], pin["due"], pin["form_um"]) == ("C-9", "2028-01-31", 0.3)
    rows = ask.bench.rows(
        "SELECT what, certificate, role FROM instruments WHERE instrument = 'MP-10-1'"
    )
    assert rows == [("entered", "C-2", "lead"), ("calibrated", "C-9", "lead")]
    view = ask.bench.rows(
        "SELECT certificate, calibration_due, form_um, withdrawn FROM instruments_now"
        " WHERE instrument = 'MP-10-1'"
    )
    assert view == [("C-9", "2028-01-31", 0.3, 0)]


def test_uses_are_the_clampings_of_the_record_and_nothing_else(
    bench: ValueBench, ask: Asker
) -> None:
    ask.register_all()
    bench.values("2.0", "2.0", "2.0")
    bench.placed("1")
    bench.value("5.0")
    bench.placed("2")
    counted = {name: one["clampings"] for name, one in ask.listed().items()}
    assert counted == {"IND-21": 4, "H-MED-1": 4, "MP-10-1": 4}
    assert bench.rows("SELECT count(*) FROM clampings") == [(4,)]


@pytest.mark.parametrize(
    ("entry", "says"),
    [
        ({"id": "X-1"}, "needs its kind"),
        ({"id": "IND-21", "kind": "pin"}, "IND-21 is of kind indicator"),
        ({"id": "EM-1", "kind": "eccentric-master"}, "its run-out and U are needed"),
    ],
)
def test_a_wrong_entry_is_refused_with_what_is_accepted(
    ask: Asker, entry: dict[str, str], says: str
) -> None:
    ask.register_all()
    reply = ask("instrument-add", instrument=entry)
    assert not reply.ok
    assert says in reply.text
    assert len(ask.listed()) == 3


def test_a_refused_entry_writes_nothing_and_its_id_may_be_sent_again(ask: Asker) -> None:
    reply = ask("instrument-withdraw", instrument={"id": "IND-9"}, reason="dropped")
    assert (reply.ok, "no instrument 'IND-9'" in reply.text) == (False, True)
    assert ask.bench.rows("SELECT count(*) FROM instruments") == [(0,)]


# --- overdue ---------------------------------------------------------------------------------


def test_an_overdue_calibration_blocks_a_new_lot_and_says_which_and_what_is_accepted(
    ask: Asker,
) -> None:
    ask.register_all(due=TODAY)
    ask.bench.clock.seconds += DAY_S
    reply = ask.next_lot()
    assert not reply.ok
    for said in ("IND-21", "MP-10-1", f"was due on {TODAY}", "accepted are"):
        assert said in reply.text
    assert ask.add("IND-21", certificate="C-7", due="2027-11-30").ok
    assert ask.add("MP-10-1", certificate="C-8", due="2027-11-30").ok
    assert ask.next_lot().ok


def test_in_an_open_lot_it_warns_and_measuring_goes_on(bench: ValueBench, ask: Asker) -> None:
    ask.register_all(due=TODAY)
    assert "instrument-unfit" not in bench.runner.alarms
    bench.clock.seconds += DAY_S
    bench.runner.look_at_instruments()
    bench.runner.look_at_instruments()
    assert f"was due on {TODAY}" in bench.runner.alarms["instrument-unfit"]
    bench.values("2.0", "2.0", "2.0")
    assert bench.lamps["1"] == "on"
    bench.placed("1")
    ask.add("IND-21", due="2027-11-30")
    ask.add("MP-10-1", due="2027-11-30")
    assert bench.runner.alarms == {}
    assert alarms(bench) == [
        ("instrument-unfit", "raised"), ("instrument-unfit", "raised"),
        ("instrument-unfit", "returned"),
    ]  # fmt: skip  # the second says which one is left


def test_due_is_the_day_at_the_site_and_not_in_utc(bench: ValueBench, ask: Asker) -> None:
    """06:00 UTC is 07:00 in Berlin: at 22:59 UTC the due day has one minute left."""
    ask.register_all(due=TODAY)
    of_lot = LotInstruments("H-MED-1", ("MP-10-1",))
    bench.clock.seconds = 17 * 3600 - 60.0
    assert bench.runner.instruments.fitness(of_lot).blocks == ()
    bench.clock.seconds += 60
    assert len(bench.runner.instruments.fitness(of_lot).blocks) == 2


@pytest.fixture
def late(bench_folder: Callable[..., Path]) -> Iterator[ValueBench]:
    """A bench whose file has another lot by now, and whose instruments are overdue."""
    before = value_bench(bench_folder)
    ask = Asker(before)
    ask.register_all(due=YESTERDAY)
    assert ask("lot-close", reason="done", unproved="not sold").ok
    before.close()
    made = ValueBench(load(bench_folder(SINGLE_VALUES, ("W-2611-A", "W-2612-A"))))
    yield made
    made.close()


def test_the_lot_of_the_bench_file_waits_for_what_is_overdue_and_is_opened_then(
    late: ValueBench,
) -> None:
    ask, overdue = Asker(late), f"calibration was due on {YESTERDAY}"
    assert late.runner.lot is None
    assert late.word == "no-lot"
    waits = "no lot is open: W-2612-A waits until this is put right: indicator IND-21: "
    assert late.runner.shown.signals.reason.startswith(waits + overdue)
    assert overdue in late.runner.alarms["instrument-unfit"]
    ask.add("IND-21", certificate="C-7", due="2027-01-31")
    assert late.runner.lot is None
    assert late.runner.shown.signals.reason.endswith(f"right: pin MP-10-1: {overdue}")
    ask.add("MP-10-1", certificate="C-8", due="2027-01-31")
    assert late.runner.lot is not None
    assert (late.runner.lot.code, late.runner.alarms) == ("W-2612-A", {})
    late.values("5.0")
    late.placed("2")
    assert late.rows("SELECT count(*) FROM piece_status WHERE status = 'put-away'") == [(1,)]


def test_a_lot_that_waits_for_the_clock_is_opened_when_that_is_set_right(
    late: ValueBench,
) -> None:
    Asker(late).register_all(due="2027-01-31")  # opened by that: begun anew, the clock wrong
    late.runner.close_lot("done", "lead", {})
    late.close()
    path = late.config.source.path
    path.write_text(path.read_text(encoding="utf-8").replace("W-2612-A", "W-2613-A"))
    late.config = load(path)
    late.clock.seconds -= TEN_YEARS_S
    late._open()
    assert late.runner.lot is None
    assert "in date: the clock" in late.runner.shown.signals.reason
    late.clock.seconds += TEN_YEARS_S
    late.runner.look_at_instruments()
    assert late.runner.lot is not None


def test_the_file_opens_no_lot_any_more_once_people_have_opened_one(late: ValueBench) -> None:
    ask = Asker(late)
    assert ask("instrument-withdraw", instrument={"id": "MP-10-1"}, reason="worn").ok
    ask.add("IND-21", certificate="C-7", due="2027-01-31")
    opened = ask("lot-open", lot="W-9", article="MR-10-MED", bins_empty=True, quantity=2)
    assert opened.ok
    ask("lot-close", reason="end of shift", unproved="not sold")
    ask.add("MP-10-1", certificate="C-8", due="2027-01-31")
    late.runner.look_at_instruments()
    assert late.runner.lot is None
    assert late.runner.shown.signals.reason == "no lot is open"


def test_a_bench_without_a_register_is_warned_in_about_in_check_and_in_the_reply(
    bench: ValueBench, ask: Asker
) -> None:
    assert bench.runner.instruments.unregistered() == ("IND-21", "H-MED-1", "MP-10-1")
    reply = ask.next_lot()
    assert reply.ok
    assert "none of IND-21, H-MED-1, MP-10-1 is in the register" in reply.text
    file = bench.config.source.path
    told = CliRunner().invoke(app, ["check", str(file)])
    assert "bench b1: IND-21, H-MED-1, MP-10-1: in no register" in told.output
    ask.register_all()
    assert bench.runner.instruments.unregistered() == ()
    assert "bench b1: IND-21" not in CliRunner().invoke(app, ["check", str(file)]).output


def test_once_one_is_registered_a_mistyped_pin_is_refused(ask: Asker) -> None:
    ask.register_all()
    ask("lot-close", reason="end of shift", unproved="not sold")
    reply = ask(
        "lot-open", lot="W-2612-A", article="MR-10-MED", bins_empty=True, pins=["MP-10-l"]
    )
    assert not reply.ok
    assert "MP-10-l is not in the register" in reply.text


# --- the clock -------------------------------------------------------------------------------


def test_a_clock_ten_years_back_fails_safe_for_due_dates_and_measuring_goes_on(
    bench: ValueBench, ask: Asker
) -> None:
    ask.register_all()
    bench.values("5.0")
    bench.placed("2")
    bench.clock.seconds -= TEN_YEARS_S
    bench.runner.look_at_instruments()
    assert "before the last record" in bench.runner.alarms["clock-doubt"]
    assert "instrument-unfit" not in bench.runner.alarms  # one cause, one alarm
    bench.values("5.0")
    bench.placed("2")
    marks = bench.rows("SELECT DISTINCT clock_synced FROM put_aways ORDER BY id")
    assert marks == [("yes",), ("no",)]
    refused = ask.next_lot()
    assert not refused.ok
    assert "nobody can say whether its calibration is in date" in refused.text
    assert ask.bench.runner.lot is None
    bench.restart()
    assert "clock-doubt" in bench.runner.alarms  # a restart makes no wrong clock right
    assert not Asker(bench).next_lot().ok
    bench.clock.seconds += TEN_YEARS_S
    bench.runner.look_at_instruments()
    assert bench.runner.alarms == {}


def test_after_a_clock_ten_years_ahead_somebody_has_to_say_which_was_right(
    bench: ValueBench, ask: Asker
) -> None:
    ask.register_all()
    bench.clock.seconds += TEN_YEARS_S
    bench.runner.look_at_instruments()
    assert "was due on" in bench.runner.alarms["instrument-unfit"]  # late: the safe side
    bench.clock.seconds -= TEN_YEARS_S
    bench.runner.look_at_instruments()
    assert set(bench.runner.alarms) == {"clock-doubt"}
    assert not ask("instrument-clock-right", reason="").ok
    assert ask("instrument-clock-right", reason="looked at the wall clock").ok
    assert bench.runner.alarms == {}
    bench.restart()
    assert bench.runner.alarms == {}
    said = bench.rows("SELECT what, reason, role FROM corrections")
    assert said == [("clock-right", "looked at the wall clock", "lead")]


def test_a_clock_that_is_not_synchronised_can_not_be_talked_right(
    bench: ValueBench, ask: Asker
) -> None:
    bench.clock.is_synced = "no"
    bench.runner.look_at_instruments()
    assert "not synchronised" in bench.runner.alarms["clock-doubt"]
    reply = ask("instrument-clock-right", reason="it looks right")
    assert (reply.ok, "in the system first" in reply.text) == (False, True)


def test_the_list_is_read_beside_the_service(bench: ValueBench, ask: Asker) -> None:
    ask.register_all(due=TODAY)
    told = CliRunner().invoke(
        app, ["instrument", "list", "--store", str(bench.config.store_path), "--json"]
    )
    assert told.exit_code == 0, told.output
    assert {one["id"] for one in json.loads(told.output)} == {"IND-21", "H-MED-1", "MP-10-1"}
    told = CliRunner().invoke(
        app, ["instrument", "list", "--store", str(bench.config.store_path)]
    )
    line = next(text for text in told.output.splitlines() if "MP-10-1" in text)
    assert "diameter 10 mm, gripping length 32 mm" in line
    assert "form 0.3 µm" in line


def test_about_names_what_is_in_no_register(bench: ValueBench) -> None:
    site = bench.config.file.site
    about = snapshot.about(bench.runner, "reclamp 0", site, "boot", "t", 1.0)
    assert about.model_copy(update={"unregistered": ["IND-21"]}).unregistered == ["IND-21"]


# --- pins and collets ------------------------------------------------------------------------


def ask_for_length(bench: ValueBench, mm: str) -> None:
    """Let the rule file say over what length the collet grips, and the bench start by it."""
    start_with(bench, f"gripping_length_mm = {mm}")


def start_with(bench: ValueBench, line: str) -> None:
    """Let the rule file begin with a line, and the bench start by it."""
    path = bench.config.source.path
    rules = path.with_name("mr-10-med.rules.toml")
    text = rules.read_text(encoding="utf-8")
    rules.write_text(f"{line}\n{text}", encoding="utf-8")
    bench.store.close()
    bench.config = load(path)
    bench._open()


def test_a_pin_that_grips_too_short_blocks_a_new_lot_and_warns_in_an_open_one(
    bench: ValueBench, ask: Asker
) -> None:
    ask.register_all()  # MP-10-1: 32 mm of it can be gripped
    assert ask("lot-close", reason="end of shift", unproved="not sold").ok
    ask_for_length(bench, "32.5")
    refused = ask.next_lot()
    short = (
        "pin MP-10-1 grips too short: 32 mm of it can be gripped; the collet grips over 32.5"
    )
    assert (refused.ok, short in refused.text) == (False, True)
    file = str(bench.config.source.path)
    assert short in CliRunner().invoke(app, ["check", file]).output
    ask.add("MP-10-1", due="2027-01-31", gripping_length_mm=34)
    assert ask.next_lot().ok
    assert bench.runner.alarms == {}
    ask.add("MP-10-1", due="2027-01-31", gripping_length_mm=30)  # ground shorter
    assert "30 mm of it can be gripped" in bench.runner.alarms["instrument-unfit"]
    bench.values("5.0")
    bench.placed("2")
    (kept,) = bench.rows(
        "SELECT gripping_length_mm FROM instruments_now WHERE instrument = 'MP-10-1'"
    )
    assert kept == (30.0,)


def test_without_a_length_in_the_rule_file_nothing_is_compared(ask: Asker) -> None:
    ask.register_all()
    ask.add("MP-10-1", due="2027-01-31", gripping_length_mm=1)
    assert ask.next_lot().ok


def test_a_length_that_nothing_is_compared_with_is_said_when_a_lot_is_opened(
    bench: ValueBench, ask: Asker
) -> None:
    ask_for_length(bench, "20")
    reply = ask.next_lot()
    assert reply.ok
    assert "grips over 20 mm (gripping_length_mm): no pin of the register" in reply.text


def test_a_pin_of_another_size_than_the_bore_blocks_a_new_lot_and_warns_in_an_open_one(
    bench: ValueBench, ask: Asker
) -> None:
    ask.register_all()  # MP-10-1 is 10 mm thick
    assert ask("lot-close", reason="end of shift", unproved="not sold").ok
    start_with(bench, "bore_mm = 9.525")
    refused = ask.next_lot()
    other = (
        "pin MP-10-1 is 10 mm thick; the collet's bore is 9.525 mm (bore_mm); accepted is a pin"
        " of 9.505 to 9.545 mm"
    )
    assert (refused.ok, other in refused.text) == (False, True)
    file = str(bench.config.source.path)
    assert other in CliRunner().invoke(app, ["check", file]).output
    ask.add("MP-10-1", due="2027-01-31", diameter_mm=9.522)  # another pin under that name
    assert ask.next_lot().ok
    assert bench.runner.alarms == {}
    ask.add("MP-10-1", due="2027-01-31", diameter_mm=9.4)
    assert "is 9.4 mm thick" in bench.runner.alarms["instrument-unfit"]
    bench.values("5.0")
    bench.placed("2")
