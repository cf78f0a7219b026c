"""What there is room for on this machine: memory that is free, and cores."""

from __future__ import annotations

import os
from pathlib import Path

# Share of the memory that is free now which the workers may fill together.
SHARE = 0.8
# Assumed free where the system does not say.
_UNKNOWN_MB = 4096.0


def free_memory_mb() -> float:
    """Return the memory that new work may take, in MB (2^20 bytes): the machine's, or the share
    of it that a container may have, whichever is less.
    """
    return min(_machine_mb(), _container_mb())


def _machine_mb() -> float:
    try:
        for line in Path("/proc/meminfo").read_text("ascii").splitlines():
            if line.startswith("MemAvailable:"):
                return int(line.split()[1]) / 1024.0
    except (OSError, ValueError, IndexError):
        pass
    try:
        return os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_AVPHYS_PAGES") / 2.0**20
    except (AttributeError, ValueError, OSError):
        return _UNKNOWN_MB


def _container_mb(folder: Path = Path("/sys/fs/cgroup")) -> float:
    """Return what the control group (version 2) leaves; infinite where it sets no limit."""
    try:
        most, used = ((folder / f"memory.{name}").read_text("ascii") for name in ("max", "current"))
        return max(0.0, (int(most) - int(used)) / 2.0**20)
    except (OSError, ValueError):  # no such group, or "max"
        return float("inf")


def cores(folder: Path = Path("/sys/fs/cgroup")) -> int:
    """Return how many cores this process may use: it is held to some, its container to others."""
    try:
        found = len(os.sched_getaffinity(0))
    except AttributeError:  # not on every system
        found = os.cpu_count() or 1
    try:
        quota, period = (folder / "cpu.max").read_text("ascii").split()
        found = min(found, round(int(quota) / int(period)))
    except (OSError, ValueError):  # no such group, or "max"
        pass
    return max(1, found)
