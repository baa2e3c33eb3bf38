"""The broker fixture itself: other tests rest on it."""

import socket
import subprocess
from pathlib import Path

import pytest

from tests.mosquitto_process import Mosquitto, running_mosquitto

pytestmark = pytest.mark.system


def _publish_retained(broker: Mosquitto, topic: str, text: str) -> None:
    command = ["mosquitto_pub", "-h", "127.0.0.1", "-p", str(broker.port), "-V", "mqttv5"]
    subprocess.run([*command, "-q", "1", "-r", "-t", topic, "-m", text], check=True, timeout=10)


def _read_retained(broker: Mosquitto, topic: str) -> str:
    command = ["mosquitto_sub", "-h", "127.0.0.1", "-p", str(broker.port), "-W", "1"]
    done = subprocess.run([*command, "-t", topic], capture_output=True, text=True, timeout=10)
    return done.stdout.strip()


def test_a_broker_keeps_its_port_over_a_restart_and_what_is_retained_with_persistence(
    tmp_path: Path,
) -> None:
    with running_mosquitto(persistence=tmp_path) as broker:
        port = broker.port
        _publish_retained(broker, "shop/word", "steel")
        broker.stop()
        broker.start()
        assert broker.port == port
        assert _read_retained(broker, "shop/word") == "steel"


def test_without_persistence_a_restarted_broker_remembers_nothing() -> None:
    with running_mosquitto() as broker:
        _publish_retained(broker, "shop/word", "steel")
        broker.kill()
        broker.start()
        assert _read_retained(broker, "shop/word") == ""


def test_a_taken_port_is_seen_and_another_one_is_used() -> None:
    with running_mosquitto() as first, running_mosquitto() as second:
        assert first.port != second.port
        second.stop()
        second.port = first.port
        with pytest.raises(RuntimeError, match="did not start"):
            second.start()


def test_a_fault_in_the_configuration_is_told_with_the_brokers_own_words() -> None:
    broken = running_mosquitto(config="no_such_word true")
    with pytest.raises(RuntimeError, match="Unknown configuration variable"), broken:
        pass


def test_nothing_listens_any_more_after_the_context() -> None:
    with running_mosquitto() as broker:
        port = broker.port
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", port), timeout=1.0)
