"""``reclamp recognise``: what an unknown indicator sends, and how to read it."""

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

import typer

from daemon.cli.answers import ANSWER_IS_NO, refuse, reported
from daemon.cli.ports import entries_of_line
from daemon.recognise.bench_piece import Place, bench_piece
from daemon.recognise.judge import Finding
from daemon.recognise.judge import recognise as take_for
from daemon.recognise.modbus import most_seen_exception
from daemon.recognise.port_source import PortSource
from daemon.recognise.proposal import Doubt
from daemon.recognise.questions import Questions, ask_around
from daemon.recognise.sample import sample_of
from daemon.recognise.search import Found, framing_of, search
from drivers import LineSettings

__all__ = ["recognise"]

_SHOWN_BYTES = 48


def recognise(
    where: Annotated[
        str, typer.Argument(metavar="PORT|RECORDING", help="Port, URL, or recording file.")
    ],
    ask: Annotated[
        bool, typer.Option("--ask", help="Send open standards' questions if it is silent.")
    ] = False,
    request: Annotated[
        list[str] | None,
        typer.Option(help=r"With --ask: send this first; \r, \n and \x05 as written here."),
    ] = None,
    seconds: Annotated[float, typer.Option(min=0.5, max=600, help="How long to listen.")] = 5.0,
    line: Annotated[str | None, typer.Option(help="Line id in a recording.")] = None,
    dtr: Annotated[bool, typer.Option(help="Level of DTR from before opening.")] = True,
    rts: Annotated[bool, typer.Option(help="Level of RTS from before opening.")] = True,
    as_json: Annotated[bool, typer.Option("--json", help="JSON, for programs.")] = False,
) -> None:
    """Find speed, framing, driver and options; propose them as a piece of a bench file.

    Move the stylus through zero meanwhile: a stream that stands still tells little. Never
    sends a byte without --ask. Exit 0 with a proposal, 1 without.
    """
    if request and not ask:
        refuse("--request: nothing is sent without --ask; accepted is both or neither")
    requests = [_as_bytes(text) for text in request or ()]
    with reported():
        if Path(where).is_file():
            found = _of_recording(Path(where), line)
        else:
            found = _of_port(PortSource(where, dtr=dtr, rts=rts), seconds, ask, requests)
        report = _report(found, where, is_recording=Path(where).is_file(), was_asked=ask)
    if as_json:
        typer.echo(json.dumps(report, ensure_ascii=False))
    else:
        _print(report)
    if found.finding is None:
        raise typer.Exit(ANSWER_IS_NO)


def _as_bytes(text: str) -> bytes:
    try:
        return text.encode("latin-1").decode("unicode_escape").encode("latin-1")
    except UnicodeError:
        refuse(rf"--request {text!r}: accepted is Latin-1 text with \r, \n and \x05 written so")


def _of_recording(path: Path, line: str | None) -> Found:
    sample = sample_of(entries_of_line(path, line))
    return Found(sample, take_for(sample), LineSettings())


def _of_port(source: PortSource, seconds: float, ask: bool, requests: Sequence[bytes]) -> Found:
    def tell(text: str) -> None:
        typer.echo(text, err=True)

    with source:
        found = search(source, seconds, tell)
        if ask and not found.sample.heard:
            return ask_around(source, Questions(requests, seconds), tell) or found
    return found


def _report(found: Found, where: str, *, is_recording: bool, was_asked: bool) -> dict[str, Any]:
    finding = found.finding
    report: dict[str, Any] = {
        "recognised": finding is not None,
        "bytes": len(found.sample.heard),
        "begins_hex": found.sample.heard[:_SHOWN_BYTES].hex(" "),
        "hints": _hints(found, is_recording=is_recording, was_asked=was_asked),
    }
    if finding is None:
        return report
    place = _place(found, finding, where, is_recording=is_recording)
    doubts = [*finding.doubts, *_place_doubts(found, finding, place, is_recording)]
    outcome = finding.outcome
    return report | {
        "driver": outcome.candidate.driver,
        "options": dict(outcome.candidate.options),
        "baud": place.baud,
        "framing": place.framing,
        "sureness": finding.sureness,
        "readings": len(outcome.readings),
        "bad_frames": len(outcome.bad_frames),
        "first_bad": [
            {"reason": bad.reason, "hex": bad.raw.hex(" ")} for bad in outcome.bad_frames[:3]
        ],
        "open": [{"about": doubt.about, "text": doubt.text} for doubt in doubts],
        "toml": bench_piece(finding, place, doubts),
    }


def _place(found: Found, finding: Finding, where: str, *, is_recording: bool) -> Place:
    if is_recording:
        return Place("/dev/serial/by-id/NAME", framing=finding.framing)
    if not found.is_confirmed:
        return Place(where, framing=finding.framing)
    return Place(where, found.settings.baud, framing_of(found.settings))


def _place_doubts(
    found: Found, finding: Finding, place: Place, is_recording: bool
) -> list[Doubt]:
    doubts = []
    if place.baud is None:
        what = "a recording" if is_recording else "this port"
        doubts.append(Doubt("baud", f"{what} does not show it: take the one it was made with"))
    if finding.framing is not None and not found.is_confirmed:
        text = f"the bytes are {finding.framing} read as 8N1; open the port with it and look"
        doubts.append(Doubt("framing", text))
    elif place.framing is not None:
        text = "one or two stop bits can't be told by listening"
        if place.framing.startswith("8E"):
            text = "even or odd parity can't be told, 8O1 reads alike; nor can stop bits"
        doubts.append(Doubt("framing", text))
    return doubts


def _hints(found: Found, *, is_recording: bool, was_asked: bool) -> list[str]:
    if found.finding is not None:
        return []
    exception = most_seen_exception(found.sample.turns)
    if exception is not None:
        unit_id, code = exception
        return [
            f"Modbus unit {unit_id} is there and answers with exception {code}: its registers "
            "lie elsewhere, see its manual"
        ]
    if found.is_text:
        settings = f"{found.settings.baud} {framing_of(found.settings)}"
        seen = "it is text" if is_recording or not found.is_confirmed else f"text at {settings}"
        return [
            f"{seen}, but no value in it: move the stylus, listen longer (--seconds)",
            "or no built-in driver reads it: reclamp driver new NAME",
        ]
    if found.sample.heard:
        wrong = "a wrong speed looks like noise: record again at another one"
        longer = "move the stylus, or give it longer with --seconds"
        return [
            "bytes came, but no built-in driver reads them: reclamp driver new NAME",
            wrong if is_recording else longer,
        ]
    hints = ["a polled indicator is silent until it is asked"]
    if not was_asked:
        hints[0] += ": --ask sends open standards' questions, --request what its manual says"
    return [
        *hints,
        "a print key sends when it is pressed: press it several times meanwhile",
        "an isolated cable lives off DTR and RTS: try --no-dtr or --no-rts",
    ]


def _print(report: dict[str, Any]) -> None:
    if not report["recognised"]:
        typer.echo(f"not recognised: {report['bytes']} bytes came")
        if report["bytes"]:
            typer.echo(f"they begin with {bytes.fromhex(report['begins_hex'])!r}")
        for hint in report["hints"]:
            typer.echo(f"  {hint}")
        return
    typer.echo(f"# {report['sureness']}: {report['driver']}", nl=False)
    typer.echo(f" reads {report['readings']} frames, {report['bad_frames']} are bad")
    for bad in report["first_bad"]:
        typer.echo(f"#   {bytes.fromhex(bad['hex'])!r}: {bad['reason']}")
    typer.echo(report["toml"], nl=False)
