"""Recordings: what is noted comes back, faults are named by file and line."""

import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.errors import RecordingError
from daemon.recording import Entry, Recorder, read_recording

places = st.from_regex(r"[A-Za-z0-9][A-Za-z0-9_-]{0,20}", fullmatch=True)
reasons = st.text(max_size=40).map(str.strip)
bare = st.one_of(
    st.binary(max_size=60).map(lambda data: ("<", data.hex())),
    st.binary(max_size=60).map(lambda data: (">", data.hex())),
    st.just(("opened", "")),
    st.just(("tick", "")),
    reasons.map(lambda text: ("lost", text)),
    places.map(lambda text: ("placed", text)),
)
times = st.lists(st.integers(0, 10**18), max_size=20).map(sorted)


@settings(deadline=None)
@given(data=st.data())
def test_what_is_noted_comes_back_entry_by_entry(
    data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("r") / "wire.rec"
    noted = [(at, data.draw(places), *data.draw(bare)) for at in data.draw(times)]
    recorder = Recorder(path)
    for at_ns, where, what, text in noted:
        recorder.note(at_ns, where, what, text)
    recorder.close()
    expected = [
        Entry(at_ns, where, what, " ".join(text.splitlines()).rstrip())
        for at_ns, where, what, text in noted
    ]
    assert list(read_recording(path)) == expected


def test_a_reason_of_several_lines_is_one_entry(tmp_path: Path) -> None:
    recorder = Recorder(tmp_path / "r")
    recorder.note(1, "usb1", "lost", "gone:\nEIO\r\n5 usb1 < 00\u2028x")
    recorder.note(2, "usb1", "opened")
    recorder.close()
    assert list(read_recording(tmp_path / "r")) == [
        Entry(1, "usb1", "lost", "gone: EIO 5 usb1 < 00 x"),
        Entry(2, "usb1", "opened"),
    ]


def test_a_command_comes_back_as_it_was_sent(tmp_path: Path) -> None:
    asked = '{"id":"a","command":"piece-retry","reason":"chip\\n in the taper","role":"lead"}'
    recorder = Recorder(tmp_path / "r")
    recorder.note(1, "b1", "command", asked)
    recorder.close()
    assert list(read_recording(tmp_path / "r")) == [Entry(1, "b1", "command", asked)]


def test_comments_and_empty_lines_are_passed_over(tmp_path: Path) -> None:
    (tmp_path / "r").write_text("# made by hand\n\n  \n1 usb1 < 2b\n# end")
    assert list(read_recording(tmp_path / "r")) == [Entry(1, "usb1", "<", "2b")]


def test_bytes_are_those_of_the_hex(tmp_path: Path) -> None:
    (tmp_path / "r").write_text("1 usb1 < 2B 30\n2 usb1 <\n")
    assert [entry.data for entry in read_recording(tmp_path / "r")] == [b"+0", b""]


def test_a_recording_is_never_written_over(tmp_path: Path) -> None:
    path = tmp_path / "r"
    path.write_text("kept")
    with pytest.raises(RecordingError, match="File exists") as caught:
        Recorder(path)
    assert str(path) in str(caught.value)
    assert path.read_text() == "kept"


@pytest.mark.parametrize("name", ["none/r", "."])
def test_a_recording_that_can_not_be_written_is_told_by_name(name: str, tmp_path: Path) -> None:
    with pytest.raises(RecordingError) as caught:
        Recorder(tmp_path / name)
    assert str(caught.value).startswith(str(tmp_path))


# One row a fault: the second line of the file, and what is said of it.
ROWS = {
    "no time": ("usb1 opened", "'usb1 opened'; accepted is AT_NS LINE WHAT [TEXT]"),
    "a negative time": ("-1 usb1 opened", "'-1 usb1 opened'; accepted is AT_NS LINE WHAT"),
    "a time in seconds": ("1.5 usb1 opened", "'1.5 usb1 opened'; accepted is AT_NS LINE WHAT"),
    "a time without end": ("9" * 5000 + " usb1 opened", "accepted is AT_NS LINE WHAT [TEXT]"),
    "too few words": ("1 usb1", "'1 usb1'; accepted is AT_NS LINE WHAT [TEXT]"),
    "an unknown word": ("1 usb1 heard 2b", "'heard'; accepted are <, >, timed-out, opened, "
                                           "lost, silent, edge, doubt, placed, command"),
    "no limit": ("1 usb1 silent long", "'long'; accepted is silent LIMIT_NS"),
    "half a byte": ("1 usb1 < 2b3", "no hex: "),
    "text for hex": ("1 usb1 > hello", "no hex: "),
    "no bin": ("1 b1 placed", "accepted is placed BIN"),
    "no JSON": ("1 b1 command retry", "accepted is command JSON"),
    "JSON of another kind": ("1 b1 command [1]", "'[1]'; accepted is a JSON object"),
    "brackets without end": ("1 b1 command " + "[" * 5000, "accepted is command JSON"),
}  # fmt: skip


@pytest.mark.parametrize("name", ROWS)
def test_a_wrong_entry_is_told_by_file_line_and_what_is_accepted(
    name: str, tmp_path: Path
) -> None:
    line, said = ROWS[name]
    path = tmp_path / "r"
    path.write_text(f"1 usb1 opened\n{line}\n")
    entries = read_recording(path)
    assert next(entries) == Entry(1, "usb1", "opened")
    with pytest.raises(RecordingError) as caught:
        next(entries)
    assert str(caught.value).startswith(f"{path}:2: ")
    assert said in str(caught.value)
    assert len(str(caught.value)) < 400


@pytest.mark.parametrize(
    ("content", "said"),
    [(None, "No such file or directory"), (b"1 usb1 lost \xff\n", "no UTF-8 text")],
    ids=["no file", "latin-1"],
)
def test_a_file_that_can_not_be_read_is_told_by_name(
    content: bytes | None, said: str, tmp_path: Path
) -> None:
    path = tmp_path / "r"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(RecordingError, match=said) as caught:
        list(read_recording(path))
    assert str(caught.value).startswith(f"{path}: ")


def test_a_full_disk_ends_the_recording_and_nothing_else(tmp_path: Path) -> None:
    """A limit on the size of files stands for the full disk: writing fails the same way."""
    path = tmp_path / "r"
    code = f"""
import resource
from pathlib import Path
from daemon.recording import Recorder
resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, 10_000))
recorder = Recorder(Path({str(path)!r}))
for at in range(3_000):
    recorder.note(at, "usb1", "<", "2b302e30303431")
recorder.close()
print("went on")
"""
    root = Path(__file__).parents[2]
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=root, capture_output=True, text=True, timeout=60
    )
    assert done.stdout == "went on\n"
    assert done.stderr.count("the recording ends here: File too large") == 1
    assert path.stat().st_size <= 10_000
