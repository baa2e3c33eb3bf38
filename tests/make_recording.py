"""Make the recorded shift of the replay tests anew: ``python -m tests.make_recording``.

Two simulated benches, a real mosquitto and the real service with ``--record``. A line is
unplugged in the midst of a sweep, a piece goes into a wrong bin, the lead asks for a retry.
What the living service graded becomes what every replay has to grade.
"""

import json
import os
import shutil
import signal
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tests.recorded_verdicts import verdicts
from tests.system.deadline import until
from tests.system.mqtt_listener import publish
from tests.system.service_process import running_service
from tests.system.shop import RULES, Shop, bench_file, running_shop

FOLDER = Path(__file__).parent / "data" / "recordings" / "shift"
SPEED = 10.0
PIECES = {"b1": 2, "b2": 1}
RETRY = {
    "id": "retry-1",
    "command": "piece-retry",
    "reason": "oil in the taper",
    "role": "lead",
}
ASKED_LESS = ('driver = "ascii-poll"', 'driver = "ascii-poll"\nrequest_every_s = 0.1')
"""24 readings a turn are enough, and half the lines."""


def _work(shop: Shop, recording: Path) -> None:
    options = ("--record", str(recording))
    with running_service(shop.bench_file, SPEED, *options) as service:
        until(lambda: _turns(shop, clamping=2), "the second sweep of the first piece", 120)
        os.kill(shop.benches["b1"].popen.pid, signal.SIGUSR1)
        until(lambda: "indicator-lost" in shop.state("b1")["alarms"], "the loss", 10)
        os.kill(shop.benches["b1"].popen.pid, signal.SIGUSR2)
        shop.listener.wait_for_message(
            "b1/event/put-away", lambda m: not m.json["data"]["right"], within_s=120
        )
        until(lambda: shop.state("b1")["piece"] is None, "the first piece in its bin", 60)
        until(lambda: shop.pending("b1"), "a verdict of the second piece", 120)
        expires = datetime.now(UTC) + timedelta(seconds=30)
        asked = {**RETRY, "expires": expires.isoformat()}
        publish(shop.broker.port, "b1/command", json.dumps(asked))
        until(shop.is_all_put_away, "every piece in its bin", 240)
        assert service.stop() == 0, service.log()


def _turns(shop: Shop, clamping: int) -> bool:
    prompt, state = shop.listener.latest("b1/prompt"), shop.state("b1")
    is_turning = prompt is not None and prompt.json["word"] == "turn"
    return bool(is_turning and state["clamping"] == clamping)


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        words = ("--mistake", "wrong-bin@1")
        with running_shop(folder, SPEED, PIECES, ASKED_LESS, seed=20, words=words) as shop:
            _work(shop, folder / "recording.txt")
        FOLDER.mkdir(parents=True, exist_ok=True)
        told = json.dumps(verdicts(shop.store), indent=1, ensure_ascii=False)
        (FOLDER / "verdicts.json").write_text(told + "\n", encoding="utf-8")
        shutil.copy(folder / "recording.txt", FOLDER / "recording.txt")
        for rules in RULES.values():
            shutil.copy(folder / rules, FOLDER / rules)
        bench_file(FOLDER, "mqtt://127.0.0.1:1883", tuple(PIECES), ASKED_LESS)
        text = (FOLDER / "bench.toml").read_text("utf-8").replace(f"{FOLDER}/", "")
        (FOLDER / "bench.toml").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
