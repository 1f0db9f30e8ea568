"""What this process may compute with: processor cores, and a CUDA card where there is one."""

from __future__ import annotations

import os
from pathlib import Path

_DRIVER = Path("/dev/nvidiactl")


def cores() -> int:
    """Cores that the process may run on: fewer than the machine has where it was given fewer."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def has_cuda_card() -> bool:
    """Whether torch can compute on a CUDA card here."""
    if not _DRIVER.exists():  # torch takes seconds to load and a quarter of a gigabyte
        return False
    import torch

    return torch.cuda.is_available()
