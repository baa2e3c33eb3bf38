"""The demo's scripted shift, as a user runs it: everything goes wrong, every count adds up."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.system.test_demo import processes_of

pytestmark = [pytest.mark.system, pytest.mark.long]

SEED = "3"
"""With it every mistake of the plan comes about, and the sample proves the rest."""


def test_a_shift_in_which_everything_goes_wrong_adds_up_at_its_end(tmp_path: Path) -> None:
    """Takes three minutes."""
    folder = tmp_path / "kept"
    done = subprocess.run(
        [sys.executable, "-m", "daemon.cli", "demo", "--shift", "--seed", SEED,
         "--speed", "15", "--json", "--folder", str(folder)],
        capture_output=True, text=True, timeout=900, check=False,
    )  # fmt: skip
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    findings = {line["finding"]: line["is_so"] for line in lines if "finding" in line}
    print(
        *(f"{'yes' if is_so else 'NO':<3}  {text}" for text, is_so in findings.items()),
        sep="\n",
    )
    assert all(findings.values()), findings
    assert len(findings) == 34
    assert done.returncode == 0, done.stderr
    assert not processes_of(str(folder))
    store = str(folder / "millrace.db")
    again = subprocess.run(
        [sys.executable, "-m", "daemon.cli", "recompute", "--store", store],
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert again.returncode == 0, again.stdout
