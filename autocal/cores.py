"""What this process may compute with: processor cores, and a CUDA card where there is one."""

from __future__ import annotations

import os
import sys
from functools import cache
from pathlib import Path

_TIME_LIMIT = Path("/sys/fs/cgroup/cpu.max")
_DRIVER = Path("/dev/nvidiactl")


def cores() -> int:
    """Cores the process may run on: fewer than the machine has where it was given fewer, or less time."""
    if hasattr(os, "sched_getaffinity"):
        return min(len(os.sched_getaffinity(0)), _cores_worth_of_time())
    return os.cpu_count() or 1


@cache
def _cores_worth_of_time() -> int:
    """What a container may use: https://docs.kernel.org/admin-guide/cgroup-v2.html, cpu.max: two numbers of
    microseconds, may run and in how long; the first is "max" where there is no limit."""
    try:
        most, period = map(int, _TIME_LIMIT.read_text().split())
    except (OSError, ValueError):
        return sys.maxsize
    return max(1, -(-most // period))


def has_cuda_card() -> bool:
    """Whether torch can compute on a CUDA card here."""
    if not _DRIVER.exists():  # torch takes seconds to load and a quarter of a gigabyte
        return False
    import torch

    return torch.cuda.is_available()
