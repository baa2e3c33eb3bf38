"""The indicator is unplugged and plugged in again, or falls silent, in the midst of work."""

import os
import signal
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from tests.system.deadline import until
from tests.system.record_reader import clampings, rows
from tests.system.service_process import ServiceProcess, running_service
from tests.system.shop import Shop, bench_file, running_shop
from tests.system.verdict_check import check_verdicts

pytestmark = pytest.mark.system

TOLD_WITHIN_S = 2.0
IDLE_SHARE = 0.05
"""Processor share while unplugged, at most: a busy loop takes a whole one."""

MARGIN_NM = 350
"""Step and noise, as in ``test_lot``."""


@contextmanager
def working(folder: Path, speed: float) -> Iterator[tuple[Shop, ServiceProcess]]:
    with (
        running_shop(folder, speed, {"b1": 20}, seed=12) as shop,
        running_service(shop.bench_file, speed) as service,
    ):
        until(lambda: shop.state().get("state") in ("loosen", "clamping"), "readings", 30)
        yield shop, service


def tell_bench(shop: Shop, sign: signal.Signals) -> float:
    """Send the simulated bench a signal; return the time of the day."""
    at_s = time.time()
    os.kill(shop.benches["b1"].popen.pid, sign)
    return at_s


def wait_for_block(shop: Shop, after: int, within_s: float) -> Any:
    return shop.listener.wait_for_message(
        "b1/state", lambda m: m.json["state"] == "blocked", after, within_s
    )


def test_unplugging_is_told_within_two_seconds_and_readings_resume(tmp_path: Path) -> None:
    with working(tmp_path, speed=1) as (shop, service):
        after = shop.listener.count
        unplugged_s = tell_bench(shop, signal.SIGUSR1)
        told = wait_for_block(shop, after, 10)
        print(f"told {1000 * (told.at_s - unplugged_s):.0f} ms after the unplugging")
        assert told.at_s - unplugged_s < TOLD_WITHIN_S
        assert "IND-21" in told.json["reason"]
        assert told.json["alarms"] == ["indicator-lost"]
        before_s, since_s = service.cpu_s(), time.monotonic()
        until(lambda: time.monotonic() - since_s > 4, "four seconds unplugged", 10)
        share = (service.cpu_s() - before_s) / (time.monotonic() - since_s)
        print(f"{100 * share:.1f} % of a processor while unplugged")
        assert share < IDLE_SHARE
        after = shop.listener.count
        plugged_s = tell_bench(shop, signal.SIGUSR2)
        back = shop.listener.wait_for_message(
            "b1/state", lambda m: m.json["state"] == "loosen", after, within_s=15
        )
        print(f"readings again {1000 * (back.at_s - plugged_s):.0f} ms after plugging in")
        # Against chatter the alarm stays for some seconds more; the prompt does not wait.
        shop.listener.wait_for_message(
            "b1/state", lambda m: m.json["alarms"] == [], after, within_s=15
        )
        assert service.stop() == 0


def test_a_silent_indicator_is_told_within_two_seconds(tmp_path: Path) -> None:
    with working(tmp_path, speed=1) as (shop, service):
        after = shop.listener.count
        silent_s = tell_bench(shop, signal.SIGSTOP)
        try:
            told = wait_for_block(shop, after, 10)
        finally:
            tell_bench(shop, signal.SIGCONT)
        print(f"told {1000 * (told.at_s - silent_s):.0f} ms after the last reading")
        assert told.at_s - silent_s < TOLD_WITHIN_S
        assert "no reading" in told.json["reason"]
        shop.listener.wait_for_message(
            "b1/state", lambda m: m.json["state"] != "blocked", shop.listener.count - 1
        )
        assert service.stop() == 0


def test_a_line_that_may_be_silent_is_no_busy_loop(tmp_path: Path) -> None:
    # An indicator with a print key says nothing for hours; and nothing is plugged in here.
    url, silent = "mqtt://127.0.0.1:1", ("baud = 9600", "baud = 9600\nsilent_s = 0")
    with running_service(bench_file(tmp_path, url, ("b1",), silent)) as service:
        until((tmp_path / "millrace.db.socket").exists, "the service at work", 20)
        until(lambda: "is not there" in service.log(), "a word on the missing port", 10)
        before_s, since_s = service.cpu_s(), time.monotonic()
        until(lambda: time.monotonic() - since_s > 2, "two idle seconds", 10)
        share = (service.cpu_s() - before_s) / (time.monotonic() - since_s)
        assert share < IDLE_SHARE
        assert service.stop() == 0


def test_an_open_cycle_is_interrupted_and_nothing_counts_before_a_loosening(
    tmp_path: Path,
) -> None:
    with working(tmp_path, speed=20) as (shop, service):
        # In the midst of the second sweep of a piece: one clamping is there, one under way.
        open_cycle = shop.listener.wait_for(
            lambda: _second_sweep(shop), "a second sweep", 90, alive=service
        )
        tell_bench(shop, signal.SIGUSR1)
        until(lambda: "indicator-lost" in shop.state()["alarms"], "the loss told", 10)
        tightened = _tightenings(shop)
        before = len(clampings(shop.store))
        ended = rows(
            shop.store,
            "SELECT e.how, c.number FROM cycle_ends e JOIN cycles c ON c.id = e.cycle"
            " JOIN pieces p ON p.id = c.piece WHERE p.number = ? AND c.number = ?",
            open_cycle["piece"], open_cycle["cycle"],
        )  # fmt: skip
        assert ended == [{"how": "interrupted", "number": open_cycle["cycle"]}]
        tell_bench(shop, signal.SIGUSR2)
        first = until(lambda: _first_valid(shop, before), "a clamping with a result", 60)
        assert (first["piece"], first["kind"]) == (open_cycle["piece"], "after-interruption")
        assert first["cycle"] == open_cycle["cycle"] + 1
        assert first["loosening"] != "not-observed"
        # The pin went on turning when the line was back: that tightening must not have counted.
        anew = [fact for fact in _tightenings(shop) if fact not in tightened]
        assert len(anew) >= first["nr"], "counted without a new tightening"
        true_nm = round(1000 * float(str(anew[first["nr"] - 1]["run_out_um"])))
        assert abs(first["tir_nm"] - true_nm) <= MARGIN_NM
        assert service.stop() == 0
        check_verdicts(shop.store)


def _second_sweep(shop: Shop) -> dict[str, Any] | None:
    """Return the state, if the spindle turns for the second clamping of a cycle."""
    state, prompt = shop.state(), shop.listener.latest("b1/prompt")
    turns = prompt is not None and prompt.json["word"] == "turn"
    return state if turns and state["clamping"] == 2 else None


def _first_valid(shop: Shop, after: int) -> dict[str, Any] | None:
    anew = clampings(shop.store)[after:]
    return next((k for k in anew if k["tir_nm"] is not None), None)


def _tightenings(shop: Shop) -> list[dict[str, object]]:
    return [fact for fact in shop.benches["b1"].truth() if fact["kind"] == "tightened"]
