"""``reclamp ports`` on real devices, and on folders laid out as udev lays them out."""

import grp
import json
import os
import pwd
import stat
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from serial.tools.list_ports_common import ListPortInfo
from typer.testing import CliRunner

from daemon.cli import app
from daemon.port_access import _hint, read_access
from daemon.port_survey import PortFound, survey
from daemon.port_users import read_users
from tests.far_end import far_end

HOLD_IT = """
import sys, serial
port = serial.Serial(sys.argv[1], exclusive=sys.argv[2] == "exclusive")
print("open", flush=True)
sys.stdin.read()
"""


@contextmanager
def another_process_has_it_open(path: str, how: str) -> Iterator[int]:
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLD_IT, path, how],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    with holder:
        assert holder.stdout is not None
        assert holder.stdin is not None
        assert holder.stdout.readline() == "open\n"
        yield holder.pid
        holder.stdin.close()


def told(*words: str) -> list[dict[str, object]]:
    result = CliRunner().invoke(app, ["ports", *words, "--json"])
    assert result.exit_code == 0, result.output
    found: list[dict[str, object]] = json.loads(result.stdout)
    return found


def test_a_port_that_nobody_has_open_is_free() -> None:
    with far_end() as end:
        (found,) = [port for port in told(end.path) if port["path"] == end.path]
    assert found["is_free"] is True
    assert found["users"] == []
    assert found["may_open"] is True


@pytest.mark.parametrize("how", ["exclusive", "shared"])
def test_whoever_has_a_port_open_is_named_with_and_without_a_lock(how: str) -> None:
    with far_end() as end, another_process_has_it_open(end.path, how) as pid:
        (found,) = [port for port in told(end.path) if port["path"] == end.path]
        users = read_users(end.path)
    assert found["is_free"] is False
    assert isinstance(found["users"], list)
    assert [user["pid"] for user in found["users"]] == [pid]
    assert end.path in found["users"][0]["command"]
    assert users.is_locked == (how == "exclusive")


def test_a_lock_tells_of_a_process_that_may_not_be_looked_at(tmp_path: Path) -> None:
    with far_end() as end:
        status = os.stat(end.path)
        numbers = f"{os.major(status.st_dev):02x}:{os.minor(status.st_dev):02x}"
        text = f"1: FLOCK  ADVISORY  WRITE 4711 {numbers}:{status.st_ino} 0 EOF\n"
        (tmp_path / "locks").write_text(text)
        users = read_users(end.path, proc=tmp_path)
    assert users.is_locked
    assert users.seen == []


def test_looking_at_a_port_does_not_open_it(tmp_path: Path) -> None:
    with far_end() as end:
        log = tmp_path / "opened"
        script = (
            "import sys\n"
            f"log = open({str(log)!r}, 'w')\n"
            "def hook(event, args):\n"
            "    if event == 'open': print(args[0], file=log)\n"
            "sys.addaudithook(hook)\n"
            "from daemon.port_survey import survey\n"
            f"print(len(survey(further=[{end.path!r}])))\n"
        )
        subprocess.run([sys.executable, "-c", script], check=True, capture_output=True)
        opened = log.read_text().split()
    assert "/proc/locks" in opened
    assert end.path not in opened


def test_a_path_that_is_not_there_is_wrong_use() -> None:
    result = CliRunner().invoke(app, ["ports", "/dev/ttyNOWHERE"])
    assert result.exit_code == 2
    assert "/dev/ttyNOWHERE" in result.stderr
    assert "accepted" in result.stderr


# --- names, laid out as udev lays them out ---


def adapter(folder: Path, device: str, serial_number: str, socket: str) -> ListPortInfo:
    path = folder / device
    path.touch()
    info = ListPortInfo(str(path))
    info.description = "adapter of some make"
    info.vid, info.pid, info.serial_number = 0x1209, 0x0001, serial_number or None
    links = {"by-path": f"pci-0-usb-{socket}", "by-id": f"usb-adapter_{serial_number}-if00"}
    for name, link in links.items():
        (folder / "serial" / name).mkdir(parents=True, exist_ok=True)
        place = folder / "serial" / name / link
        place.unlink(missing_ok=True)  # udev's last one wins as well
        place.symlink_to(path)
    return info


def names(folder: Path, *infos: ListPortInfo) -> list[PortFound]:
    return survey(infos, names=folder / "serial")


def test_an_adapter_with_a_serial_number_is_best_named_by_it(tmp_path: Path) -> None:
    (found,) = names(tmp_path, adapter(tmp_path, "ttyUSB0", "A1", "1.2"))
    assert found.best_name == str(tmp_path / "serial/by-id/usb-adapter_A1-if00")
    assert found.by_path == [str(tmp_path / "serial/by-path/pci-0-usb-1.2")]


def test_an_adapter_without_a_serial_number_is_best_named_by_its_socket(tmp_path: Path) -> None:
    (found,) = names(tmp_path, adapter(tmp_path, "ttyUSB0", "", "1.2"))
    assert found.best_name.endswith("by-path/pci-0-usb-1.2")


def test_twins_with_one_serial_number_are_told_apart_by_their_sockets(tmp_path: Path) -> None:
    found = names(
        tmp_path,
        adapter(tmp_path, "ttyUSB0", "A1", "1.2"),
        adapter(tmp_path, "ttyUSB1", "A1", "1.3"),
        adapter(tmp_path, "ttyUSB2", "A2", "1.4"),
    )
    assert [port.is_twin for port in found] == [True, True, False]
    assert found[0].best_name.endswith("by-path/pci-0-usb-1.2")
    assert found[1].best_name.endswith("by-path/pci-0-usb-1.3")
    assert found[2].best_name.endswith("by-id/usb-adapter_A2-if00")
    assert "two adapters" in found[0].why_that_name


# --- rights ---


def status(mode: int, group: int) -> os.stat_result:
    return os.stat_result((stat.S_IFCHR | mode, 0, 0, 1, 0, group, 0, 0, 0, 0))


def test_a_person_outside_the_group_is_told_which_one_and_how() -> None:
    user = pwd.getpwuid(os.geteuid()).pw_name
    group = next(found for found in grp.getgrall() if user not in found.gr_mem)
    hint = _hint(status(0o660, group.gr_gid))
    assert f"sudo usermod -aG {group.gr_name} {user}" in hint
    assert "log in anew" in hint


def test_a_port_for_its_owner_alone_names_no_group() -> None:
    assert _hint(status(0o600, 0)) == "only root may open it"


def test_whoever_may_open_a_port_needs_no_hint() -> None:
    with far_end() as end:
        access = read_access(end.path)
    assert access.may_open
    assert access.hint == ""


def test_a_port_that_is_gone_is_no_port_to_open(tmp_path: Path) -> None:
    access = read_access(str(tmp_path / "ttyUSB0"))
    assert not access.may_open
    assert "No such file" in access.hint
