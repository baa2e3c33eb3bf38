"""A bench as the broker sees it: one MQTT client that publishes payloads of the contract.

Stands in for a service where a test is about the board alone. It makes a lot by the demo's
formula (TIR = 2|m + e + s|, seeded) and says of it what a bench says.
"""

import math
import random
import socket
import threading
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from pydantic import BaseModel

from daemon.clock import rfc3339
from daemon.messages import (
    About,
    AlarmData,
    BinAbout,
    CheckedPosition,
    CheckKind,
    CheckResult,
    ClampingBrief,
    GradeCount,
    HolderPoint,
    HolderSeries,
    Lot,
    OrderForecast,
    Prompt,
    PromptWord,
    Recent,
    RecentCheck,
    RecentPiece,
    State,
    StateWord,
    WaitsFor,
)
from daemon.snapshot import histogram
from rules.forecast import forecast

HEARTBEAT_S = 5.0
"""A service says its state at least so often."""

TOP_UM, TOP_ACCEPTANCE_UM, LOWER_UM = 4.0, 3.2, 12.0
BINS = [
    BinAbout(id="1", shape="ring", holds="grade-1"),
    BinAbout(id="2", shape="square", holds="grade-2"),
    BinAbout(id="H", shape="pentagon", holds="hold"),
    BinAbout(id="N", shape="bar", holds="nonconforming"),
]


def now_text(back_s: float = 0.0) -> str:
    return rfc3339(datetime.now(UTC) - timedelta(seconds=back_s))


def about(bench: str, title: str, speed: float = 1.0) -> About:
    return About(
        software="reclamp 0.1.0",
        contract="1",
        site="millrace",
        bench=bench,
        title=title,
        bench_sha256="0" * 64,
        boot="0",
        started=now_text(3600.0),
        speed=speed,
        bins=BINS,
    )


@dataclass(frozen=True)
class Work:
    """Pieces of one lot up to now, newest last."""

    lot: str
    article: str
    quantity: int
    ordered: int
    pieces: tuple[RecentPiece, ...]

    def count(self, bin_id: str) -> int:
        return sum(piece.bin == bin_id for piece in self.pieces)

    def lot_payload(self) -> Lot:
        top = GradeCount(
            grade="grade-1",
            bin="1",
            limit_um=TOP_UM,
            acceptance_um=TOP_ACCEPTANCE_UM,
            put_away=self.count("1"),
            pending=0,
            ordered=self.ordered,
        )
        lower = GradeCount(
            grade="grade-2",
            bin="2",
            limit_um=LOWER_UM,
            acceptance_um=LOWER_UM,
            put_away=self.count("2"),
            pending=0,
        )
        return Lot(
            lot=self.lot,
            article=self.article,
            quantity=self.quantity,
            opened=now_text(7200.0),
            order_state="open",
            grades=[top, lower],
            nonconforming=self.count("N"),
            hold=self.count("H"),
            measured=len(self.pieces),
            open_pieces=1,
            unmeasured=self.quantity - len(self.pieces),
            retried=len(self.pieces) // 25,
            forecast=self.forecast(),
            cycle_s_median=131.0,
            takt_s=150.0,
        )

    def forecast(self) -> OrderForecast | None:
        missing, unmeasured = self.ordered - self.count("1"), self.quantity - len(self.pieces)
        if not self.pieces or missing <= 0:
            return None
        found = forecast(len(self.pieces), self.count("1"), unmeasured, missing)
        pieces_5, pieces_50, pieces_95 = found.pieces_range
        return OrderForecast(
            grade="grade-1",
            missing=missing,
            unmeasured=unmeasured,
            measured=len(self.pieces),
            expected_pieces=round(found.expected_pieces, 1),
            pieces_5=pieces_5,
            pieces_50=pieces_50,
            pieces_95=pieces_95,
            expected_found=round(found.expected_found, 1),
            runs_out=round(found.runs_out, 4),
            short=found.is_short(),
            model="exchangeable pieces",
        )

    def recent_payload(self) -> Recent:
        firsts = Counter(round(1000 * (p.clampings[0].tir_um or 0)) for p in self.pieces)
        edges, counts = histogram(firsts, round(1000 * LOWER_UM))
        return Recent(
            lot=self.lot,
            pieces=list(reversed(self.pieces[-30:])),
            histogram_um=[edge / 1000 for edge in edges],
            histogram=counts,
            holder=[self.holder_series()] if self.pieces else [],
            checks=checks() if self.pieces else [],
            zero_drift_um=2.0,
        )

    def holder_series(self) -> HolderSeries:
        """As the demo has it: 0.2 µm a vector; what is known of it narrows by the root of n."""
        count = len(self.pieces)
        points = [
            HolderPoint(
                at=now_text(131.0 * (count - n)),
                number=n,
                share_um=round(abs(0.4 + 0.9 * math.cos(1.7 * n) / n), 2),
                uncertainty_um=round(3.9 / math.sqrt(n), 2),
            )
            for n in range(max(1, count - 59), count + 1)
        ]
        return HolderSeries(position="far", limit_um=1.2, first_clampings=count, points=points)


def checks() -> list[RecentCheck]:
    """Return a shift's checks, newest first: one had to be made again, one failed in inch."""
    hour_s = 3600.0
    return [
        _check("sensitivity", "EM-1", 0.4 * hour_s, 5.12, (4.7, 5.5), 0.3),
        _check("run-out", "MM-1", 0.5 * hour_s, 0.42, (0.001, 0.8), -0.2),
        _check("sensitivity", "EM-1", 1.5 * hour_s, 5.03, (4.7, 5.5), 0.9),
        _check("run-out", "MM-1", 1.6 * hour_s, 0.47, (0.001, 0.8), 0.8),
        _check("sensitivity", "EM-1", 1.8 * hour_s, None, (4.7, 5.5), None, "not turned over"),
        _check("sensitivity", "EM-1", 1.9 * hour_s, 0.2, (4.7, 5.5), None, "reads 0.2 µm"),
        _check("run-out", "MM-1", 2 * hour_s, 0.35, (0.001, 0.8), None),
    ]


def _check(
    kind: CheckKind,
    master: str,
    back_s: float,
    reading_um: float | None,
    good_um: tuple[float, float],
    drift_um: float | None,
    reason: str = "",
) -> RecentCheck:
    result: CheckResult = "failed" if reason else "good"
    if reading_um is None:
        result = "invalid"
    position = CheckedPosition(
        position="far",
        result=result,
        reading_um=reading_um,
        low_um=good_um[0],
        high_um=good_um[1],
        drift_um=drift_um,
    )
    return RecentCheck(
        at=now_text(back_s),
        kind=kind,
        result=result,
        reason=reason,
        master=master,
        positions=[position],
    )


def work(seed: int, pieces: int, lot: str = "W-2611-A", article: str = "MR-10-MED") -> Work:
    """Return a lot of which ``pieces`` are put away: own eccentricity 0.9, scatter 0.4 µm."""
    random_ = random.Random(seed)
    done = tuple(_piece(random_, number) for number in range(1, pieces + 1))
    return Work(lot, article, quantity=120, ordered=36, pieces=done)


def _piece(random_: random.Random, number: int) -> RecentPiece:
    own = complex(random_.gauss(0, 0.9), random_.gauss(0, 0.9))
    own *= 3 if random_.random() < 0.03 else 1
    tirs: list[float] = []
    while len(tirs) < 3:
        scatter = complex(random_.gauss(0, 0.4), random_.gauss(0, 0.4))
        tirs.append(round(2 * abs(0.2 + own + scatter), 1))
        if tirs[-1] > TOP_ACCEPTANCE_UM:
            break  # the next grade needs one clamping, and has it
    grade, bin_id, reason = _verdict(max(tirs))
    return RecentPiece(
        piece=number,
        grade=grade,
        bin=bin_id,
        reason=reason,
        clampings=[brief(tir) for tir in tirs],
        at=now_text(),
        put_away=True,
    )


def _verdict(worst_um: float) -> tuple[str | None, str, str]:
    if worst_um <= TOP_ACCEPTANCE_UM:
        return "grade-1", "1", "3 clampings within 3.2 µm"
    if worst_um <= LOWER_UM:
        return "grade-2", "2", f"{worst_um} µm is above 3.2 µm"
    return None, "N", f"{worst_um} µm is above 12.0 µm"


def brief(tir_um: float | None) -> ClampingBrief:
    if tir_um is None:
        return ClampingBrief(tir_um=None, result="invalid", reason="no turning seen")
    return ClampingBrief(tir_um=tir_um, result="within" if tir_um <= LOWER_UM else "beyond")


class BenchPublisher:
    """One bench's connection, with its will, and a heartbeat as a service has it."""

    def __init__(self, port: int, bench: str, root: str = "reclamp") -> None:
        self.topic = f"{root}/{bench}"
        self.last_state: State | None = None
        self._port = port
        self._kept: dict[str, str] = {}
        self._lit: dict[str, str] = {}
        self._is_dead = False
        self._client = self._connected()
        self._ended = threading.Event()
        self._beats = threading.Thread(target=self._beat, daemon=True)
        self._beats.start()
        self.word("link", "online")

    def _connected(self) -> mqtt.Client:
        identifier = self.topic.replace("/", "-")
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=identifier)
        client.on_connect = self._say_all_again
        client.will_set(f"{self.topic}/link", "offline", qos=1, retain=True)
        client.connect("127.0.0.1", self._port, keepalive=10)
        client.loop_start()
        return client

    def word(self, suffix: str, word: str, *, retain: bool = True) -> None:
        if retain:
            self._kept[suffix] = word
        sent = self._client.publish(f"{self.topic}/{suffix}", word, qos=1, retain=retain)
        sent.wait_for_publish(10.0)

    def say(self, suffix: str, payload: BaseModel) -> None:
        self.word(suffix, payload.model_dump_json())

    def keep(self, suffix: str, payload: BaseModel) -> None:
        """Have it said at the next connect, however long that takes."""
        self._kept[suffix] = payload.model_dump_json()
        if self._client.is_connected():
            self.say(suffix, payload)

    def lamp(self, bin_id: str, word: str) -> None:
        """The retained value is only ever ``off``; anything else is said unretained."""
        self._lit.pop(bin_id, None)
        if word != "off":
            self._lit[bin_id] = word
        self.word(f"lamp/{bin_id}", word, retain=word == "off")

    def alarm(self, code: str, text: str) -> None:
        alarm = AlarmData(code=code, text=text, state="raised", since=now_text())
        self.say(f"alarm/{code}", alarm)

    def alarm_ends(self, code: str) -> None:
        self.word(f"alarm/{code}", "")

    def state(
        self,
        word: StateWord,
        *,
        waits_for: WaitsFor = "operator",
        back_s: float = 0.0,
        **more: object,
    ) -> None:
        fields = {"state": word, "since": now_text(back_s), "waits_for": waits_for, **more}
        self.last_state = State.model_validate(fields)
        self.say("state", self.last_state)

    def prompt(self, word: PromptWord, text: str) -> None:
        self.say("prompt", Prompt(word=word, text=text))

    def work(self, done: Work) -> None:
        self.say("lot", done.lot_payload())
        self.say("recent", done.recent_payload())

    def silence(self) -> None:
        """Hang: the connection stays, the heartbeat doesn't."""
        self._ended.set()
        self._beats.join()

    def forget(self) -> None:
        """Clear whatever the broker keeps of this bench."""
        for suffix in list(self._kept):
            self.word(suffix, "")

    def die(self) -> None:
        """End as a killed process does: no goodbye, so the will is published."""
        self.silence()
        self._kept["link"] = "offline"
        self._client.loop_stop()
        line = self._client.socket()
        assert isinstance(line, socket.socket), "the bench was not connected"
        line.shutdown(socket.SHUT_RDWR)
        self._is_dead = True

    def close(self, *, is_forgotten: bool = False) -> None:
        """End in order: a clean disconnect fires no will."""
        self.silence()
        if self._is_dead:
            self._client = self._connected()
        if self._client.is_connected() or self._is_dead:
            self.word("link", "offline")
            if is_forgotten:
                self.forget()
        self._client.disconnect()
        self._client.loop_stop()

    def _say_all_again(self, client: mqtt.Client, *_: object) -> None:
        """Never rely on a broker's memory: retained state is said anew at every connect."""
        for suffix, word in list(self._kept.items()):
            client.publish(f"{self.topic}/{suffix}", word, qos=1, retain=True)

    def _beat(self) -> None:
        while not self._ended.wait(HEARTBEAT_S):
            if self._client.is_connected():
                self._say_still()

    def _say_still(self) -> None:
        if self.last_state is not None:
            self.say("state", self.last_state)
        for bin_id, word in list(self._lit.items()):
            self.word(f"lamp/{bin_id}", word, retain=False)


@contextmanager
def publishing(
    port: int, bench: str, title: str, speed: float = 1.0, *, is_forgotten: bool = False
) -> Iterator[BenchPublisher]:
    """Run a bench that has said who it is; ``is_forgotten`` leaves nothing of it behind."""
    publisher = BenchPublisher(port, bench)
    publisher.say("about", about(bench, title, speed))
    try:
        yield publisher
    finally:
        publisher.close(is_forgotten=is_forgotten)
