"""All benches of one broker as one shared snapshot, and what changed in it since when.

Pure: a viewer says which version it has, and gets the parts that are newer. A slow viewer
skips what was overtaken, so nothing is queued for anybody.
"""

import json
from collections.abc import Iterator

from daemon.board.bench_view import BenchView, Moment, Session
from daemon.board.inbox import Refused, read
from daemon.messages import Payload

__all__ = ["BENCHES_MAX", "Shop"]

BENCHES_MAX = 1000
"""A stranger may invent any number of benches; the board holds so many."""

_PARTS = ("about", "state", "lot", "recent", "prompt")


class Shop:
    """Every bench heard of, each part in the form and version in which viewers get it.

    Attributes:
        version: Grows with every change.
        received: Messages that came, whatever they were.
        ignored: Messages that were none of the contract's.
    """

    def __init__(self, root: str, now: Moment) -> None:
        self.root = root
        self.version = 0
        self.received = 0
        self.ignored = 0
        self.last_ignored = ""
        self.session = Session(0, now, now)
        self._benches: dict[str, BenchView] = {}
        self._parts: dict[str, dict[str, tuple[int, str]]] = {}
        self._gone: dict[str, int] = {}
        self._patch: tuple[int, int, bytes] = (0, 0, b"")

    @property
    def bench_count(self) -> int:
        """Return how many benches are known."""
        return len(self._benches)

    def connected(self, now: Moment) -> None:
        """Begin a session: what the broker keeps will come again, the rest is forgotten."""
        self.session = Session(self.session.number + 1, now, None)
        for bench in self._benches.values():
            bench.forget_unkept()
            if not bench.is_empty:
                self._put_alarms(bench)
        self.tick(now)

    def disconnected(self, now: Moment) -> None:
        """End the session; every bench is ``cut`` from now on."""
        if self.session.ended is None:
            self.session = Session(self.session.number, self.session.began, now)
            self.tick(now)

    def receive(self, topic: str, payload: bytes, is_retained: bool, now: Moment) -> None:
        """Take one message from the broker; what is none of the contract's is only counted."""
        self.received += 1
        heard = read(self.root, topic, payload, is_retained)
        if isinstance(heard, Refused):
            self._ignore(heard.reason)
            return
        bench = self._benches.get(heard.bench)
        if bench is None:
            if heard.value is None:
                return  # clearing what was never there makes no bench
            if len(self._benches) >= BENCHES_MAX:
                self._ignore("more benches than the board holds")
                return
            bench = self._benches[heard.bench] = BenchView(heard.bench)
        bench.take(heard, self.session, now)
        self._publish(bench, heard.part, now)

    def tick(self, now: Moment) -> None:
        """Judge every bench anew: silence, too, changes what may be believed."""
        for bench in self._benches.values():
            self._put_judged(bench, now)

    def since(self, version: int) -> bytes | None:
        """Return as JSON what is newer than ``version``; None if nothing is.

        ``{"version": …, "benches": {ID: {PART: …}}, "gone": [ID]}``
        """
        if version >= self.version:
            return None
        if self._patch[:2] != (version, self.version):
            self._patch = (version, self.version, self._newer(version).encode())
        return self._patch[2]

    def sweeps(self, bench_id: str) -> str | None:
        """Return a bench's last clampings with their sweeps as JSON; None of no such bench.

        Not part of the snapshot: a hall full of viewers does not look at every sweep.
        """
        bench = self._benches.get(bench_id)
        return None if bench is None else bench.sweeps.json()

    def missing(self) -> list[str]:
        """Return the parts that a bench heard in this session must have, and one has not."""
        heard = [b for b in self._benches.values() if b.heard_session == self.session.number]
        found = {
            "link": any(bench.link_session != self.session.number for bench in heard),
            "about": any(bench.about is None for bench in heard),
        }
        return [part for part, is_missing in found.items() if is_missing]

    def _newer(self, version: int) -> str:
        benches = (
            f"{json.dumps(name)}:{{{','.join(_newer_parts(parts, version))}}}"
            for name, parts in self._parts.items()
            if any(changed > version for changed, _ in parts.values())
        )
        gone = json.dumps([name for name, at in self._gone.items() if at > version])
        return f'{{"version":{self.version},"benches":{{{",".join(benches)}}},"gone":{gone}}}'

    def _publish(self, bench: BenchView, part: str, now: Moment) -> None:
        if bench.is_empty:
            self._withdraw(bench)
            return
        self._gone.pop(bench.id, None)
        is_new = bench.id not in self._parts
        for name in _PARTS if is_new else ():
            self._put(bench, name, _json(getattr(bench, name)))
        if part in _PARTS:
            self._put(bench, part, _json(getattr(bench, part)))
        if is_new or part == "alarm":
            self._put_alarms(bench)
        if is_new or part == "event":
            self._put(bench, "sweeps", str(bench.sweeps.taken))
        self._put_judged(bench, now)

    def _withdraw(self, bench: BenchView) -> None:
        """Take a bench off the page; what else was heard of it waits for it to come back."""
        if self._parts.pop(bench.id, None) is None:
            return
        self.version += 1
        self._gone[bench.id] = self.version
        if len(self._gone) > BENCHES_MAX:
            del self._gone[next(iter(self._gone))]
        del self._benches[bench.id]

    def _put_alarms(self, bench: BenchView) -> None:
        alarms = {code: alarm.model_dump() for code, alarm in sorted(bench.alarms.items())}
        self._put(bench, "alarms", json.dumps(alarms))

    def _put_judged(self, bench: BenchView, now: Moment) -> None:
        if bench.is_empty:
            return
        since = bench.silent_since(self.session, now)
        status = {
            "condition": bench.condition(self.session, now),
            "since": since.utc.isoformat(timespec="seconds") if since else None,
            "heard_s": round(bench.heard.mono_s, 1) if bench.heard else None,
            "entered_s": None if bench.entered_s is None else round(bench.entered_s, 1),
            "entered_known": bench.entered_known,
        }
        self._put(bench, "status", json.dumps(status))
        self._put(bench, "lamps", json.dumps(bench.lamp_words(self.session, now)))

    def _put(self, bench: BenchView, part: str, text: str) -> None:
        parts = self._parts.setdefault(bench.id, {})
        if part not in parts or parts[part][1] != text:
            self.version += 1
            parts[part] = (self.version, text)

    def _ignore(self, reason: str) -> None:
        self.ignored += 1
        self.last_ignored = reason


def _newer_parts(parts: dict[str, tuple[int, str]], version: int) -> Iterator[str]:
    return (f'"{part}":{text}' for part, (changed, text) in parts.items() if changed > version)


def _json(payload: Payload | None) -> str:
    return "null" if payload is None else payload.model_dump_json()
