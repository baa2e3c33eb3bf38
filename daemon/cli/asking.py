"""Commands to the running service: the same objects as over MQTT, by the local socket."""

import json
import uuid
from pathlib import Path
from typing import Annotated, Any

import typer
from pydantic import ValidationError

from daemon.cli.answers import ANSWER_IS_NO, refuse, reported
from daemon.config import store_path
from daemon.control import ask, socket_path
from daemon.messages import Command

BenchFile = Annotated[
    Path, typer.Option("--config", help="Bench file of the running service.", exists=False)
]
BenchName = Annotated[
    str | None, typer.Option("--bench", help="Bench id, where the file has several.")
]
Reason = Annotated[str, typer.Option("--reason", help="Why, for the record.")]
Role = Annotated[str, typer.Option("--role", help="Who asks, by role, e.g. lead.")]
Action = Annotated[str, typer.Option(help="re-measure, regrade, scrap, concession or release.")]
RegradedTo = Annotated[
    str | None, typer.Option("--grade", help="With regrade: a grade its verdict meets.")
]
AsJson = Annotated[bool, typer.Option("--json", help="Answer as JSON.")]
DEFAULT_FILE = Path("bench.toml")


def ask_service(
    config: Path, bench: str | None, command: str, as_json: bool, **values: Any
) -> dict[str, Any] | None:
    """Print the service's reply and return its data; exit 1 where the answer is no."""
    if config == DEFAULT_FILE and not config.exists():
        refuse(f"no {config} in this folder: name the service's bench file with --config")
    with reported():
        # Only where it lies: a faulty rule file must not keep anybody from asking about it.
        path = socket_path(store_path(config))
        given = {key: value for key, value in values.items() if value is not None}
        try:
            asked = Command.model_validate(
                {"id": str(uuid.uuid4()), "command": command, **given}
            )
        except ValidationError as error:
            faults = [f"{'.'.join(map(str, f['loc']))}: {f['msg']}" for f in error.errors()]
            refuse("; ".join(faults))
        reply = ask(path, bench, asked)
    if as_json:
        typer.echo(json.dumps(reply.model_dump(mode="json"), ensure_ascii=False))
    else:
        typer.echo(reply.text, err=not reply.ok)
    if not reply.ok:
        raise typer.Exit(ANSWER_IS_NO)
    return reply.data


def counts_by_name(texts: list[str], option: str) -> dict[str, int]:
    """Return ``NAME=NUMBER`` words as a table."""
    found: dict[str, int] = {}
    for text in texts:
        name, equals, number = text.partition("=")
        if not name or not equals or not number.isdecimal():
            refuse(f"{option} {text!r}: accepted is NAME=NUMBER, e.g. grade-1=36")
        found[name] = int(number)
    return found
