"""What the kernel says of a process: processor time and resident memory."""

import os
from pathlib import Path

_TICKS_PER_S = os.sysconf("SC_CLK_TCK")


def cpu_s(pid: int) -> float:
    """Return processor seconds used so far, all threads, user and system."""
    stat = Path(f"/proc/{pid}/stat").read_text(encoding="ascii")
    fields = stat.rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / _TICKS_PER_S


def resident_mb(pid: int) -> float:
    """Return resident memory in units of 10^6 bytes."""
    status = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    line = next(text for text in status.splitlines() if text.startswith("VmRSS:"))
    return int(line.split()[1]) * 1024 / 1e6
