"""How much memory a process holds, and how much processor time it took (proc(5), /proc/PID)."""

from __future__ import annotations

import os
from pathlib import Path

__all__ = ["held_mib", "peak_mib", "processor_s"]


def held_mib(process: int) -> int:
    """Resident and swapped memory now, in MiB; 0 for a process that has ended, and on systems without /proc."""
    return _read_mib(process, "VmRSS:", "VmSwap:")


def peak_mib(process: int) -> int:
    """The most resident memory so far, in MiB; 0 as in `held_mib`.

    ru_maxrss is not usable: on Linux it includes the peak of the process that started this one.
    """
    return _read_mib(process, "VmHWM:")


def processor_s(process: int) -> float:
    """Processor time of all threads so far, of the program and of the system for it, in s; 0 as in `held_mib`."""
    try:
        # The name, in brackets, may hold spaces.
        fields = Path(f"/proc/{process}/stat").read_text(encoding="utf-8", errors="replace").rpartition(")")[2].split()
    except OSError:
        return 0.0
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _read_mib(process: int, *names: str) -> int:
    try:
        lines = Path(f"/proc/{process}/status").read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return 0
    return sum(int(line.split()[1]) for line in lines if line.startswith(names)) // 1024
