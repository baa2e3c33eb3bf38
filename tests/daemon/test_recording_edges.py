"""Recordings hold what modem lines said; what was recorded before is read as ever."""

from pathlib import Path

import pytest

from daemon.errors import RecordingError
from daemon.modem_lines import ModemDoubt, ModemEdge
from daemon.recording import Entry, Recorder, read_recording

EDGE = ModemEdge(at_ns=2_030, line="dsr", is_on=True, since_ns=2_000)
DOUBT = ModemDoubt(3_000, "cts", "on since the line was opened")
WELL = ModemDoubt(4_000, "cts", "")

OLD = """\
# a recording of an earlier version
1 usb1 opened
2 usb1 < 2b30
2 usb1 > 3f
3 b1 placed 1
4 usb1 lost /dev/x is gone: EIO
"""


def test_what_modem_lines_said_comes_back_as_it_was(tmp_path: Path) -> None:
    recorder = Recorder(tmp_path / "r")
    for event in (EDGE, DOUBT, WELL):
        recorder.note_modem("usb1", event)
    recorder.close()
    assert (tmp_path / "r").read_text() == (
        "2030 usb1 edge dsr on 2000\n"
        "3000 usb1 doubt cts on since the line was opened\n"
        "4000 usb1 doubt cts\n"
    )
    entries = list(read_recording(tmp_path / "r"))
    assert [entry.modem_event() for entry in entries] == [EDGE, DOUBT, WELL]
    assert [entry.where for entry in entries] == ["usb1"] * 3


def test_recordings_of_before_are_read_as_ever(tmp_path: Path) -> None:
    (tmp_path / "r").write_text(OLD)
    assert list(read_recording(tmp_path / "r")) == [
        Entry(1, "usb1", "opened"),
        Entry(2, "usb1", "<", "2b30"),
        Entry(2, "usb1", ">", "3f"),
        Entry(3, "b1", "placed", "1"),
        Entry(4, "usb1", "lost", "/dev/x is gone: EIO"),
    ]
    assert all(entry.modem_event() is None for entry in read_recording(tmp_path / "r"))


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("5 usb1 edge dtr on 1", "accepted is edge CONTACT on|off SINCE_NS"),
        ("5 usb1 edge dsr up 1", "accepted is edge CONTACT on|off SINCE_NS"),
        ("5 usb1 edge dsr on", "accepted is edge CONTACT on|off SINCE_NS"),
        ("5 usb1 doubt", "accepted is doubt CONTACT WHY"),
        ("5 usb1 edges dsr on 1", "accepted are <, >, timed-out, opened, lost"),
    ],
)
def test_a_wrong_entry_is_refused_with_its_line_number(
    tmp_path: Path, line: str, told: str
) -> None:
    (tmp_path / "r").write_text(f"{OLD}{line}\n")
    with pytest.raises(RecordingError, match=r"r:7: ") as caught:
        list(read_recording(tmp_path / "r"))
    assert told in str(caught.value)


def test_ports_read_side_by_side_may_be_a_task_switch_out_of_order(tmp_path: Path) -> None:
    (tmp_path / "r").write_text("9000000 usb1 < 2b\n8000000 usb2 < 2b\n")
    assert [entry.at_ns for entry in read_recording(tmp_path / "r")] == [9_000_000, 8_000_000]


def test_time_that_runs_backwards_is_still_refused(tmp_path: Path) -> None:
    (tmp_path / "r").write_text("9000000000 usb1 < 2b\n7000000000 usb1 < 2b\n")
    with pytest.raises(RecordingError, match="runs backwards"):
        list(read_recording(tmp_path / "r"))
