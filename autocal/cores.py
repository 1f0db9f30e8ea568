"""How many processor cores this process may use."""

from __future__ import annotations

import os


def cores() -> int:
    """Cores that the process may run on: fewer than the machine has where it was given fewer."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
