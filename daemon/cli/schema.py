"""``reclamp schema``: the message contract as documents."""

import json
from typing import Annotated

import typer

from daemon.cli.answers import refuse

__all__ = ["schema"]


def schema(
    payload: Annotated[
        str | None,
        typer.Argument(help="JSON Schema of one payload, e.g. state or event-verdict."),
    ] = None,
    root: Annotated[str, typer.Option(help="First level of the topics.")] = "reclamp",
) -> None:
    """Print the AsyncAPI 3 document of all topics, or the JSON Schema of one payload."""
    from daemon.schema import asyncapi, payload_schemas

    if payload is None:
        typer.echo(json.dumps(asyncapi(root), indent=2, ensure_ascii=False))
        return
    schemas = payload_schemas()
    if payload not in schemas:
        refuse(f"no payload {payload!r}; accepted are {', '.join(schemas)}")
    typer.echo(json.dumps(schemas[payload], indent=2, ensure_ascii=False))
