"""README keeps up with the code: keys, commands, topics, quoted outputs."""

import re
from collections.abc import Callable
from pathlib import Path
from typing import get_args

import pytest
import typer.main

from daemon import bench_lines
from daemon.cli import app
from daemon.config import load
from daemon.config_sections import BenchFile
from daemon.messages import PromptWord, StateWord
from daemon.rule_file import load_rules
from daemon.rule_sections import RuleFile
from daemon.toml_file import Section
from tests.make_readme import README, ROOT, refreshed

TEXT = README.read_text(encoding="utf-8")


def keys_of(model: type[Section]) -> set[str]:
    """Return every key of a file's tables, inner tables included."""
    found: set[str] = set()
    for name, field in model.model_fields.items():
        found.add(name)
        for part in re.findall(r"\w+Section", str(field.annotation)):
            module = __import__(model.__module__, fromlist=[part])
            found |= keys_of(getattr(module, part))
    return found


@pytest.mark.parametrize("key", sorted(keys_of(BenchFile) | keys_of(RuleFile)))
def test_every_key_of_a_file_stands_in_the_readme(key: str) -> None:
    assert re.search(rf"\b{key}\b", TEXT), f"{key} is not in README"


def commands() -> list[str]:
    """Return every command as typed, e.g. ``lot close``."""
    group = typer.main.get_command(app)
    found = []
    for name, command in group.commands.items():  # type: ignore[attr-defined]
        inner = getattr(command, "commands", None)
        found += [f"{name} {sub}" for sub in inner] if inner else [name]
    return found


@pytest.mark.parametrize("command", commands())
def test_every_command_is_documented_and_has_help(command: str) -> None:
    text = TEXT + (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    text += (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    assert f"reclamp {command}" in text, f"reclamp {command} is not in README or DEVELOPERS"


def test_every_prompt_and_state_word_is_in_the_readme() -> None:
    for word in (*get_args(PromptWord), *get_args(StateWord)):
        assert f"`{word}`" in TEXT, word


def test_mqtt_board_and_terminal_have_one_list_of_states() -> None:
    script = (ROOT / "daemon" / "board" / "static" / "words.js").read_text(encoding="utf-8")
    table = script.partition("const STATES = {\n")[2].partition("\n};")[0]
    on_board = re.findall(r'^ {2}"?([a-z-]+)"?: \{', table, re.MULTILINE)
    assert on_board == list(get_args(StateWord))
    assert list(bench_lines._SIGNS) == list(get_args(StateWord))


def test_quoted_outputs_and_files_are_what_they_are_today() -> None:
    assert refreshed(TEXT, with_demo=False) == TEXT, "run: python -m tests.make_readme"


def test_the_bench_file_of_the_readme_has_no_fault(
    bench_folder: Callable[..., Path],
) -> None:
    shown = re.findall(r"```toml\n(.*?)```", TEXT, re.DOTALL)[0]
    path = bench_folder()
    path.write_text(shown, encoding="utf-8")
    assert load(path).benches[0].id == "b1"


def test_the_rule_file_of_several_articles_says_what_its_comments_say(tmp_path: Path) -> None:
    shown = re.findall(r"```toml\n(.*?)```", TEXT, re.DOTALL)[2]
    path = tmp_path / "several.rules.toml"
    path.write_text(shown, encoding="utf-8")
    book, _ = load_rules(path)
    medium, inch = book.of("MR-10-MED"), book.of("MR-IN-08")
    assert [(x.position, x.acceptance_limit_nm) for x in medium.grades[0].limits] == [
        ("face", 2_200), ("far", 4_200),
    ]  # fmt: skip
    assert all(x.guard_is_uncertainty for x in medium.grades[0].limits)
    assert [x.acceptance_limit_nm for x in medium.grades[1].limits] == [7_200, 10_800]
    (grade,) = inch.grades
    assert (grade.tolerance_limit_nm, grade.acceptance_limit_nm) == (5_080, 4_064)
    assert grade.decision_rule == "guarded-acceptance"


def test_the_readme_opens_with_the_job_and_two_commands() -> None:
    paragraphs = TEXT.split("\n\n")
    assert paragraphs[0] == "# reclamp"
    assert "collets" in paragraphs[1]
    fenced = re.findall(r"```sh\n(.*?)```", TEXT, re.DOTALL)
    assert len(fenced) >= 2
    assert "reclamp demo" in fenced[0]
    assert "pytest" in fenced[1]


def test_every_linked_file_and_picture_exists() -> None:
    for target in re.findall(r"\]\(([^)#:]+)\)", TEXT):
        assert (ROOT / target).exists(), f"README links {target}"


def test_nothing_tracked_names_a_machine_path() -> None:
    for path in [*ROOT.glob("*.md"), *Path(ROOT / "daemon").rglob("*.py")]:
        assert "/" + "work/" not in path.read_text(encoding="utf-8"), path
