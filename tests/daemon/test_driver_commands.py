"""``reclamp driver list``, ``new`` and ``verify``: what they write and say is tried out."""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from daemon.cli import app
from daemon.driver_template.skeleton.codec import encode
from daemon.driver_template.skeleton.driver import make
from daemon.registry import known_drivers
from drivers import Reading
from drivers.conformance import CASES


def driver(*words: str) -> Result:
    return CliRunner().invoke(app, ["driver", *words])


def verified(*words: str) -> dict[str, Any]:
    result = driver("verify", *words, "--json")
    assert result.exit_code in (0, 1), result.output
    report: dict[str, Any] = json.loads(result.stdout)
    assert (result.exit_code == 0) == (report["failed"] == 0 and bool(report["specimens"]))
    return report


# --- new: what it writes is green at once ---


def test_a_new_package_passes_its_own_tests_and_the_kit_before_anything_is_changed(
    tmp_path: Path,
) -> None:
    result = driver("new", "plunger-dial", "--into", str(tmp_path))
    assert result.exit_code == 0
    home = tmp_path / "plunger-dial"
    tests = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider"]
    done = subprocess.run(tests, cwd=home, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout
    assert f"{len(CASES) + 2} passed" in done.stdout
    report = verified(str(home / "plunger_dial" / "driver.py"))
    assert report["failed"] == 0
    assert len(report["specimens"][0]["cases"]) == len(CASES)


def test_a_new_single_file_passes_the_kit_and_reads_a_frame(tmp_path: Path) -> None:
    assert driver("new", "plunger", "--single", "--into", str(tmp_path)).exit_code == 0
    assert [path.name for path in tmp_path.iterdir()] == ["plunger.py"]
    path = str(tmp_path / "plunger.py")
    assert verified(path)["failed"] == 0
    recording = tmp_path / "wire.rec"
    recording.write_text(f"1 usb1 < {b'!+0000041m.'.hex()}0d\n")
    heard = ["listen", "--replay", str(recording), "--driver", f"{path}:make"]
    result = CliRunner().invoke(app, heard)
    assert "4.1 µm" in result.stdout


def test_the_file_and_the_package_hold_the_same_code(tmp_path: Path) -> None:
    driver("new", "plunger", "--into", str(tmp_path))
    driver("new", "plunger", "--single", "--into", str(tmp_path))
    single = (tmp_path / "plunger.py").read_text()
    for name in ("driver.py", "codec.py", "driver_specimens.py"):
        part = (tmp_path / "plunger" / "plunger" / name).read_text()
        body = part[part.index("\n\n", part.rindex("\nfrom ")) :].strip()
        assert body in single


def test_nothing_of_the_skeletons_name_is_left(tmp_path: Path) -> None:
    driver("new", "plunger-dial", "--into", str(tmp_path))
    for path in (tmp_path / "plunger-dial").rglob("*.*"):
        text = path.read_text().lower()
        assert "skeleton" not in text
        assert "daemon" not in text


def test_the_skeleton_reads_what_it_sends() -> None:
    for value_nm in (0, 100, -100, 12_345_600, -999_999_900):
        assert make({}).feed(encode(Reading(value_nm))) == [Reading(value_nm)]


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("ascii-line", "installed driver"),
        ("Plunger", "accepted are lower-case words"),
        ("plunger_dial", "accepted are lower-case words"),
        ("9plunger", "accepted are lower-case words"),
        ("plunger-", "accepted are lower-case words"),
        ("../plunger", "accepted are lower-case words"),
        ("class", "accepted are lower-case words"),
        ("drivers", "another module"),
        ("queue", "another module"),
    ],
)
def test_a_name_that_is_taken_or_none_is_refused(name: str, said: str, tmp_path: Path) -> None:
    result = driver("new", name, "--into", str(tmp_path))
    assert result.exit_code == 2
    assert said in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_nothing_is_written_over(tmp_path: Path) -> None:
    for kind in ([], ["--single"]):
        words = ["new", "plunger", *kind, "--into", str(tmp_path)]
        assert driver(*words).exit_code == 0
        again = driver(*words)
        assert again.exit_code == 2
        assert "exists" in again.stderr


# --- verify: what fails is told with the bytes ---

FAULTS = {
    "folds signs": (
        'Reading(-value_nm if match["sign"] == b"-" else value_nm, unit, flags=flags)',
        "Reading(value_nm, unit, flags=flags)",
        "golden frames are read",
    ),
    "takes inches for millimetres": (
        'b"i": ("inch", -5)',
        'b"i": ("mm", -5)',
        "golden frames are read",
    ),
    "masks the parity away": (
        "return self._cutter.feed(chunk)",
        "return self._cutter.feed(bytes(byte & 0x7F for byte in chunk))",
        "a wrong parity is not masked",
    ),
    "raises on noise": (
        "return BadFrame(frame, parity_mismatch(frame) or reason)",
        "raise ValueError(reason)",
        "noise is survived",
    ),
    "reads whole chunks only": (
        "return self._cutter.feed(chunk)",
        "return [read_frame(chunk)] if chunk else []",
        "chunks do not matter",
    ),
    "keeps everything": (
        "return self._cutter.feed(chunk)",
        'self.kept = getattr(self, "kept", b"") + chunk; return self._cutter.feed(chunk)',
        "endless noise is held in bounds",
    ),
    "takes any option": ("reader.finish()", "pass", "a wrong option is refused"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_driver_with_one_fault_fails_the_case_for_it(fault: str, tmp_path: Path) -> None:
    driver("new", "plunger", "--single", "--into", str(tmp_path))
    path = tmp_path / "plunger.py"
    right, wrong, case = FAULTS[fault]
    text = path.read_text()
    assert right in text
    path.write_text(text.replace(right, wrong))
    cases = verified(str(path))["specimens"][0]["cases"]
    failed = [each for each in cases if each["failed"]]
    assert case in [each["name"] for each in failed]


def test_people_see_what_failed_with_its_bytes(tmp_path: Path) -> None:
    driver("new", "plunger", "--single", "--into", str(tmp_path))
    path = tmp_path / "plunger.py"
    right, wrong, _ = FAULTS["folds signs"]
    path.write_text(path.read_text().replace(right, wrong))
    result = driver("verify", str(path))
    assert result.exit_code == 1
    assert "FAIL      10 golden frames are read" in result.stdout
    assert "minus gave" in result.stdout
    assert r"b'!-0000020i.\r!-0000041m.\r'" not in result.stdout  # only what was fed
    assert "21 2D 30 30 30 30 30 34 31 6D 2E 0D" in result.stdout
    assert "ok " in result.stdout


def test_a_built_in_driver_is_verified_by_its_name_with_every_specimen() -> None:
    report = verified("packed-bcd")
    assert report["origin"].startswith("reclamp ")
    assert len(report["specimens"]) >= 2
    assert all(each["tried"] > 200 for each in report["specimens"])


def test_an_option_is_put_over_those_of_the_frames(tmp_path: Path) -> None:
    assert verified("packed-bcd", "--option", "quiet_timeouts=1")["failed"] == 0
    assert verified("packed-bcd", "--option", "decimals=1")["failed"] > 0


def test_a_driver_without_frames_is_not_verified(tmp_path: Path) -> None:
    path = tmp_path / "bare.py"
    path.write_text("from drivers.ascii_line import AsciiLine as _\ndef make(options): pass\n")
    result = driver("verify", str(path))
    assert result.exit_code == 1
    assert "nothing was tried: it brings no SPECIMENS" in result.stdout


@pytest.mark.parametrize("name", ["nobody", "nowhere.py", "nowhere.py:make"])
def test_a_driver_nobody_brings_is_wrong_use(name: str) -> None:
    result = driver("verify", name)
    assert result.exit_code == 2
    assert "accepted are" in result.stderr


def test_a_file_of_a_package_that_does_not_load_is_wrong_use(tmp_path: Path) -> None:
    driver("new", "plunger-broken", "--into", str(tmp_path))
    path = tmp_path / "plunger-broken" / "plunger_broken" / "driver.py"
    path.write_text("1 / 0\n")
    result = driver("verify", str(path))
    assert result.exit_code == 2
    assert "ZeroDivisionError" in result.stderr


# --- list ---


def install(folder: Path, distribution: str, name: str, target: str) -> None:
    """Lay down what pip leaves of a package that brings a driver."""
    info = folder / f"{distribution.replace('-', '_')}-1.2.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(
        f"Metadata-Version: 2.1\nName: {distribution}\nVersion: 1.2\n"
    )
    (info / "entry_points.txt").write_text(f"[reclamp.drivers]\n{name} = {target}\n")


def listed() -> dict[str, dict[str, Any]]:
    result = driver("list", "--json")
    assert result.exit_code == 0
    return {entry["name"]: entry for entry in json.loads(result.stdout)}


def test_every_built_in_driver_is_listed_with_what_it_is() -> None:
    entries = listed()
    assert set(entries) == set(known_drivers())
    for entry in entries.values():
        assert entry["is_built_in"]
        assert entry["about"].endswith(".")
        assert entry["trouble"] == ""


def test_a_foreign_driver_is_listed_with_its_distribution(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "some_dial.py").write_text('"""Some dial."""\ndef make(options): pass\n')
    install(tmp_path, "reclamp-driver-dial", "dial", "some_dial:make")
    install(tmp_path, "broken-dial", "broken", "no_such_module:make")
    install(tmp_path, "second-line", "ascii-line", "some_dial:make")
    monkeypatch.syspath_prepend(str(tmp_path))
    entries = listed()
    assert entries["dial"]["origin"] == "reclamp-driver-dial 1.2"
    assert entries["dial"]["about"] == "Some dial."
    assert not entries["dial"]["is_built_in"]
    assert "No module named 'no_such_module'" in entries["broken"]["trouble"]
    assert "several distributions bring this name" in entries["ascii-line"]["trouble"]
    text = driver("list").stdout
    assert "foreign   reclamp-driver-dial 1.2  some_dial:make" in text
    assert "FILE.py:NAME" in text
