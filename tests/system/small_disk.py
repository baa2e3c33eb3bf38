"""A small disk of its own for the store: to fill it, to refuse writing, to break it.

with small_disk(folder / "disk") as disk:
    disk.fill() ... disk.free()
with block_disk(folder, ...) as disk:
    disk.refuse_writing() ... disk.allow_writing() ... disk.turn_read_only() ... disk.mend()
"""

import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

__all__ = ["BlockDisk", "SmallDisk", "block_disk", "small_disk"]

_SIZE_MB = 8


def _run(*words: str) -> None:
    subprocess.run(words, check=True, capture_output=True, text=True, timeout=30)


def _need(*programs: str) -> None:
    """Skip the test, naming what is missing, if a disk can't be made here."""
    if os.geteuid() != 0:
        pytest.skip("only root may mount a disk for the store")
    for program in programs:
        if shutil.which(program) is None:
            pytest.skip(f"{program} is missing (Debian: apt install e2fsprogs mount)")


def _mount(*words: str) -> None:
    done = subprocess.run(["mount", *words], capture_output=True, text=True, timeout=30)
    if done.returncode:
        pytest.skip(f"mounting is not permitted here: {done.stderr.strip()}")


class SmallDisk:
    """A file system of a few megabytes, in memory.

    Attributes:
        folder: Where it is mounted.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._filler = folder / "filler"

    def fill(self) -> None:
        """Write until nothing goes any more."""
        with self._filler.open("ab", buffering=0) as filler:
            for size in (65536, 4096, 1):
                try:
                    while True:
                        filler.write(bytes(size))
                except OSError:
                    continue

    def free(self) -> None:
        self._filler.unlink()

    def remount(self, how: str) -> None:
        _run("mount", "-o", f"remount,{how}", str(self.folder))


class BlockDisk:
    """A file system on a block device, as a disk has it.

    Attributes:
        folder: Where it is mounted.
    """

    def __init__(self, image: Path, folder: Path) -> None:
        self.folder = folder
        self._image = image

    def refuse_writing(self, *files: Path) -> None:
        """Let the system refuse every write to these files, also through open handles."""
        _run("chattr", "+i", *map(str, files))

    def allow_writing(self, *files: Path) -> None:
        _run("chattr", "-i", *map(str, files))

    def turn_read_only(self) -> None:
        """Let the file system meet an error: it goes read-only, as after a bad block."""
        device = Path(self._device()).name
        trigger = Path(f"/sys/fs/ext4/{device}/trigger_fs_error")
        if not trigger.exists():
            pytest.skip("this kernel can't feign an error of a file system")
        trigger.write_text("1\n", encoding="ascii")

    def mend(self) -> None:
        """Unmount, check and mount again: nobody may hold a file on it."""
        _run("umount", str(self.folder))
        done = subprocess.run(
            ["e2fsck", "-f", "-y", str(self._image)], capture_output=True, timeout=30
        )
        assert done.returncode in (0, 1), done.stdout  # 1: errors were corrected
        self.mount()

    def mount(self) -> None:
        _mount("-o", "loop,errors=remount-ro", str(self._image), str(self.folder))

    def _device(self) -> str:
        for line in Path("/proc/mounts").read_text(encoding="utf-8").splitlines():
            device, folder, *_ = line.split()
            if folder == str(self.folder):
                return device
        raise AssertionError(f"{self.folder} is not mounted")


@contextmanager
def small_disk(folder: Path) -> Iterator[SmallDisk]:
    """Make a file system of a few megabytes in memory and mount it."""
    _need("mount", "umount")
    folder.mkdir()
    _mount("-t", "tmpfs", "-o", f"size={_SIZE_MB}m", "tmpfs", str(folder))
    try:
        yield SmallDisk(folder)
    finally:
        _run("umount", "-l", str(folder))


@contextmanager
def block_disk(folder: Path) -> Iterator[BlockDisk]:
    """Make an ext4 of a few megabytes in a file and mount it."""
    _need("mount", "umount", "mkfs.ext4", "e2fsck", "chattr")
    folder.mkdir()
    image = folder.with_suffix(".img")
    image.write_bytes(bytes(_SIZE_MB * 2**20))
    _run("mkfs.ext4", "-q", "-F", str(image))
    disk = BlockDisk(image, folder)
    disk.mount()
    try:
        yield disk
    finally:
        _run("umount", "-l", str(folder))
