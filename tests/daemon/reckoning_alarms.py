"""Alarms as the events tell them, one after the other, beside what the bench shows."""

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from daemon import snapshot
from rules.alarm_list import ALARMS
from tests.daemon.whole_bench import WholeBench


@dataclass
class Told:
    """One alarm by its events so far."""

    stands: bool = False
    state: str = "returned"
    until: str | None = None


@dataclass
class Alarms:
    """Every alarm of a bench by its events."""

    by_code: dict[str, Told] = field(default_factory=dict)

    def take(self, data: dict[str, Any]) -> None:
        """Take an event; it has to be one that can follow."""
        one = self.by_code.setdefault(data["code"], Told())
        state = data["state"]
        if state == "acknowledged":
            assert one.state == "raised", data
            assert data["role"], data
        if state == "shelved":
            assert ALARMS[data["code"]].is_shelvable, data
            assert data["until"], data
        if state in ("raised", "acknowledged"):
            assert data["stands"], data
        if state == "returned":
            assert one.stands or one.until, data
            assert not data["stands"], data
        if data["until"] != one.until and data["until"] is not None:
            assert state == "shelved", data  # nothing else lays it there
        self.by_code[data["code"]] = Told(data["stands"], state, data["until"])

    def agree(self, bench: WholeBench) -> None:
        """What the bench shows is what was told, and nothing lies on a shelf too long."""
        if bench.runner.fault is not None:
            return
        shown = {
            code: (one.stands, one.state, one.until)
            for code, one in snapshot.alarms(bench.runner).items()
        }
        told = {
            code: (one.stands, "shelved" if one.until else one.state, one.until)
            for code, one in self.by_code.items()
            if one.stands or one.until
        }
        assert shown == told
        for code, one in self.by_code.items():
            if one.until is not None:
                end = datetime.fromisoformat(one.until)
                assert bench.ticked_utc is None or bench.ticked_utc < end, (code, one)
