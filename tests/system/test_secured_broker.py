"""README's example of broker, users and TLS, run as it stands against a real mosquitto."""

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from tests.system.deadline import until
from tests.system.secured_broker import WITNESS, Secured, secured_broker
from tests.system.service_process import ROOT, ServiceProcess, running_service
from tests.system.shop import bench_file

pytestmark = pytest.mark.system

OUT = {
    "link", "about", "state", "lot", "recent", "prompt", "event/verdict", "event/clamping",
    "alarm/wrong-bin", "lamp/1", "lamp/2", "reply",
}  # fmt: skip
IN = {"placed/1", "placed/2", "command"}
STRANGE = {"b2/state", "b2/command", "b2/placed/2", "b2/lamp/2", "b2/reply"}
MAY_WRITE = {
    "bench-b1": OUT,
    "lamp-b1-2": set(),
    "sensor-b1-2": {"placed/2"},
    "board": set(),
    "planning": {"command"},
}
MAY_READ = {
    "bench-b1": IN,
    "lamp-b1-2": {"lamp/2"},
    "sensor-b1-2": set(),
    "board": OUT - {"reply", "event/verdict"} | {"b2/state", "b2/lamp/2"},
    "planning": {"reply", "event/verdict", "event/clamping"},
}
TOPICS = sorted(OUT | IN | STRANGE)


def whole(topic: str) -> str:
    return f"reclamp/{topic}" if topic in STRANGE else f"reclamp/b1/{topic}"


@pytest.fixture(scope="module")
def hall(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Secured]:
    with secured_broker(tmp_path_factory.mktemp("broker")) as made:
        yield made


def test_every_user_may_do_what_it_is_for_and_nothing_else(hall: Secured) -> None:
    with closing(hall.client(WITNESS)) as witness:
        witness.subscribe("#")
        for user, allowed in MAY_WRITE.items():
            with closing(hall.client(user)) as client:
                for topic in TOPICS:
                    client.say(whole(topic), user)
                witness.say("done", user)
                until(lambda: ("done", user) in witness.heard, "all of it", 10)  # noqa: B023
            told = {topic for topic, text in witness.heard if text == user and topic != "done"}
            assert told == {whole(topic) for topic in allowed}, user
        for user, allowed in MAY_READ.items():
            with closing(hall.client(user)) as client:
                client.subscribe("#", *(whole(topic) for topic in TOPICS))
                for topic in TOPICS:
                    witness.say(whole(topic), f"to {user}")
                readable = {whole(topic) for topic in allowed}
                until(
                    lambda: {t for t, _ in client.heard} >= readable,  # noqa: B023
                    f"what {user} may read", 10,
                )  # fmt: skip
                assert {topic for topic, _ in client.heard} == readable, user


@pytest.mark.parametrize(
    ("user", "password"), [("bench-b1", "wrong"), (None, ""), ("stranger", "x")]
)
def test_who_is_unknown_is_refused(user: str | None, password: str, hall: Secured) -> None:
    with closing(hall.client(user, password)) as client:
        assert client.answer[0] in ("Not authorized", "Bad user name or password")


def test_nobody_speaks_in_the_clear(hall: Secured) -> None:
    with closing(hall.client("board", tls=False)) as client:
        assert "Success" not in client.answer


def service_file(folder: Path, hall: Secured, *changes: tuple[str, str]) -> Path:
    """Return a bench file with README's [mqtt] table, beside what that names."""
    section = hall.section()
    for old, new in changes:
        assert old in section
        section = section.replace(old, new)
    for name in ("ca.crt", "bench-b1.password", "bench-b1.crt", "bench-b1.key"):
        (folder / name).write_bytes((hall.folder / name).read_bytes())
    path = bench_file(folder, "mqtt://127.0.0.1:1883", ("b1",))
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace('[mqtt]\nurl = "mqtt://127.0.0.1:1883"\n', section), "utf-8")
    return path


def secrets_of(folder: Path) -> list[str]:
    key = (folder / "bench-b1.key").read_text(encoding="ascii").splitlines()[1:-1]
    return [(folder / "bench-b1.password").read_text(encoding="ascii").strip(), *key]


def check_no_secret(text: str, secrets: list[str]) -> None:
    assert text
    for secret in secrets:
        assert len(secret) > 8
        assert secret not in text


def test_the_service_works_under_its_user_and_others_under_theirs(
    hall: Secured, tmp_path: Path
) -> None:
    path = service_file(tmp_path, hall)
    checked = subprocess.run(
        [sys.executable, "-m", "daemon.cli", "check", str(path)],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert checked.returncode == 0, checked.stderr
    check_no_secret(checked.stdout, secrets_of(tmp_path))
    with running_service(path) as service, closing(hall.client("board")) as board:
        board.subscribe("reclamp/+/link", "reclamp/+/lamp/+")
        until(lambda: ("reclamp/b1/link", "online") in board.heard, "it is online", 20)
        with (
            closing(hall.client("planning")) as planning,
            closing(hall.client("sensor-b1-2")) as sensor,
        ):
            planning.subscribe("reclamp/b1/reply", "reclamp/b1/event/+")
            planning.say("reclamp/b1/command", '{"id": "p", "command": "lot-show"}')
            sensor.say("reclamp/b1/placed/2", "")
            until(lambda: len({t for t, _ in planning.heard}) >= 2, "reply and event", 10)
            said = {topic: json.loads(text) for topic, text in planning.heard}
            assert said["reclamp/b1/reply"]["ok"] is True
            assert said["reclamp/b1/event/put-away"]["data"]["bin"] == "2"
        assert service.stop() == 0
        check_no_secret(service.log(), secrets_of(tmp_path))
        until(lambda: ("reclamp/b1/link", "offline") in board.heard, "it says good-bye", 10)


SOMEBODY_ELSES = "openssl req -x509 -newkey rsa:2048 -nodes -subj /CN=x -keyout x.key -out {}"


@pytest.mark.parametrize(
    ("name", "how", "said"),
    [
        ("bench-b1.password", "echo a-wrong-one-of-its-own > {}", "ot authorized"),
        ("ca.crt", SOMEBODY_ELSES, "certificate verify failed"),
    ],
)
def test_what_does_not_fit_is_told_without_a_secret_and_the_service_stays_up(
    name: str, how: str, said: str, hall: Secured, tmp_path: Path
) -> None:
    path = service_file(tmp_path, hall)
    secrets = secrets_of(tmp_path)
    subprocess.run(
        ["bash", "-ec", how.format(name)], cwd=tmp_path, check=True, capture_output=True
    )
    secrets += (tmp_path / "bench-b1.password").read_text(encoding="ascii").split()
    with running_service(path) as service:
        until(lambda: said in service.log(), f"{said!r} in the log", 20)
        check_up(service)
        check_no_secret(service.log(), secrets)


def check_up(service: ServiceProcess) -> None:
    assert service.is_alive
    assert "Traceback" not in service.log(), service.log()
    assert service.stop() == 0


def test_a_broker_that_wants_a_certificate_gets_ours(tmp_path: Path) -> None:
    broker_folder, folder = tmp_path / "broker", tmp_path / "bench"
    broker_folder.mkdir()
    folder.mkdir()
    wants = ("require_certificate false", "require_certificate true")
    with secured_broker(broker_folder, wants) as hall:
        with running_service(service_file(folder, hall)) as service:
            until(lambda: "as reclamp-b1 " in hall.broker.log(), "it is let in", 20)
            assert service.stop() == 0
        with closing(hall.client("board")) as bare:
            assert "Success" not in bare.answer
