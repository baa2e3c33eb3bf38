"""The proof of the rest through the whole house: cable, service, broker, operator, report.

The simulated operator knows of the draw what the prompt tells; the truth tells which collet
was really taken from which cell.
"""

import json
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from daemon.clock import rfc3339
from rules.draw import draw_order
from tests.system.mqtt_listener import publish
from tests.system.service_process import ROOT, running_service
from tests.system.shop import RULES, Shop, running_shop

pytestmark = pytest.mark.system

SPEED = 20.0
LOT = (
    ("quantity = 120", "quantity = 7"),
    ("cells = 120", "cells = 7"),
    ('"grade-1" = 36', '"grade-2" = 1'),
)
EASY = (
    ("limiting_quality = 0.10", "limiting_quality = 0.40"),
    ("consumers_risk = 0.10", "consumers_risk = 0.50"),
)
"""Two of six do: of 4 good and 2 bad ones both are good with a chance of 0.4."""


def _ease(shop: Shop) -> None:
    path = shop.folder / RULES["b1"]
    text = path.read_text(encoding="utf-8")
    for old, new in EASY:
        text = text.replace(old, new)
    path.write_text(text, encoding="utf-8")


def _report(shop: Shop) -> tuple[int, dict[str, object]]:
    done = subprocess.run(
        [sys.executable, "-m", "daemon.cli", "lot", "report", "--store", str(shop.store),
         "--json"],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    return done.returncode, json.loads(done.stdout)


def test_the_sample_is_taken_from_the_drawn_cells_and_the_lot_is_closed_by_mqtt(
    tmp_path: Path,
) -> None:
    with running_shop(tmp_path, SPEED, {"b1": 7}, *LOT, seed=3) as shop:
        _ease(shop)
        with running_service(shop.bench_file, SPEED) as service:
            listener = shop.listener
            listener.wait_for_message(
                "b1/state", lambda m: m.json["state"] == "order-filled", within_s=60
            )
            filled = next(
                n for n, event in enumerate(listener.events("b1"))
                if event["data"].get("what") == "order-filled"
            )  # fmt: skip
            before = sum(
                e["type"].endswith("verdict.v1") for e in listener.events("b1")[:filled]
            )
            (drawn,) = (
                e["data"]["draw"]
                for e in listener.events("b1")
                if e["data"].get("what") == "drawn"
            )
            order = draw_order("demo/sample", range(before + 1, 8))
            taken = [f["piece"] for f in shop.benches["b1"].truth() if f["kind"] == "taken"]
            assert drawn["seed"] == "demo/sample"
            assert taken == [*range(1, before + 1), *order[: drawn["size"]]]
            sampling = [
                m.json for m in listener.heard()
                if m.topic == "b1/state" and m.text and m.json["state"] == "sampling"
            ]  # fmt: skip
            cells = list(dict.fromkeys(state["cell"] for state in sampling))
            assert cells == list(order[: drawn["size"]])
            expires = datetime.now(UTC) + timedelta(minutes=1)
            closing = {
                "id": "close", "command": "lot-close", "reason": "done", "role": "lead",
                "counted": 7 - len(taken), "unproved": "kept", "expires": rfc3339(expires),
            }  # fmt: skip
            publish(shop.broker.port, "b1/command", json.dumps(closing))
            reply = listener.wait_for_message("b1/reply", lambda m: m.json["id"] == "close")
            assert reply.json["ok"], reply.text
            assert service.stop() == 0, service.log()
        code, report = _report(shop)
        rest = report["rest"]
        assert isinstance(rest, dict)
        assert (rest["outcome"] == "proved") == (code == 0)
        assert rest["outcome"] in ("proved", "hold")
        assert (rest["pieces"], report["unmeasured"]) == (len(taken) - before, 7 - len(taken))
