"""The pseudo-terminal behind which a simulated indicator sits, read as a port is read."""

import os
from pathlib import Path

import pytest
import serial

from daemon.errors import PortError
from daemon.simulate.pty_line import PtyLine


def test_every_byte_value_comes_through_unchanged_both_ways(tmp_path: Path) -> None:
    line = PtyLine(tmp_path / "indicator")
    line.plug()
    everything = bytes(range(256))
    with serial.Serial(str(line.link), 9600, timeout=2) as port:
        line.write(everything)
        assert port.read(256) == everything
        port.write(everything)
        port.flush()
        heard = b""
        while len(heard) < 256:
            heard += line.read()
        assert heard == everything
    line.unplug()
    assert line.lost_bytes == 0


def test_an_unplugged_line_breaks_its_reader_and_leaves_no_name(tmp_path: Path) -> None:
    line = PtyLine(tmp_path / "indicator")
    line.plug()
    with serial.Serial(str(line.link), 9600, timeout=2) as port:
        line.unplug()
        with pytest.raises(OSError):  # noqa: PT011  (SerialException is an OSError; both come)
            port.read(1)
    assert list(tmp_path.iterdir()) == []
    assert not line.is_plugged


def test_plugged_in_again_the_same_name_leads_to_a_new_line(tmp_path: Path) -> None:
    line = PtyLine(tmp_path / "indicator")
    for word in (b"first", b"second"):
        line.plug()
        with serial.Serial(str(line.link), 9600, timeout=2) as port:
            line.write(word)
            assert port.read(len(word)) == word
        line.unplug()


def test_a_reader_may_leave_and_another_may_come(tmp_path: Path) -> None:
    line = PtyLine(tmp_path / "indicator")
    line.plug()
    for word in (b"one", b"two"):
        with serial.Serial(str(line.link), 9600, timeout=2) as port:
            line.write(word)
            assert port.read(3) == word
    assert line.read() == b""
    line.unplug()


def test_with_nobody_listening_bytes_are_lost_and_counted_and_writing_never_blocks(
    tmp_path: Path,
) -> None:
    line = PtyLine(tmp_path / "indicator")
    line.plug()
    for _ in range(1000):
        line.write(b"x" * 100)
    assert line.lost_bytes > 50_000
    line.unplug()
    line.write(b"gone")
    assert line.lost_bytes > 50_004


def test_a_stale_link_is_taken_over_but_a_file_is_never_replaced(tmp_path: Path) -> None:
    link = tmp_path / "indicator"
    link.symlink_to("/dev/pts/does-not-exist")
    line = PtyLine(link)
    line.plug()
    assert os.readlink(link) == line.tty
    line.unplug()
    link.write_text("somebody's notes")
    with pytest.raises(PortError, match="there is a file already"):
        line.plug()
    assert link.read_text() == "somebody's notes"


def test_a_link_in_a_folder_that_is_not_there_is_refused_by_name(tmp_path: Path) -> None:
    line = PtyLine(tmp_path / "nowhere" / "indicator")
    with pytest.raises(PortError, match="nowhere/indicator: No such file"):
        line.plug()
    assert not line.is_plugged


def test_another_processs_link_is_left_alone_when_unplugging(tmp_path: Path) -> None:
    line = PtyLine(tmp_path / "indicator")
    line.plug()
    line.link.unlink()
    line.link.symlink_to("/dev/pts/somebody-elses")
    line.unplug()
    assert os.readlink(line.link) == "/dev/pts/somebody-elses"
