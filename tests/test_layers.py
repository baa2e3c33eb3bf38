"""Imports run one way: the contracts of pyproject.toml, held without any other tool.

CI runs ``lint-imports`` over the same contracts; this one runs wherever the tests do.
"""

from pathlib import Path
from typing import Any

import pytest

from tests.import_graph import broken, contracts, graph_of, reached

GRAPH = graph_of()


@pytest.mark.parametrize("contract", contracts(), ids=lambda contract: contract["name"])
def test_a_contract_is_kept(contract: dict[str, Any]) -> None:
    assert broken(contract, GRAPH) == []


def test_every_package_of_the_tree_is_looked_at() -> None:
    assert {module.split(".")[0] for module in GRAPH} == {
        "daemon", "drivers", "rules", "simulators",
    }  # fmt: skip
    assert len(GRAPH) > 100
    assert "rules.bench" in GRAPH["daemon.bench"]


def lay(folder: Path, files: dict[str, str]) -> None:
    for name, text in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)


@pytest.mark.parametrize(
    ("name", "files", "found"),
    [
        (
            "imports run one way",
            {"rules/a.py": "from drivers.b import C", "drivers/b.py": ""},
            ["rules.a -> drivers.b"],
        ),
        (
            "imports run one way",
            {"drivers/a.py": "def f():\n    import daemon.c", "daemon/c.py": ""},
            ["drivers.a -> daemon.c"],
        ),
        (
            "only the demo and simulate commands know the simulators",
            {
                "daemon/a.py": "import simulators.s",
                "daemon/demo/b.py": "import simulators.s",
                "simulators/s.py": "",
            },
            ["daemon.a -> simulators.s"],
        ),
        (
            "the core does no I/O and holds no clock",
            {"rules/a.py": "from time import monotonic", "daemon/b.py": "import time"},
            ["rules.a -> time"],
        ),
        (
            "a simulator never decodes",
            {
                "simulators/a.py": "import rules.b",
                "rules/b.py": "from drivers.ascii_line import make",
                "drivers/ascii_line.py": "",
            },
            ["simulators.a -> drivers.ascii_line"],
        ),
    ],
    ids=["upwards", "upwards within a function", "simulators", "a clock", "by a detour"],
)
def test_a_tree_that_breaks_a_contract_is_seen(
    name: str, files: dict[str, str], found: list[str], tmp_path: Path
) -> None:
    lay(tmp_path, files)
    contract = next(contract for contract in contracts() if contract["name"] == name)
    assert broken(contract, graph_of(tmp_path)) == found


def test_the_service_reads_the_clock_in_one_module() -> None:
    """``daemon.clock``; a command may time itself, the service and what it uses may not."""
    readers = {m for m in reached(GRAPH, "daemon.service") if "time" in GRAPH.get(m, ())}
    assert readers == {"daemon.clock"}


def test_mqtt_is_known_to_connection_publisher_inbound_and_board_alone() -> None:
    users = {m for m, imports in GRAPH.items() if imports & {"aiomqtt", "paho"}}
    assert users == {
        "daemon.broker", "daemon.publisher", "daemon.inbound", "daemon.board.feed",
    }  # fmt: skip


def test_a_driver_knows_readings_and_lengths_of_the_rules_and_nothing_else() -> None:
    used = {i for m, imports in GRAPH.items() if m.startswith("drivers") for i in imports}
    assert {i for i in used if i.startswith("rules")} == {"rules.length", "rules.reading"}
