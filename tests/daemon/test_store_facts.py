"""Every kind of fact: its rows through the views, its event, its place in the outbox."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from daemon import messages
from daemon.errors import StoreError
from daemon.store import LotOpening, Store
from rules.clamping import Clamping, Loosening, PositionRunOut
from rules.facts import (
    AlarmFact,
    BoxFact,
    ClampingFact,
    CorrectionFact,
    CycleEndedFact,
    CycleOpenedFact,
    LotFact,
    OrderFact,
    PutAwayFact,
    RefusedFact,
    VisualFact,
)
from rules.grading import assess
from rules.sweep import RunOut, Sweep
from tests.daemon.pieces import (
    BY,
    RULES,
    clamping,
    commit,
    keep_texts,
    measured,
    open_store,
    placed,
    put_through,
    stamp,
)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = open_store(
        tmp_path / "b.db", quantity=20, order={"grade-1": 3}, boxes={"1": "A-1", "2": "A-2"}
    )
    yield opened
    opened.close()


def table(store: Store, sql: str) -> list[dict[str, Any]]:
    with store.reading() as db:
        cursor = db.execute(sql)
        names = [column[0] for column in cursor.description]
        return [dict(zip(names, row, strict=True)) for row in cursor]


def events(store: Store) -> list[dict[str, Any]]:
    return [json.loads(body) for _, _, body in store.events_after("b1", 0, 10_000)]


def last_event(store: Store) -> dict[str, Any]:
    return events(store)[-1]


def every_kind(store: Store) -> None:
    """Commit at least one fact of every kind, as benches make them."""
    put_through(store, 1, [2_000, 2_000, 2_000])
    commit(store, *measured(2, ["no-turning"])[0])
    commit(store, CycleEndedFact(2, 1, "interrupted", "IND-21: silent"))
    for facts in measured(2, [5_000], 2, "after-interruption", is_new=False):
        commit(store, *facts)
    commit(store, placed(2, "1", "2", 2), AlarmFact("wrong-bin", True, "piece 2"))
    opened = CycleOpenedFact(2, 3, "retry", "chip in the taper", "lead")
    commit(store, opened, AlarmFact("wrong-bin", False, ""))
    commit(store, CycleEndedFact(2, 3, "abandoned", "dropped"))
    commit(store, CorrectionFact(2, 3, "abandoned", "dropped", "lead"))
    commit(store, PutAwayFact(None, None, "H", None, "bin"))
    commit(store, RefusedFact("too-soon", 7, value_nm=4_300))
    commit(store, RefusedFact("order-filled", 7, clamping(3_000)))
    commit(store, LotFact("order-filled"))
    commit(store, OrderFact("grade-1", 5, "two more", "lead"))
    commit(store, VisualFact("burr", 2, "", "operator"))
    commit(store, BoxFact("1", "A-9", 50, "operator"))


class TestEvents:
    def test_one_sequence_without_gaps_runs_over_all_kinds(self, store: Store) -> None:
        every_kind(store)
        found = events(store)
        assert [event["seq"] for event in found] == list(range(1, len(found) + 1))
        assert {event["type"] for event in found} == {
            f"reclamp.{kind}.v1"
            for kind in ("clamping", "verdict", "put-away", "correction", "lot", "alarm")
        }

    def test_every_event_is_a_cloudevent_of_the_contract(self, store: Store) -> None:
        """CloudEvents 1.0: id, source, specversion and type required; source + id unique."""
        every_kind(store)
        for event in events(store):
            assert event["specversion"] == "1.0"
            assert event["source"] == "/reclamp/millrace/b1"
            assert event["id"] == f"/reclamp/millrace/b1/{event['seq']}"
            assert event["sequence"] == str(event["seq"])
            assert event["datacontenttype"] == "application/json"
            assert event["clocksync"] == "yes"

    def test_every_event_fits_the_json_schema_of_its_model(self, store: Store) -> None:
        every_kind(store)
        schema = messages.Event.model_json_schema()
        jsonschema.Draft202012Validator.check_schema(schema)
        check = jsonschema.Draft202012Validator(schema)
        for event in events(store):
            assert list(check.iter_errors(event)) == []

    @pytest.mark.parametrize(
        ("kind", "model"),
        [
            ("clamping", messages.ClampingData),
            ("verdict", messages.VerdictData),
            ("put-away", messages.PutAwayData),
            ("correction", messages.CorrectionData),
            ("lot", messages.LotData),
            ("alarm", messages.AlarmData),
        ],
    )
    def test_the_data_of_a_kind_fits_that_kinds_own_schema(
        self, kind: str, model: type[messages.Payload], store: Store
    ) -> None:
        every_kind(store)
        check = jsonschema.Draft202012Validator(model.model_json_schema())
        found = [event for event in events(store) if event["type"] == f"reclamp.{kind}.v1"]
        assert found
        for event in found:
            assert list(check.iter_errors(event["data"])) == []

    def test_benches_count_each_for_itself(self, store: Store) -> None:
        from dataclasses import replace

        other = replace(BY, bench="b2", source="/reclamp/millrace/b2")
        commit(store, AlarmFact("battery-low", True, "x"))
        store.commit([AlarmFact("battery-low", True, "x")], other, stamp())
        assert [seq for seq, _, _ in store.events_after("b1", 0, 9)] == [1, 2]
        assert [seq for seq, _, _ in store.events_after("b2", 0, 9)] == [1]

    def test_events_after_a_number_come_in_order_and_not_more_than_asked(
        self, store: Store
    ) -> None:
        every_kind(store)
        assert [seq for seq, _, _ in store.events_after("b1", 4, 3)] == [5, 6, 7]
        assert store.events_after("b1", 10_000, 3) == []


class TestTheOutbox:
    def test_it_holds_every_event_in_order_until_a_broker_has_it(self, store: Store) -> None:
        every_kind(store)
        everything = [seq for seq, _, _ in store.unsent("b1", 10_000)]
        assert everything == [event["seq"] for event in events(store)]
        first = store.unsent("b1", 5)
        assert [seq for seq, _, _ in first] == [1, 2, 3, 4, 5]
        store.sent("b1", [1, 2, 4])
        assert [seq for seq, _, _ in store.unsent("b1", 3)] == [3, 5, 6]

    def test_what_is_sent_again_has_the_same_id_and_text(self, store: Store) -> None:
        every_kind(store)
        assert store.unsent("b1", 3) == store.unsent("b1", 3)

    def test_what_was_sent_stays_in_the_record(self, store: Store) -> None:
        every_kind(store)
        before = events(store)
        store.sent("b1", [seq for seq, _, _ in store.unsent("b1", 10_000)])
        assert store.unsent("b1", 10) == []
        assert events(store) == before
        commit(store, AlarmFact("battery-low", True, "x"))
        assert [seq for seq, _, _ in store.unsent("b1", 10)] == [len(before) + 1]

    def test_sending_twice_harms_nothing(self, store: Store) -> None:
        store.sent("b1", [1])
        store.sent("b1", [1, 99])
        assert store.unsent("b1", 10) == []


class TestClampings:
    def test_a_clamping_is_read_in_micrometres_with_what_it_meets(self, store: Store) -> None:
        commit(store, *measured(1, [3_200])[0], at_s=12)
        (row,) = table(store, "SELECT * FROM clampings_um")
        assert row == {
            "bench": "b1", "lot": "W-1", "piece": 1, "cycle": 1, "kind": "first",
            "clamping": 1, "result": "within", "tir_um": 3.2, "seen_at_least_um": None,
            "invalid": None, "meets": "grade-1 grade-2", "loosening": "stylus-lift",
            "at_utc": "2026-11-24T00:00:12.000Z", "clock_synced": "yes",
            "rules_sha256": "a" * 64, "bench_sha256": "b" * 64,
        }  # fmt: skip

    def test_an_invalid_one_has_no_tir_and_keeps_what_was_seen_at_least(
        self, store: Store
    ) -> None:
        commit(store, *measured(1, ["no-turning"])[0])
        (row,) = table(store, "SELECT * FROM clampings_um")
        assert (row["result"], row["invalid"]) == ("invalid", "no-turning")
        assert (row["tir_um"], row["seen_at_least_um"]) == (None, 1.0)
        data = last_event(store)["data"]
        assert (data["result"], data["tir_um"], data["seen_um"]) == ("invalid", None, 1.0)
        assert data["reason"].startswith("no-turning: ")

    def test_its_row_names_driver_versions_evaluation_and_proof(self, store: Store) -> None:
        commit(store, *measured(1, [3_200])[0])
        (row,) = table(
            store,
            "SELECT k.evaluation, k.proof, k.mode, k.boot, k.started_ns, p.driver,"
            " p.driver_version, p.turns_nm, p.samples, p.closure_nm, p.tir_nm"
            " FROM clampings k JOIN clamping_positions p ON p.clamping = k.id",
        )
        assert row["evaluation"] != ""
        assert (row["proof"], row["mode"], row["boot"]) == ("index", "sweep", "boot-1")
        assert (row["driver"], row["driver_version"]) == ("ascii-line", "0.1.0")
        assert json.loads(row["turns_nm"]) == [3_200, 3_200]
        assert (row["samples"], row["closure_nm"], row["tir_nm"]) == (48, 0, 3_200)

    def test_its_event_carries_a_sweep_of_200_points_at_most(self, store: Store) -> None:
        made = clamping(3_000, samples=1_000)
        fact = ClampingFact(1, True, 1, "first", 1, made, assess(made, RULES))
        commit(store, fact)
        (points,) = last_event(store)["data"]["points"]
        assert len(points["at_ms"]) == len(points["um"]) == 200
        assert points["at_ms"][:2] == [0.0, 250.0]  # every fifth of 50 ms

    def test_two_positions_are_two_child_rows_and_the_larger_decides(
        self, store: Store, tmp_path: Path
    ) -> None:
        from dataclasses import replace

        far = clamping(3_000).positions[0]
        sweep = Sweep((0, 1), (0, 2_000))
        near = PositionRunOut("IND-22", "face", sweep, RunOut(2_000, 2_000, (2_000,), 2, 0))
        made = Clamping("sweep", 0, 1, (far, near), Loosening("pin-jump", -5, 30_000, 900))
        drivers = {**BY.drivers, "IND-22": ("ascii-poll", "9")}
        fact = ClampingFact(1, True, 1, "first", 1, made, assess(made, RULES))
        store.commit([fact], replace(BY, drivers=drivers), stamp())
        assert table(
            store, "SELECT position, indicator, tir_nm FROM clamping_positions ORDER BY 1"
        ) == [
            {"position": "face", "indicator": "IND-22", "tir_nm": 2_000},
            {"position": "far", "indicator": "IND-21", "tir_nm": 3_000},
        ]
        data = last_event(store)["data"]
        assert data["tir_um"] == 3.0
        assert {p["position"]: p["tir_um"] for p in data["positions"]} == {
            "far": 3.0,
            "face": 2.0,
        }
        assert data["loosening"] == {
            "evidence": "pin-jump",
            "size_um": 30.0,
            "duration_s": 0.0,
            "before_s": 0.0,
        }
        kept = "SELECT loosening_nm, loosening_ns, loosening_at_ns FROM clampings"
        assert table(store, kept) == [
            {"loosening_nm": 30_000, "loosening_ns": 900, "loosening_at_ns": -5}
        ]

    def test_a_refused_one_is_recorded_as_an_event_of_no_piece(self, store: Store) -> None:
        commit(store, RefusedFact("order-filled", 7, clamping(3_000)))
        data = last_event(store)["data"]
        assert (data["piece"], data["cycle"], data["counts"]) == (None, None, False)
        assert (data["result"], data["tir_um"], data["seen_um"]) == ("invalid", None, 3.0)
        assert data["reason"].startswith("order-filled: ")
        assert table(store, "SELECT * FROM clampings") == []
        commit(store, RefusedFact("too-soon", 7, value_nm=4_300))
        assert last_event(store)["data"]["seen_um"] == 4.3

    def test_without_a_lot_a_refused_one_is_recorded_all_the_same(self, tmp_path: Path) -> None:
        store = Store(tmp_path / "none.db")
        keep_texts(store)
        commit(store, RefusedFact("no-lot", 7, clamping(3_000)))
        assert last_event(store)["data"]["lot"] == ""
        store.close()


class TestVerdicts:
    def test_a_verdict_is_read_with_its_reason_rules_and_decision_rule(
        self, store: Store
    ) -> None:
        for facts in measured(1, [2_000, 3_200, 1_000]):
            commit(store, *facts, at_s=90)
        (row,) = table(store, "SELECT * FROM verdicts_um")
        assert (row["grade"], row["bin"], row["why"]) == ("grade-1", "1", "meets-grade")
        assert row["reason"] == "3 clampings, largest 3.2 µm, acceptance limit 3.2 µm"
        assert (row["rules_revision"], row["rules_sha256"]) == ("7", "a" * 64)
        assert row["loosening_observed"] == 1
        assert json.loads(row["decision_rule"])[0] == {
            "grade": "grade-1",
            "rule": "guarded-acceptance",
            "tolerance_limit_um": 4.0,
            "acceptance_limit_um": 3.2,
        }
        assert row["seq"] == last_event(store)["seq"]

    def test_its_event_holds_what_the_contract_asks_for_at_least(self, store: Store) -> None:
        for facts in measured(1, [2_000, "drift", 3_200, 1_000]):
            commit(store, *facts)
        data = last_event(store)["data"]
        assert data.keys() >= {
            "lot", "piece", "cycle", "grade", "bin", "clampings", "reason", "rules",
            "decision_rule",
        }  # fmt: skip
        assert data["rules"] == {"revision": "7", "sha256": "a" * 64}
        assert [c["tir_um"] for c in data["clampings"]] == [2.0, None, 3.2, 1.0]
        assert [c["result"] for c in data["clampings"]] == [
            "within", "invalid", "within", "within",
        ]  # fmt: skip
        assert data["clampings"][0]["meets"] == ["grade-1", "grade-2"]
        assert data["clampings"][0]["positions"][0]["turns_um"] == [2.0, 2.0]

    def test_a_piece_without_a_grade_has_null_and_the_bin_of_its_kind(
        self, store: Store
    ) -> None:
        for piece, tir, bin_id, why in [
            (1, 11_000, "H", "guard-band"),
            (2, 12_001, "N", "above-all-limits"),
        ]:
            for facts in measured(piece, [tir]):
                commit(store, *facts)
            data = last_event(store)["data"]
            assert (data["grade"], data["bin"]) == (None, bin_id)
            (row,) = table(store, f"SELECT why FROM verdicts_um WHERE piece = {piece}")
            assert row["why"] == why


class TestPutAways:
    def test_a_right_one_records_the_box_that_stands_there(self, store: Store) -> None:
        put_through(store, 1, [2_000, 2_000, 2_000])
        data = last_event(store)["data"]
        assert data == {
            "lot": "W-1", "piece": 1, "cycle": 1, "bin": "1", "expected": "1", "right": True,
            "by": "bin", "box": "A-1", "cell": None, "reason": "",
        }  # fmt: skip
        (row,) = table(
            store,
            "SELECT b.label, a.is_right FROM put_aways a LEFT JOIN boxes b ON b.id = a.box",
        )
        assert row == {"label": "A-1", "is_right": 1}

    def test_after_a_change_it_is_the_new_box(self, store: Store) -> None:
        commit(store, BoxFact("1", "A-9", 50, "operator"))
        put_through(store, 1, [2_000, 2_000, 2_000])
        assert last_event(store)["data"]["box"] == "A-9"

    def test_a_wrong_one_says_both_bins_and_closes_nothing(self, store: Store) -> None:
        for facts in measured(1, [2_000, 2_000, 2_000]):
            commit(store, *facts)
        commit(store, placed(1, "2", "1"))
        data = last_event(store)["data"]
        assert (data["bin"], data["expected"], data["right"]) == ("2", "1", False)
        assert (data["reason"], data["box"]) == ("wrong bin", "A-2")
        (row,) = table(store, "SELECT status FROM piece_status")
        assert row["status"] == "pending"

    def test_one_for_nothing_is_harmless_and_recorded(self, store: Store) -> None:
        commit(store, PutAwayFact(None, None, "H", None, "bin"))
        data = last_event(store)["data"]
        assert (data["piece"], data["right"]) == (None, False)
        assert data["reason"] == "no piece was waiting"
        (row,) = table(store, "SELECT cycle, is_right, box FROM put_aways")
        assert row == {"cycle": None, "is_right": 0, "box": None}


class TestLaterFacts:
    def test_a_correction_names_piece_cycle_what_reason_and_role(self, store: Store) -> None:
        every_kind(store)
        found = table(
            store,
            "SELECT p.number AS piece, c.number AS cycle, x.what, x.reason, x.role, x.seq"
            " FROM corrections x JOIN pieces p ON p.id = x.piece"
            " LEFT JOIN cycles c ON c.id = x.cycle ORDER BY x.id",
        )
        assert [(r["piece"], r["cycle"], r["what"], r["reason"], r["role"]) for r in found] == [
            (2, 3, "retry", "chip in the taper", "lead"),
            (2, 3, "abandoned", "dropped", "lead"),
        ]
        by_seq = {event["seq"]: event for event in events(store)}
        for row in found:
            assert by_seq[row["seq"]]["type"] == "reclamp.correction.v1"
            assert by_seq[row["seq"]]["data"]["what"] == row["what"]

    def test_an_interruption_ends_its_cycle_and_is_told(self, store: Store) -> None:
        commit(store, *measured(1, [2_000, 2_000])[0])
        commit(store, CycleEndedFact(1, 1, "interrupted", "IND-21: silent"))
        (row,) = table(store, "SELECT how, reason FROM cycle_ends")
        assert row == {"how": "interrupted", "reason": "IND-21: silent"}
        data = last_event(store)["data"]
        assert (data["what"], data["role"]) == ("interrupted", "service")

    def test_a_fact_about_no_piece_is_kept_with_the_lot(self, store: Store) -> None:
        commit(store, CorrectionFact(None, None, "store-fault", "disk full", "service"))
        (row,) = table(store, "SELECT lot, piece, what FROM corrections")
        assert row == {"lot": 1, "piece": None, "what": "store-fault"}

    def test_an_alarm_comes_and_goes_as_events(self, store: Store) -> None:
        commit(store, AlarmFact("battery-low", True, "IND-21: battery low"), at_s=3)
        data = last_event(store)["data"]
        assert data == {
            "code": "battery-low", "text": "IND-21: battery low", "state": "raised",
            "since": "2026-11-24T00:00:03.000Z", "stands": True, "waits_for": "operator",
            "to_do": "put a new battery in before the next lot", "role": "", "reason": "",
            "until": None,
        }  # fmt: skip
        commit(store, AlarmFact("battery-low", False, ""))
        assert last_event(store)["data"]["state"] == "returned"


class TestTheLot:
    def test_its_opening_is_kept_with_order_boxes_and_files(self, store: Store) -> None:
        (row,) = table(store, "SELECT code, article, quantity, rules_sha256 FROM lots")
        assert row == {
            "code": "W-1", "article": "MR-10-MED", "quantity": 20, "rules_sha256": "a" * 64,
        }  # fmt: skip
        data = last_event(store)["data"]
        assert (data["what"], data["order"]) == ("opened", {"grade-1": 3})
        assert table(store, "SELECT sha256, kind, text FROM texts ORDER BY 1") == [
            {"sha256": "a" * 64, "kind": "rules", "text": "r"},
            {"sha256": "b" * 64, "kind": "bench", "text": "b"},
        ]

    def test_the_last_word_on_an_order_counts_and_the_first_is_kept(self, store: Store) -> None:
        commit(store, OrderFact("grade-1", 5, "two more", "lead"))
        lot = store.lot("b1")
        assert lot is not None
        assert lot.ordered == {"grade-1": 5}
        assert [row["quantity"] for row in table(store, "SELECT quantity FROM orders")] == [
            3,
            5,
        ]

    def test_its_counts_are_read_by_status_and_grade(self, store: Store) -> None:
        put_through(store, 1, [2_000, 2_000, 2_000])
        put_through(store, 2, [5_000])
        put_through(store, 3, [11_000])
        put_through(store, 4, [13_000])
        commit(store, *measured(5, [2_000])[0])
        found = table(store, "SELECT status, grade, pieces FROM lot_counts ORDER BY 1, 2")
        assert found == [
            {"status": "hold", "grade": None, "pieces": 1},
            {"status": "in-work", "grade": None, "pieces": 1},
            {"status": "nonconforming", "grade": None, "pieces": 1},
            {"status": "put-away", "grade": "grade-1", "pieces": 1},
            {"status": "put-away", "grade": "grade-2", "pieces": 1},
        ]

    def test_when_it_is_closed_the_bench_has_none_and_its_pieces_stay(
        self, store: Store
    ) -> None:
        put_through(store, 1, [2_000, 2_000, 2_000])
        store.close_lot("tray empty", "lead", {"put-away": 1}, BY, stamp(200))
        assert store.lot("b1") is None
        assert store.open_work("b1") is None
        (row,) = table(store, "SELECT reason, role, counts FROM lot_ends")
        assert (row["reason"], row["role"]) == ("tray empty", "lead")
        assert json.loads(row["counts"]) == {"put-away": 1}
        assert len(table(store, "SELECT * FROM verdicts_um")) == 1
        assert last_event(store)["data"]["what"] == "closed"

    def test_the_next_lot_numbers_its_pieces_from_one_and_seq_goes_on(
        self, store: Store
    ) -> None:
        put_through(store, 1, [2_000, 2_000, 2_000])
        store.close_lot("x", "lead", {}, BY, stamp())
        before = len(events(store))
        store.open_lot(LotOpening("W-2", "MR-10-MED"), BY, stamp())
        put_through(store, 1, [5_000])
        assert [event["seq"] for event in events(store)] == list(range(1, before + 5))
        lot = store.lot("b1")
        assert lot is not None
        assert (lot.code, lot.next_piece, dict(lot.put_away)) == ("W-2", 2, {"grade-2": 1})


def test_a_text_of_a_file_is_kept_once_by_its_hash(store: Store) -> None:
    keep_texts(store)
    assert len(table(store, "SELECT * FROM texts")) == 2


def test_a_lot_needs_the_texts_it_names(tmp_path: Path) -> None:
    store = Store(tmp_path / "none.db")
    with pytest.raises(StoreError, match="FOREIGN KEY"):
        store.open_lot(LotOpening("W-1", "MR-10-MED"), BY, stamp())
    store.close()
