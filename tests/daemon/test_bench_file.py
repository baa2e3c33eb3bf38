"""A good bench file: numbers exact, defaults, what the core is handed."""

import hashlib
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.config import Config, load
from daemon.errors import ConfigError
from daemon.toml_file import read_toml
from drivers import LineSettings
from rules.run_out import SweepRules

Make = Callable[..., Path]


def sweep(config: Config) -> SweepRules:
    return config.benches[0].rules.capture.sweep


def test_the_demos_bench_file_loads_with_both_benches(bench_folder: Make) -> None:
    config = load(bench_folder())
    assert [one.id for one in config.benches] == ["b1", "b2"]
    assert list(config.lines) == ["usb1", "usb2"]
    north = config.benches[0]
    assert north.bin_holds() == {
        "1": "grade-1", "2": "grade-2", "H": "hold", "N": "nonconforming",
    }  # fmt: skip
    assert north.rules.grading.grades[0].acceptance_limit_nm == 3200


def test_lengths_come_as_whole_nanometres_exactly_as_written(bench_folder: Make) -> None:
    config = load(
        bench_folder(
            ("projection_mm = 25\nstep_um = 0.1", "projection_mm = 25\nstep_um = 0.508"),
            ('proof = "index"', 'proof = "index"\nloosening_um = 12.3\nmoving_um = 0.001'),
            ("window_um = [-400, 400]", "window_um = [-399.999, 400]"),
        )
    )
    capture = config.benches[0].rules.capture
    assert capture.sweep.step_nm == 508
    assert capture.loosening_nm == 12_300
    assert capture.moving_nm == 1
    indicator = capture.indicators[0]
    assert (indicator.window_low_nm, indicator.window_high_nm) == (-399_999, 400_000)


def test_an_indicator_moves_by_four_steps_unless_the_file_says_otherwise(
    bench_folder: Make,
) -> None:
    config = load(bench_folder())
    assert config.benches[0].rules.capture.moving_nm == 400


def test_times_come_as_whole_nanoseconds(bench_folder: Make) -> None:
    config = load(bench_folder(('proof = "index"', 'proof = "index"\nsettle_s = 0.7')))
    assert config.benches[0].rules.capture.settle_ns == 700_000_000
    assert sweep(config).fastest_turn_ns == 2_000_000_000


def test_paths_are_those_beside_the_bench_file(bench_folder: Make, tmp_path: Path) -> None:
    config = load(bench_folder(("[mqtt]", '[mqtt]\npassword_file = "secret"')))
    assert config.store_path == tmp_path / "millrace.db"
    assert config.broker.password_file == tmp_path / "secret"
    config = load(bench_folder(('"millrace.db"', '"/var/lib/reclamp/b.db"')))
    assert config.store_path == Path("/var/lib/reclamp/b.db")


@pytest.mark.parametrize(
    ("url", "host", "port", "tls", "user"),
    [
        ("mqtt://127.0.0.1:1883", "127.0.0.1", 1883, False, None),
        ("mqtt://broker.mill", "broker.mill", 1883, False, None),
        ("mqtts://broker.mill", "broker.mill", 8883, True, None),
        ("mqtt://bench%201@broker:2000", "broker", 2000, False, "bench 1"),
        ("mqtt://[::1]:1884/", "::1", 1884, False, None),
    ],
)
def test_a_brokers_url_is_taken_apart(
    url: str, host: str, port: int, tls: bool, user: str | None, bench_folder: Make
) -> None:
    broker = load(bench_folder(("mqtt://127.0.0.1:1883", url))).broker
    assert (broker.host, broker.port, broker.tls, broker.username) == (host, port, tls, user)


def test_a_line_is_opened_as_the_file_says_and_else_as_its_driver_says(
    bench_folder: Make,
) -> None:
    config = load(
        bench_folder(
            (
                'port = "b1.port"\nbaud = 9600\nframing = "8N1"',
                'port = "b1.port"\nbaud = 4800\nframing = "7E2"',
            ),
            ('port = "b2.port"\nbaud = 9600\nframing = "8N1"', 'port = "b2.port"'),
        )
    )
    default = LineSettings(19200, 7, "O", 1)
    assert config.lines["usb1"].settings(default) == LineSettings(4800, 7, "E", 2)
    assert config.lines["usb2"].settings(default) == default


def test_the_hash_is_that_of_the_file_as_it_lies_there(tmp_path: Path) -> None:
    """A person compares it with sha256sum; line ends and byte order mark count as they are."""
    path = tmp_path / "crlf.toml"
    path.write_bytes(b"\xef\xbb\xbfa = 1.10\r\nb = 2\r\n")
    source = read_toml(path)
    assert source.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert hashlib.sha256(source.text.encode()).hexdigest() == source.sha256
    assert source.raw == {"a": Decimal("1.10"), "b": 2}


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"[site\n", "no TOML: Expected ']' at the end of a table declaration (at line 1"),
        (b"a = 1\na = 2\n", "no TOML: Cannot overwrite a value (at line 2"),
        (b"a = '\xff'\n", "no UTF-8 text: invalid start byte at byte 5"),
        (b"\xff\xfea\x00", "no UTF-8 text: invalid start byte at byte 0"),
        (b"a = " + b"[" * 5000, "no TOML: maximum recursion depth exceeded"),
        (b"a = " + b"9" * 5000, "no TOML: Exceeds the limit (4300 digits)"),
        (b"\x00", "no TOML: Invalid statement (at line 1, column 1)"),
    ],
    ids=["open bracket", "a key twice", "latin-1", "utf-16", "nesting", "digits", "nul"],
)
def test_a_file_that_is_no_toml_is_refused_by_name_and_place(
    content: bytes, said: str, tmp_path: Path
) -> None:
    path = tmp_path / "bench.toml"
    path.write_bytes(content)
    with pytest.raises(ConfigError) as caught:
        load(path)
    (fault,) = caught.value.faults
    assert fault.startswith(f"{path}: {said}")


def test_a_file_that_is_not_there_or_can_not_be_read_is_refused_by_name(tmp_path: Path) -> None:
    for path, why in [
        (tmp_path / "none.toml", "No such file or directory"),
        (tmp_path, "Is a directory"),
    ]:
        with pytest.raises(ConfigError) as caught:
            load(path)
        assert caught.value.faults == (f"{path}: {why}",)


def test_an_empty_file_is_told_every_table_it_lacks(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.touch()
    with pytest.raises(ConfigError) as caught:
        load(path)
    assert [fault.split(": ")[1] for fault in caught.value.faults] == [
        "site", "store", "line", "bench",
    ]  # fmt: skip
    assert all("accepted is" in fault for fault in caught.value.faults)


_VALUES: st.SearchStrategy[object] = st.one_of(
    st.booleans(),
    st.integers(-(10**40), 10**40),
    st.sampled_from(["nan", "inf", "-inf", "1e999999999", "-1e-999999999", "0.00001"]).map(
        lambda text: _Bare(text)
    ),
    st.text(max_size=20),
    st.lists(st.integers(-3, 3), max_size=3),
    st.dictionaries(st.sampled_from("abc"), st.integers(0, 3), max_size=2),
    st.just("1979-05-27T07:32:00Z").map(lambda text: _Bare(text)),
)


class _Bare(str):
    """A text that stands in the file without quotes."""


def _toml(value: object) -> str:
    match value:
        case bool():
            return str(value).lower()
        case _Bare() | int():
            return str(value)
        case str():
            signs = "".join(rf"\U{ord(sign):08X}" for sign in value)
            return f'"{signs}"'
        case list():
            return "[" + ", ".join(map(_toml, value)) + "]"
        case dict():
            return "{" + ", ".join(f"{k} = {_toml(v)}" for k, v in value.items()) + "}"
        case _:
            raise AssertionError(value)


_LINES = [
    'name = "millrace"', 'path = "millrace.db"', 'url = "mqtt://127.0.0.1:1883"',
    'port = "b1.port"', "baud = 9600", 'framing = "8N1"', 'driver = "ascii-line"',
    'rules = "mr-10-med.rules.toml"', 'line = "usb1"', 'position = "far"', "projection_mm = 25",
    "step_um = 0.1", "window_um = [-400, 400]", 'mode = "sweep"', 'turning = "driven"',
    'proof = "index"', "fastest_turn_s = 2.0", 'shape = "ring"', 'box = "A-1-001"',
    'code = "W-2611-A"', "quantity = 120", 'order = { "grade-1" = 36 }', 'pins = ["MP-10-1"]',
    'id = "IND-21"', 'id = "b1"', 'id = "usb1"', "[site]", "[[bench.bin]]", "[bench.capture]",
]  # fmt: skip

_DEMO = Path(__file__).parents[2] / "simulators" / "scenario" / "bench.toml"


@settings(deadline=None)  # other work on the machine is no fault of a file
@given(line=st.sampled_from(_LINES), value=_VALUES)
def test_no_value_at_any_key_ends_in_anything_but_faults_or_a_good_file(
    line: str, value: object, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """A hostile file is a faulty file: no traceback, whatever stands behind a key."""
    folder = tmp_path_factory.getbasetemp() / "hostile"
    folder.mkdir(exist_ok=True)
    for rules in _DEMO.parent.glob("*.rules.toml"):
        (folder / rules.name).write_bytes(rules.read_bytes())
    text = _DEMO.read_text(encoding="utf-8")
    assert line in text
    key = line.split(" = ")[0] if " = " in line else "wrong"
    path = folder / "bench.toml"
    path.write_text(text.replace(line, f"{key} = {_toml(value)}", 1), encoding="utf-8")
    faults = _faults_of(path)
    assert all(fault.startswith(str(folder)) for fault in faults)


def _faults_of(path: Path) -> tuple[str, ...]:
    try:
        load(path)
    except ConfigError as error:
        return error.faults
    return ()
