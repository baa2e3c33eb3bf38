"""The way to a broker: which version is spoken, who we are there, and what goes wrong."""

import gc
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from daemon.broker import Broker, MqttError, Protocol, connected
from tests.mosquitto_process import mosquitto_program, running_mosquitto

TLS = Path(__file__).parents[1] / "data" / "tls"


async def speaks(broker: Broker) -> bool:
    """Return whether MQTT 5 is spoken, after a message has been acknowledged."""
    async with connected(broker, "reclamp-test") as session:
        await session.client.publish("reclamp/test", "x", qos=1)
        return session.is_v5


@contextmanager
def an_old_broker() -> Iterator[int]:
    """Run the demo's broker, which speaks MQTT 3.1.1 only; return its port."""
    import socket

    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = int(free.getsockname()[1])
    command = [sys.executable, "-m", "daemon.demo.broker_process", str(port)]
    with subprocess.Popen(command) as process:
        deadline = time.monotonic() + 20
        while True:
            assert time.monotonic() < deadline, "the demo's broker does not listen"
            assert process.poll() is None, "the demo's broker is not installed or died"
            try:
                socket.create_connection(("127.0.0.1", port), timeout=1).close()
                break
            except OSError:
                time.sleep(0.05)
        try:
            yield port
        finally:
            process.terminate()


@pytest.mark.parametrize(("protocol", "is_v5"), [("auto", True), ("5", True), ("3.1.1", False)])
async def test_a_broker_that_speaks_both_is_spoken_to_in_5_unless_the_file_says_otherwise(
    protocol: Protocol, is_v5: bool
) -> None:
    with running_mosquitto() as broker:
        assert await speaks(Broker("127.0.0.1", broker.port, protocol=protocol)) == is_v5


async def test_a_broker_that_speaks_3_1_1_only_is_spoken_to_in_that() -> None:
    with an_old_broker() as port:
        assert await speaks(Broker("127.0.0.1", port)) is False
        assert await speaks(Broker("127.0.0.1", port, protocol="3.1.1")) is False


async def test_a_broker_that_does_not_speak_5_is_told_where_the_file_insists_on_it() -> None:
    with an_old_broker() as port, pytest.raises(MqttError):
        await speaks(Broker("127.0.0.1", port, protocol="5"))


async def test_nobody_who_listens_is_an_error_of_mqtt() -> None:
    with running_mosquitto() as broker:
        port = broker.port
    with pytest.raises(MqttError, match="refused"):
        await speaks(Broker("127.0.0.1", port))


async def test_the_question_which_version_leaves_no_trace(tmp_path: Path) -> None:
    """It is asked under a name of its own and without a will."""
    with running_mosquitto() as broker:
        await speaks(Broker("127.0.0.1", broker.port))
        log = broker.log()
    assert "reclamp-test-probe" in log
    assert "Will message" not in log


class TestWhoWeAre:
    @pytest.fixture
    def port(self, tmp_path: Path) -> Iterator[int]:
        program = Path(mosquitto_program()).with_name("mosquitto_passwd")
        if not program.exists():
            program = Path("/usr/bin/mosquitto_passwd")
        users = tmp_path / "users"
        subprocess.run(
            [program, "-b", "-c", users, "bench-1", "swordfish"], check=True, timeout=20
        )
        listener = (
            f"listener {{port}} 127.0.0.1\nallow_anonymous false\npassword_file {users}\n"
        )
        with running_mosquitto(listener=listener) as broker:
            yield broker.port

    def broker(self, port: int, secret: bytes | None, folder: Path) -> Broker:
        path = folder / "secret"
        if secret is not None:
            path.write_bytes(secret)
        return Broker("127.0.0.1", port, username="bench-1", password_file=path)

    @pytest.mark.parametrize("secret", [b"swordfish", b"swordfish\n", b" swordfish \r\n"])
    async def test_the_password_is_that_of_its_file_without_blanks_around_it(
        self, secret: bytes, port: int, tmp_path: Path
    ) -> None:
        assert await speaks(self.broker(port, secret, tmp_path))

    async def test_a_changed_password_counts_at_the_next_connection(
        self, port: int, tmp_path: Path
    ) -> None:
        broker = self.broker(port, b"wrong", tmp_path)
        with pytest.raises(MqttError, match=r"[Nn]ot authori[sz]ed"):
            await speaks(broker)
        (tmp_path / "secret").write_text("swordfish")
        assert await speaks(broker)

    async def test_a_password_file_that_can_not_be_read_is_told_by_name(
        self, port: int, tmp_path: Path
    ) -> None:
        with pytest.raises(OSError, match="No such file") as missing:
            await speaks(self.broker(port, None, tmp_path))
        assert str(tmp_path / "secret") in str(missing.value)
        with pytest.raises(MqttError, match="no UTF-8 text") as binary:
            await speaks(self.broker(port, b"\xff\xfe", tmp_path))
        assert str(tmp_path / "secret") in str(binary.value)

    async def test_without_a_name_nobody_gets_in(self, port: int) -> None:
        with pytest.raises(MqttError, match=r"[Nn]ot authori[sz]ed"):
            await speaks(Broker("127.0.0.1", port))


class TestEncrypted:
    listener = (
        f"listener {{port}} 127.0.0.1\nallow_anonymous true\ncafile {TLS / 'ca.crt'}\n"
        f"certfile {TLS / 'server.crt'}\nkeyfile {TLS / 'server.key'}\n"
    )

    async def test_a_broker_of_the_shops_own_authority_is_believed(self) -> None:
        with running_mosquitto(listener=self.listener) as broker:
            way = Broker("127.0.0.1", broker.port, tls=True, ca_file=TLS / "ca.crt")
            assert await speaks(way)

    @pytest.mark.filterwarnings(  # paho lets go of its socket only when it is collected
        "ignore::pytest.PytestUnraisableExceptionWarning", "ignore::ResourceWarning"
    )
    async def test_a_stranger_in_the_brokers_place_is_not(self) -> None:
        with running_mosquitto(listener=self.listener) as broker:
            for authority in (None, TLS / "stranger.crt"):
                way = Broker("127.0.0.1", broker.port, tls=True, ca_file=authority)
                with pytest.raises((MqttError, OSError), match=r"CERTIFICATE_VERIFY_FAILED"):
                    await speaks(way)
        gc.collect()

    async def test_a_bench_shows_its_own_certificate_where_it_is_asked_for(self) -> None:
        listener = self.listener + "require_certificate true\n"
        with running_mosquitto(listener=listener) as broker:
            way = Broker("127.0.0.1", broker.port, tls=True, ca_file=TLS / "ca.crt")
            with pytest.raises((MqttError, OSError)):
                await speaks(way)
            shown = Broker(
                "127.0.0.1", broker.port, tls=True, ca_file=TLS / "ca.crt",
                cert_file=TLS / "client.crt", key_file=TLS / "client.key",
            )  # fmt: skip
            assert await speaks(shown)

    @pytest.mark.parametrize(
        ("files", "said"),
        [
            ({"ca_file": "none.crt"}, "none.crt: No such file"),
            (
                {"cert_file": "none.crt", "key_file": "none.key"},
                "none.crt, .*none.key: No such",
            ),
            ({"cert_file": "ca.crt", "key_file": "client.key"}, "client.key: .*KEY_VALUES_MIS"),
            ({"ca_file": "client.key"}, "client.key: .*certificate"),
        ],
    )
    async def test_certificates_that_are_no_good_are_told_by_the_names_of_their_files(
        self, files: dict[str, str], said: str
    ) -> None:
        paths: dict[str, Any] = {key: TLS / name for key, name in files.items()}
        way = Broker("127.0.0.1", 1, tls=True, **paths)
        with pytest.raises(MqttError, match=said):
            await speaks(way)
