"""How a command is told its broker: the same options for board and watch."""

from pathlib import Path
from typing import Annotated

import typer

from daemon.broker import Broker, parse_url
from daemon.cli.answers import refuse

__all__ = [
    "BROKER_URL", "BrokerUrl", "CaFile", "CertFile", "KeyFile", "PasswordFile", "Root",
    "broker_of", "check_root",
]  # fmt: skip

BROKER_URL = "mqtt://127.0.0.1:1883"

BrokerUrl = Annotated[
    str, typer.Option(help="Where the benches publish: mqtt://HOST[:PORT], mqtts://…")
]
Root = Annotated[str, typer.Option(help="First level of the benches' topics.")]
PasswordFile = Annotated[
    Path | None, typer.Option(help="File with the password of the URL's user.")
]
CaFile = Annotated[Path | None, typer.Option(help="The broker's CA, for mqtts://.")]
CertFile = Annotated[Path | None, typer.Option(help="Client certificate.")]
KeyFile = Annotated[Path | None, typer.Option(help="Its private key.")]


def broker_of(
    url: str,
    password_file: Path | None,
    ca_file: Path | None,
    cert_file: Path | None,
    key_file: Path | None,
) -> Broker:
    """Return the broker that the options describe; wrong ones end the command with 2."""
    try:
        host, port, tls, user = parse_url(url)
    except ValueError as error:
        refuse(f"--broker: {error}")
    files = {
        "--password-file": password_file,
        "--ca-file": ca_file,
        "--cert-file": cert_file,
        "--key-file": key_file,
    }
    for option, path in files.items():
        if path is not None and not path.is_file():
            refuse(f"{option} {path}: no such file")
    if not tls and (ca_file or cert_file or key_file):
        refuse("--ca-file, --cert-file and --key-file need --broker mqtts://…")
    return Broker(
        host,
        port,
        username=user,
        password_file=password_file,
        tls=tls,
        ca_file=ca_file,
        cert_file=cert_file,
        key_file=key_file,
    )


def check_root(root: str) -> None:
    """End the command with 2 if this is no topic to put a bench's name under."""
    if not root or any(sign in root for sign in "+#") or root.endswith("/"):
        refuse(f"--root {root!r}: accepted is a topic without + and #, e.g. reclamp")
