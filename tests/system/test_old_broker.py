"""A broker that speaks MQTT 3.1.1 only: the service finds that out and a lot runs."""

from pathlib import Path

import pytest

from tests.system.deadline import until
from tests.system.record_reader import rows
from tests.system.service_process import running_service
from tests.system.shop import running_shop
from tests.system.verdict_check import check_verdicts

pytestmark = pytest.mark.system


def test_a_short_lot_runs_on_a_broker_without_mqtt_5(tmp_path: Path) -> None:
    order = ('{ "grade-1" = 36 }', '{ "grade-1" = 3 }')
    lot = ("quantity = 120", "quantity = 3")
    with (
        running_shop(tmp_path, 30, {"b1": 3}, order, lot, seed=311, broker="old") as shop,
        running_service(shop.bench_file, 30) as service,
    ):
        until(shop.is_all_put_away, "three pieces in their bins", 90)
        assert service.stop() == 0, service.log()
        shop.listener.wait_for_message("b1/link", lambda m: m.text == "offline")
    assert check_verdicts(shop.store) == 3
    stored = shop.events()
    assert [event["seq"] for event in stored] == list(range(1, len(stored) + 1))
    heard = shop.listener.events("b1")
    assert {event["id"]: event for event in heard} == {event["id"]: event for event in stored}
    lit = {m.topic.rpartition("/")[2] for m in shop.listener.heard() if m.text == "on"}
    assert lit == {row["bin"] for row in rows(shop.store, "SELECT bin FROM verdicts")}
    assert shop.listener.latest("b1/lot") is not None
