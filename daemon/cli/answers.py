"""How a command ends: exit codes, and errors in one line each on standard error."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import NoReturn

import typer

from daemon.errors import ConfigError, ReclampError, RecordingError, UnknownDriverError

FINE = 0
ANSWER_IS_NO = 1
WRONG_USE = 2
COULD_NOT = 3


@contextmanager
def reported() -> Iterator[None]:
    """Report our own errors as lines, not as a traceback, and exit by kind."""
    try:
        yield
    except ConfigError as error:
        for line in error.faults:
            typer.echo(line, err=True)
        count = len(error.faults)
        typer.echo(f"{count} fault{'s' if count != 1 else ''}", err=True)
        raise typer.Exit(WRONG_USE) from error
    except (UnknownDriverError, RecordingError) as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(WRONG_USE) from error
    except ReclampError as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(COULD_NOT) from error


def refuse(text: str) -> NoReturn:
    """Say what was wrong and what is accepted, and exit as wrong use."""
    typer.echo(text, err=True)
    raise typer.Exit(WRONG_USE)
