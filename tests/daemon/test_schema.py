"""The contract's documents against independent readers of the standards they follow."""

import json
import shutil
import subprocess
import sys
from pathlib import Path
from typing import get_args

import jsonschema
import pytest

from daemon.messages import EventKind
from daemon.schema import EVENT_DATA, TOPICS, asyncapi, payload_schemas

ROOT = Path(__file__).parent.parent.parent
PARSER = ROOT / ".node" / "node_modules" / "@asyncapi" / "parser"
READ_IT = """
import { Parser } from '@asyncapi/parser';
import { readFileSync } from 'fs';
const { document, diagnostics } = await new Parser().parse(readFileSync(0, 'utf8'));
const faults = diagnostics.filter((d) => d.severity < 2).map((d) => d.message);
console.log(JSON.stringify({ channels: document?.channels().all().length, faults }));
"""


def test_the_asyncapi_project_s_own_parser_accepts_the_document(tmp_path: Path) -> None:
    node = shutil.which("node")
    if node is None or not PARSER.exists():
        pytest.skip("needs node and: npm install --prefix .node @asyncapi/parser")
    script = ROOT / ".node" / "read_asyncapi.mjs"
    script.write_text(READ_IT, encoding="utf-8")
    done = subprocess.run(
        [node, str(script)], input=json.dumps(asyncapi()), capture_output=True, text=True,
        timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    answer = json.loads(done.stdout)
    assert answer == {"channels": len(TOPICS) + len(EVENT_DATA), "faults": []}


@pytest.mark.parametrize("name", sorted(payload_schemas()))
def test_every_payload_has_a_valid_json_schema(name: str) -> None:
    jsonschema.Draft202012Validator.check_schema(payload_schemas()[name])


def test_every_kind_of_event_but_the_master_check_has_its_data() -> None:
    assert set(EVENT_DATA) == set(get_args(EventKind)) - {"master-check"}


def test_the_command_prints_what_the_models_say() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "daemon.cli", "schema", "event-verdict"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert json.loads(done.stdout) == payload_schemas()["event-verdict"]


def test_an_unknown_payload_is_refused_with_what_is_accepted() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "daemon.cli", "schema", "nonsense"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert "event-verdict" in done.stderr
