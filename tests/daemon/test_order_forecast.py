"""The forecast of an order on the bench: early warning, its return, and its figures."""

import json
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from daemon import snapshot
from tests.daemon.bench_of_values import ValueBench, value_bench


@pytest.fixture
def bench(bench_folder: Callable[..., Path]) -> Iterator[ValueBench]:
    made = value_bench(bench_folder)
    yield made
    made.close()


def alarms(bench: ValueBench) -> list[tuple[str, str]]:
    rows = bench.rows("SELECT body FROM events WHERE kind = 'alarm' ORDER BY seq")
    data = [json.loads(str(body))["data"] for (body,) in rows]
    return [(d["code"], d["state"]) for d in data]


def ordinary(bench: ValueBench, um: str = "5.0") -> None:
    bench.values(um)
    bench.placed("2")


def top(bench: ValueBench) -> None:
    bench.values("1.0", "2.0", "3.0")
    bench.placed("1")


def test_before_the_first_verdict_there_is_nothing_to_go_by(bench: ValueBench) -> None:
    assert bench.runner.forecast() is None


def test_the_figures_are_those_of_the_model_for_what_the_store_counts(
    bench: ValueBench,
) -> None:
    for _ in range(3):
        top(bench)
    ordinary(bench)
    found = snapshot.lot(bench.runner, bench.store).forecast
    assert found is not None
    assert (found.measured, found.missing, found.unmeasured) == (4, 33, 116)
    # Beta-binomial with Jeffreys' prior: by scipy, the chance that 116 more hold under 33.
    from scipy.stats import betabinom

    assert found.runs_out == pytest.approx(betabinom.cdf(32, 116, 3.5, 1.5), abs=1e-4)


def test_the_lead_is_warned_once_when_the_lot_will_not_suffice(bench: ValueBench) -> None:
    for number in range(14):
        ordinary(bench, "5.0" if number % 2 else "6.0")
    assert alarms(bench) == [("order-short", "raised")]
    text = bench.runner.alarms["order-short"]
    assert "36 of grade-1 missing" in text
    lot = snapshot.lot(bench.runner, bench.store)
    assert lot.forecast is not None
    assert lot.forecast.short


def test_the_warning_goes_when_the_order_is_lowered(bench: ValueBench) -> None:
    from daemon.commands import carry_out
    from daemon.messages import Command

    for _ in range(14):
        ordinary(bench)
    asked = Command(
        id="c1", command="lot-order", grade="grade-1", quantity=1, reason="less", role="lead"
    )
    assert carry_out(asked, bench.runner, bench.store).ok
    assert alarms(bench)[-1] == ("order-short", "returned")


def test_an_error_of_our_own_is_a_fault_and_the_bench_is_taken_up_again(
    bench: ValueBench,
) -> None:
    bench.values("1.0")
    bench.runner.break_down(ZeroDivisionError("by nothing"))
    assert bench.word == "fault"
    assert bench.lamps == {}
    assert "ZeroDivisionError" in bench.runner.shown.signals.reason
    assert not bench.value("1.0")
    assert bench.runner.recover()
    assert bench.rows("SELECT how FROM cycle_ends") == [("interrupted",)]
