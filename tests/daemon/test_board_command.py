"""`reclamp board` and `watch`: wrong use is exit 2, what fails is exit 3, each in one line."""

import socket
from pathlib import Path

import pytest
from typer.testing import CliRunner

from daemon.cli import app


@pytest.mark.parametrize(
    ("options", "told"),
    [
        pytest.param(["--broker", "127.0.0.1:1883"], "mqtt://HOST", id="no URL"),
        pytest.param(["--broker", "mqtt://a:b@127.0.0.1"], "password_file", id="a password"),
        pytest.param(["--root", "hall/#"], "--root 'hall/#'", id="a wildcard in the root"),
        pytest.param(["--root", ""], "--root ''", id="no root"),
        pytest.param(["--ca-file", "no/such.pem"], "--ca-file no/such.pem", id="no file"),
        pytest.param(["--http-port", "70000"], "65535", id="no port"),
        pytest.param(["--distance-m", "0"], "0", id="no distance"),
    ],
)
def test_wrong_use_is_exit_2_and_names_the_option(options: list[str], told: str) -> None:
    done = CliRunner().invoke(app, ["board", *options])
    assert done.exit_code == 2
    assert told in done.output


@pytest.mark.parametrize(
    ("options", "told"),
    [
        pytest.param(["--broker", "mqtt://a:b@127.0.0.1"], "password_file", id="a password"),
        pytest.param(["--root", "hall/#"], "--root 'hall/#'", id="a wildcard in the root"),
        pytest.param(["--password-file", "no/such"], "--password-file no/such", id="no file"),
        pytest.param(["--json"], "--once", id="JSON for ever"),
    ],
)
def test_wrong_use_of_watch_is_the_same(options: list[str], told: str) -> None:
    done = CliRunner().invoke(app, ["watch", *options])
    assert done.exit_code == 2
    assert told in done.output


@pytest.mark.parametrize("command", ["board", "watch"])
def test_a_certificate_without_tls_is_wrong_use(tmp_path: Path, command: str) -> None:
    path = tmp_path / "ca.pem"
    path.write_text("", encoding="utf-8")
    done = CliRunner().invoke(app, [command, "--ca-file", str(path)])
    assert done.exit_code == 2
    assert "mqtts://" in done.output


def test_a_taken_port_is_exit_3_and_named() -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = str(other.getsockname()[1])
        done = CliRunner().invoke(app, ["board", "--http-port", port])
    assert done.exit_code == 3
    assert f"port {port}" in done.output
    assert "in use" in done.output


def test_an_address_that_is_not_ours_is_exit_3() -> None:
    done = CliRunner().invoke(app, ["board", "--host", "192.0.2.1", "--http-port", "0"])
    assert done.exit_code == 3
    assert "192.0.2.1" in done.output
