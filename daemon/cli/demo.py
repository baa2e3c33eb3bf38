"""``reclamp demo``: the whole bench without a bench."""

import asyncio
import contextlib
import json
import signal
import time
from pathlib import Path
from typing import Annotated

import typer

from daemon.broker import Broker, MqttError
from daemon.cli.answers import ANSWER_IS_NO, reported
from daemon.demo.shift import Shift
from daemon.demo.shift_files import lay_out_shift, start_shift
from daemon.demo.shift_findings import findings, waiting_events
from daemon.demo.shift_plan import CRANE, NORTH, PLAN, QUANTITY
from daemon.demo.shift_records import Finding
from daemon.demo.stage import (
    BENCHES,
    Stage,
    set_up,
    start_benches,
    start_board,
    start_service,
)  # fmt: skip
from daemon.demo.teller import Teller
from daemon.errors import BrokerError

__all__ = ["demo"]


def demo(
    pieces: Annotated[int, typer.Option(min=1, max=120, help="Pieces in each tray.")] = 8,
    seed: Annotated[int, typer.Option(help="Seed of all chance.")] = 1,
    speed: Annotated[
        float, typer.Option(min=0.1, max=60, help="Bench seconds a real second.")
    ] = 10.0,
    port: Annotated[
        int,
        typer.Option(min=0, max=65535, help="Port of the board's page; 0: any free one."),
    ] = 0,
    lots: Annotated[
        bool,
        typer.Option("--lots", help="Whole lots to their ends, and what becomes of them."),
    ] = False,
    folder: Annotated[
        Path | None, typer.Option(help="Keep record, files and logs in this new folder.")
    ] = None,
    shift: Annotated[
        bool,
        typer.Option(help="Two small lots, and everything that goes wrong in a shift."),
    ] = False,
    stay: Annotated[bool, typer.Option(help="Leave the board up until Ctrl-C.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="JSON lines.")] = False,
) -> None:
    """Run two simulated benches with broker, service, lamps and board on this machine.

    Only the far end of the cable is simulated: real frames at the line's real pace come out
    of a pseudo-terminal, and the service reads them as in production.
    """
    began = time.monotonic()
    if shift:
        with reported():
            _shift(folder, seed, speed, port, as_json=as_json)
        return
    with reported():
        stage = set_up(folder)
        try:
            teller = _run(
                stage, None if lots else pieces, seed, speed, port, stay=stay, as_json=as_json
            )
        finally:
            stage.clear()
    seconds = time.monotonic() - began
    if as_json:
        typer.echo(json.dumps({"summary": teller.summary(), "seconds": round(seconds, 1)}))
        return
    for line in teller.summary_text():
        typer.echo(line)
    if folder is not None:
        typer.echo(f"kept in {folder}: bench.toml, millrace.db, logs, truth")


def _run(
    stage: Stage,
    pieces: int | None,
    seed: int,
    speed: float,
    port: int,
    *,
    stay: bool,
    as_json: bool,
) -> Teller:
    teller = Teller(pieces, typer.echo, as_json=as_json, wanted=BENCHES)
    broker = Broker("127.0.0.1", stage.broker_port, protocol="3.1.1")
    url = start_board(stage, port)
    if as_json:
        typer.echo(json.dumps({"board": url, "broker": stage.broker_url}))
    else:
        typer.echo(
            f"board  {url}   (seed {seed}, {speed:g} bench seconds a second; Ctrl-C ends)"
        )
        typer.echo(
            "limits of this rule file are invented: grade 1 here is not class 1 of ISO 15488"
        )
    start_benches(stage, pieces, seed, speed)
    start_service(stage, speed)
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(_until_done(stage, teller, broker, stay=stay))
    return teller


def _shift(folder: Path | None, seed: int, speed: float, port: int, *, as_json: bool) -> None:
    stage = set_up(folder)
    try:
        told = _work_a_shift(stage, seed, speed, port, as_json=as_json)
        found = findings(stage.folder)
    finally:
        stage.clear()
    waiting = told.north.waiting
    closed = [
        scene.closed is not None and scene.closed.ok for scene in (told.north, told.crane)
    ]
    found += [
        Finding(f"{waiting} events waited while the broker was gone", waiting > 0),
        Finding("both lots could be closed", all(closed)),
    ]
    for one in found:
        mark = {True: "yes", False: "NO", None: "-"}[one.is_so]
        body = {"finding": one.text, "is_so": one.is_so}
        typer.echo(json.dumps(body) if as_json else f"{mark:<3}  {one.text}")
    if any(one.is_so is False for one in found):
        raise typer.Exit(ANSWER_IS_NO)


def _work_a_shift(stage: Stage, seed: int, speed: float, port: int, *, as_json: bool) -> Shift:
    def say(text: str) -> None:
        typer.echo(json.dumps({"told": text}) if as_json else text)

    lay_out_shift(stage)
    teller = Teller(QUANTITY, typer.echo, as_json=as_json, wanted=(NORTH, CRANE))
    shift = Shift(stage, teller, seed, speed, say, lambda: waiting_events(stage.folder))
    say(f"board  {start_board(stage, port)}   (seed {seed}, {speed:g} bench seconds a second)")
    for line in PLAN:
        say(f"plan   {line}")
    start_shift(stage, seed, speed)
    asyncio.run(_until_closed(stage, shift))
    return shift


async def _until_closed(stage: Stage, shift: Shift) -> None:
    run = asyncio.create_task(
        shift.run(Broker("127.0.0.1", stage.broker_port, protocol="3.1.1"))
    )
    asked = asyncio.Event()
    for sign in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(sign, asked.set)
    while not run.done() and not asked.is_set():
        dead = stage.dead_child()
        if dead is not None:
            raise BrokerError(dead)
        await asyncio.sleep(0.1)
    if run.done():
        # While its broker lives, and it tells all it has: children that were started in a
        # thread of the loop's die with that thread, all at once.
        stage.take_out("service", signal.SIGTERM)
    run.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await run


async def _until_done(stage: Stage, teller: Teller, broker: Broker, *, stay: bool) -> None:
    ended, asked = asyncio.Event(), asyncio.Event()
    for sign in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(sign, asked.set)
    follow = asyncio.create_task(teller.follow(broker, "reclamp", ended))
    try:
        while not asked.is_set() and (stay or not ended.is_set()):
            if follow.done():
                raise BrokerError(f"the demo lost its broker: {follow.exception()}")
            dead = stage.dead_child()
            if dead is not None:
                raise BrokerError(dead)
            await asyncio.sleep(0.1)
    finally:
        follow.cancel()
        with contextlib.suppress(asyncio.CancelledError, MqttError):
            await follow
