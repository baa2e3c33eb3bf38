"""README's lamp at the real service: lit for a piece, dark in time whatever breaks.

The bench wakes with a verdict whose put-away is not recorded, so its lamp is lit at once.
"""

import os
import signal
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.daemon.bench_of_values import value_bench
from tests.mosquitto_process import Mosquitto, running_mosquitto
from tests.system.deadline import until
from tests.system.lamp_program import LampProgram, running_lamp
from tests.system.mqtt_listener import publish
from tests.system.service_process import ServiceProcess, running_service

pytestmark = pytest.mark.system

SPEED = 10.0
DARK_AFTER_S = 15.0
REPEAT_S = 5.0
SLACK_S = 0.5
"""Real seconds: the lamp looks fifty times a second, and a busy machine looks away."""

Make = Callable[..., Path]


@dataclass
class Floor:
    """A service with a piece for bin 2 in hand, and the lamps of two bins."""

    bench_file: Path
    broker: Mosquitto
    service: ServiceProcess
    right: LampProgram
    wrong: LampProgram

    def place(self, bin_id: str) -> None:
        publish(self.broker.port, f"b1/placed/{bin_id}", "")


@contextmanager
def floor(make: Make, folder: Path, speed: float = SPEED) -> Iterator[Floor]:
    with running_mosquitto() as broker:
        bench = value_bench(make, ("mqtt://127.0.0.1:1883", broker.url))
        bench.values("5.0")
        assert bench.lamps == {"2": "on"}
        bench.close()
        dark_s = DARK_AFTER_S / speed
        with (
            running_lamp(folder, broker.port, "reclamp/b1/lamp/2", dark_s) as right,
            running_lamp(folder, broker.port, "reclamp/b1/lamp/1", dark_s) as wrong,
            running_service(bench.config.source.path, speed) as service,
        ):
            until(lambda: right.is_lit, "the lamp is lit", 20)
            yield Floor(bench.config.source.path, broker, service, right, wrong)


def test_a_wrong_bin_flashes_and_the_right_one_stays_lit_until_it_is_put_right(
    bench_folder: Make, tmp_path: Path
) -> None:
    with floor(bench_folder, tmp_path) as shop:
        shop.place("1")
        begun_s = time.monotonic()
        until(lambda: shop.wrong.flashes_since(begun_s) >= 3, "it flashes", 5)
        apart = [at_s for at_s, is_lit in shop.wrong.changes if is_lit]
        assert apart[2] - apart[1] == pytest.approx(0.5, abs=0.2), "2 Hz"
        assert shop.right.is_lit
        assert len(shop.right.changes) == 2
        shop.place("2")
        until(lambda: not shop.right.is_lit, "confirmed", 5)
        until(lambda: not shop.wrong.is_lit, "put right", 5)
        ended_s = time.monotonic()
        publish(shop.broker.port, "b1/lamp/1", "on", "-r")
        until(lambda: shop.wrong.is_lit, "a live word, whoever says it", 5)
        until(lambda: not shop.wrong.is_lit, "dark without repetition", 5)
        assert shop.wrong.changes[-1][0] - ended_s < DARK_AFTER_S / SPEED + SLACK_S
        with running_lamp(tmp_path, shop.broker.port, "reclamp/b1/lamp/1", 1.5) as late:
            time.sleep(0.5)
            assert not late.is_lit, "what a broker kept is yesterday's"
        assert shop.service.stop() == 0


def kill_service(shop: Floor) -> None:
    shop.service.kill()


def freeze_service(shop: Floor) -> None:
    os.kill(shop.service.popen.pid, signal.SIGSTOP)


def kill_broker(shop: Floor) -> None:
    shop.broker.kill()


def freeze_broker(shop: Floor) -> None:
    shop.broker.freeze()


FAULTS = [kill_service, freeze_service, kill_broker, freeze_broker]


def check_dark(shop: Floor, fault: Callable[[Floor], None], speed: float) -> None:
    """Break something; the lamp goes dark 15 s after the last word, and not before 10 s."""
    fault(shop)
    broken_s = time.monotonic()
    until(lambda: not shop.right.is_lit, "dark", DARK_AFTER_S / speed + 5)
    took_s = (shop.right.changes[-1][0] - broken_s) * speed
    print(f"{fault.__name__}: dark after {took_s:.1f} s of the bench's clock")
    assert DARK_AFTER_S - REPEAT_S - 1.0 <= took_s <= DARK_AFTER_S + SLACK_S * speed


@pytest.mark.parametrize("fault", FAULTS)
def test_a_lamp_is_dark_in_time_whatever_breaks(
    fault: Callable[[Floor], None], bench_folder: Make, tmp_path: Path
) -> None:
    with floor(bench_folder, tmp_path) as shop:
        check_dark(shop, fault, SPEED)


@pytest.mark.long
@pytest.mark.parametrize("fault", FAULTS)
def test_a_lamp_is_dark_in_time_at_the_real_pace(
    fault: Callable[[Floor], None], bench_folder: Make, tmp_path: Path
) -> None:
    with floor(bench_folder, tmp_path, 1.0) as shop:
        check_dark(shop, fault, 1.0)


def test_a_service_that_is_stopped_leaves_no_lamp_lit(
    bench_folder: Make, tmp_path: Path
) -> None:
    with floor(bench_folder, tmp_path) as shop:
        begun_s = time.monotonic()
        assert shop.service.stop() == 0
        until(lambda: not shop.right.is_lit, "dark", 5)
        assert shop.right.changes[-1][0] - begun_s < 1.0
