"""The example of DEVELOPERS.md, "Add a driver", executed as written but for the installation.

``tests/system/test_foreign_driver.py`` does the rest: it installs it beside a wheel.
"""

import sys
import tomllib
from pathlib import Path

import pytest

from daemon.config_sections import LineSection
from tests.developers_example import Block, Shell, blocks_of, follow

HEADING = "Add a driver"


@pytest.fixture(scope="module")
def shell(tmp_path_factory: pytest.TempPathFactory) -> Shell:
    """The example, followed up to the installation."""
    shell = Shell(tmp_path_factory.mktemp("afternoon"), Path(sys.executable).parent)
    before = [block for block in blocks_of(HEADING) if block.name != "service"]
    for _ in follow(before, shell):
        pass
    return shell


def said(shell: Shell, command: str) -> str:
    (text,) = [text for each, text in shell.said if each == command]
    return text


def test_every_step_of_the_example_ends_as_it_says(shell: Shell) -> None:
    commands = [command for command, _ in shell.said]
    assert "reclamp driver new plunger" in commands
    assert commands.count("python -m pytest") == 2
    assert sum(text.count(" passed") for _, text in shell.said) == 2


def test_no_built_in_driver_reads_the_examples_recording(shell: Shell) -> None:
    assert "not recognised" in said(shell, "reclamp recognise wire.rec")
    assert "23 30 30 30 30 30 34 31" in said(shell, "reclamp listen --replay wire.rec")


def test_the_examples_driver_reads_it(shell: Shell) -> None:
    text = said(shell, "reclamp listen --replay ../wire.rec --driver plunger/driver.py:make")
    for value in ("-4.1 µm", "5.2 µm", "0.0 µm", "-12.7 µm", "-0.9 µm", "–"):
        assert f" {value}" in text
    assert "the check digit is not that of the digits" in text
    assert "7 readings, 1 bad frames" in text


def test_the_kits_figures_are_those_of_the_text(shell: Shell) -> None:
    text = said(shell, "reclamp driver verify plunger/driver.py")
    assert "flipped bits: of 768," in text
    assert " 11 gave a wrong value" in text
    assert ", 0 cases failed" in text


def test_the_bench_files_piece_is_a_line(shell: Shell) -> None:
    (piece,) = [block for block in blocks_of(HEADING) if block.language == "toml"]
    (line,) = tomllib.loads(piece.text)["line"]
    assert LineSection.model_validate(line).driver == "plunger"


def test_what_needs_a_port_is_the_only_thing_not_run() -> None:
    unrun = [block for block in blocks_of(HEADING) if block.name == "bench"]
    assert unrun == [
        Block(
            "sh",
            "bench",
            "reclamp ports\n"
            "reclamp listen /dev/serial/by-id/NAME --baud 4800 --seconds 20 --record wire.rec\n"
            "reclamp recognise /dev/serial/by-id/NAME\n",
        )
    ]
