"""Where drivers come from: entry points, or one file beside the bench file."""

from importlib.metadata import version
from pathlib import Path

import pytest

from daemon.errors import DriverMakeError, UnknownDriverError
from daemon.registry import find_driver, known_drivers, make_driver
from drivers import OptionError, Reading

GOOD = '''
from __future__ import annotations
from dataclasses import dataclass
from drivers import BadFrame, LineSettings, OptionError, Reading

@dataclass
class Echo:
    """A dataclass under postponed annotations looks its own module up."""
    line: LineSettings
    def feed(self, chunk): return [Reading(len(chunk))]
    def next_request(self): return None
    def timed_out(self): pass

def make(options):
    if "speed" in options:
        raise OptionError("speed", options["speed"], "nothing: this driver has no options")
    return Echo(LineSettings(4800))
'''


def lay(folder: Path, text: str, name: str = "echo.py") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def refusal(name: str, folder: Path) -> str:
    with pytest.raises(UnknownDriverError) as caught:
        find_driver(name, folder)
    assert caught.value.name == name
    assert set(caught.value.known) == set(known_drivers())
    return str(caught.value)


def test_every_installed_driver_loads_and_names_its_version() -> None:
    for name in known_drivers():
        found = find_driver(name, Path("/nowhere"))
        assert found.name == name
        assert found.version == version("reclamp")
        assert found.origin == f"reclamp {version('reclamp')}"


def test_a_file_beside_the_bench_file_brings_a_driver(tmp_path: Path) -> None:
    lay(tmp_path, GOOD)
    found = find_driver("echo.py:make", tmp_path)
    driver = make_driver(found, {})
    assert driver.feed(b"1234") == [Reading(4)]
    assert driver.line.baud == 4800
    assert found.origin == str(tmp_path / "echo.py")


def test_the_version_of_a_files_driver_changes_with_its_text(tmp_path: Path) -> None:
    lay(tmp_path, GOOD)
    first = find_driver("echo.py:make", tmp_path).version
    assert find_driver("echo.py:make", tmp_path).version == first
    lay(tmp_path, GOOD + "\n# changed\n")
    assert find_driver("echo.py:make", tmp_path).version != first


def test_two_files_of_one_name_do_not_meet(tmp_path: Path) -> None:
    for folder, length in (("a", 1), ("b", 2)):
        (tmp_path / folder).mkdir()
        lay(tmp_path / folder, GOOD.replace("len(chunk)", str(length)))
    found = [find_driver("echo.py:make", tmp_path / folder) for folder in ("a", "b")]
    assert [make_driver(f, {}).feed(b"")[0] for f in found] == [Reading(1), Reading(2)]


def test_an_absolute_path_is_taken_as_it_is(tmp_path: Path) -> None:
    path = lay(tmp_path, GOOD)
    assert find_driver(f"{path}:make", Path("/nowhere")).name == f"{path}:make"


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        ("gone.py:make", GOOD, "FileNotFoundError"),
        ("echo.py:nothing", GOOD, "has no attribute 'nothing'"),
        ("echo.py:make", "1 / 0", "ZeroDivisionError: division by zero"),
        ("echo.py:make", "def make(:", "SyntaxError"),
        ("echo.py:make", "import sys; sys.exit(3)", "SystemExit: 3"),
        ("echo.py:make", "import no_such_library", "No module named 'no_such_library'"),
        ("echo.py:make", "\x00", "SyntaxError"),
    ],
    ids=["no file", "no name", "crash", "syntax", "exit", "import", "nul"],
)
def test_a_file_that_brings_no_driver_is_told_with_file_and_reason(
    name: str, text: str, said: str, tmp_path: Path
) -> None:
    lay(tmp_path, text)
    message = refusal(name, tmp_path)
    assert name in message
    assert str(tmp_path / name.split(":")[0]) in message
    assert said in message
    assert message.endswith("or FILE.py:NAME")


@pytest.mark.parametrize("name", ["", "ascii", ":make", "echo.py", "echo.py:", "a.txt:make"])
def test_a_name_nobody_brings_is_told_with_those_there_are(name: str, tmp_path: Path) -> None:
    message = refusal(name, tmp_path)
    assert message.startswith(f"no driver {name!r}")
    assert all(known in message for known in known_drivers())


def test_a_wrong_option_stays_the_drivers_own_error(tmp_path: Path) -> None:
    lay(tmp_path, GOOD)
    with pytest.raises(OptionError) as caught:
        make_driver(find_driver("echo.py:make", tmp_path), {"speed": 3})
    assert (caught.value.key, caught.value.got) == ("speed", 3)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("def make(options): return options['a']", "KeyError: 'a'"),
        ("def make(): return None", "takes 0 positional arguments"),
        ("make = 7", "'int' object is not callable"),
        ("def make(options): raise SystemExit(1)", "SystemExit"),
        ("def make(options): return None", "has no feed, next_request, timed_out, line"),
        (GOOD.replace("def timed_out(self): pass", ""), "has no timed_out"),
        (GOOD.replace("LineSettings(4800)", "4800"), "has no line"),
    ],
    ids=["raises", "no argument", "no function", "exits", "nothing", "lacks one", "settings"],
)
def test_a_factory_that_makes_no_driver_is_told_with_what_is_accepted(
    text: str, said: str, tmp_path: Path
) -> None:
    lay(tmp_path, text)
    found = find_driver("echo.py:make", tmp_path)
    with pytest.raises(DriverMakeError) as caught:
        make_driver(found, {})
    message = str(caught.value)
    assert "echo.py:make" in message
    assert said in message
    assert message.endswith("options in, a driver of drivers.contract out")
