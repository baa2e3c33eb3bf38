"""The demo as a new user runs it: a real process, and nothing left behind."""

import json
import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.contract_check import checked
from tests.system.mqtt_listener import listening

pytestmark = pytest.mark.system

DEMO = [sys.executable, "-m", "daemon.cli", "demo"]


def processes_of(folder: str) -> list[str]:
    """Return command lines of processes that name or work in a folder."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdecimal():
            try:
                line = (entry / "cmdline").read_bytes().replace(b"\0", b" ").decode()
                if folder in line or folder in os.readlink(entry / "cwd"):
                    found.append(line)
            except OSError:
                continue
    return found


def test_a_short_demo_grades_every_piece_and_says_so(tmp_path: Path) -> None:
    folder = tmp_path / "kept"
    words = ["--pieces", "3", "--seed", "5", "--speed", "20", "--json", "--folder", str(folder)]
    with subprocess.Popen([*DEMO, *words], stdout=subprocess.PIPE, text=True) as demo:
        assert demo.stdout is not None
        first = json.loads(demo.stdout.readline())
        with listening(int(first["broker"].rpartition(":")[2])) as listener:
            out, _ = demo.communicate(timeout=240)
    assert demo.returncode == 0
    lines = [first, *(json.loads(line) for line in out.splitlines())]
    assert first["board"].startswith("http://127.0.0.1:")
    summary = lines[-1]["summary"]
    for bench in ("b1", "b2"):
        pieces = [line for line in lines[1:-1] if line["bench"] == bench]
        assert [p["piece"] for p in pieces if "grade" in p] == [1, 2, 3]
        lot = summary[bench]["lot"]
        assert lot["measured"] == 3
        assert lot["pending"] == 0
        counted = sum(g["put_away"] for g in lot["grades"])
        assert counted + lot["hold"] + lot["nonconforming"] == 3
    assert (folder / "millrace.db").exists()
    assert not processes_of(str(folder))
    heard = [(m.topic, m.text) for m in listener.heard() if m.topic != "probe"]
    kinds = checked(heard)
    print(f"{len(heard)} messages of {len(kinds)} kinds are as the contract says")
    assert kinds >= {
        "link", "about", "state", "lot", "recent", "prompt", "lamp", "placed",
        "event-clamping", "event-verdict", "event-put-away",
    }  # fmt: skip


@pytest.mark.long
def test_every_message_of_both_lots_to_their_ends_is_as_the_contract_says(
    tmp_path: Path,
) -> None:
    words = [
        "--lots",
        "--seed",
        "5",
        "--speed",
        "30",
        "--json",
        "--folder",
        str(tmp_path / "k"),
    ]
    with subprocess.Popen([*DEMO, *words], stdout=subprocess.PIPE, text=True) as demo:
        assert demo.stdout is not None
        first = json.loads(demo.stdout.readline())
        with listening(int(first["broker"].rpartition(":")[2])) as listener:
            demo.communicate(timeout=3600)
    assert demo.returncode == 0
    kinds = checked((m.topic, m.text) for m in listener.heard() if m.topic != "probe")
    print(f"{listener.count} messages of {len(kinds)} kinds are as the contract says")
    assert kinds >= {"event-lot", "event-verdict", "event-alarm", "alarm"}


def test_ctrl_c_leaves_no_process_port_or_file_behind(tmp_path: Path) -> None:
    env = {**os.environ, "TMPDIR": str(tmp_path)}
    demo = subprocess.Popen(
        [*DEMO, "--pieces", "50", "--json"], stdout=subprocess.PIPE, text=True, env=env
    )
    assert demo.stdout is not None
    first = json.loads(demo.stdout.readline())
    deadline = time.monotonic() + 60
    while not list(tmp_path.glob("reclamp-demo-*/millrace.db")) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert len(processes_of("reclamp-demo-")) >= 5
    demo.send_signal(signal.SIGINT)
    _, _ = demo.communicate(timeout=60)
    assert demo.returncode == 0
    assert list(tmp_path.iterdir()) == []
    assert not processes_of(str(tmp_path))
    for url in (first["board"], first["broker"]):
        port = int(url.rstrip("/").rsplit(":", 1)[1])
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection(("127.0.0.1", port), 2)
