"""How the C library hands out memory: for the whole process, before it starts threads.

Without effect where the C library is not GNU's.
"""

from __future__ import annotations

import mmap
import sys
from contextlib import suppress

import numpy as np

#: mallopt(3) of the GNU C library.
_TRIM_THRESHOLD, _TOP_PAD, _MMAP_MAX, _ARENA_MAX = -1, -2, -4, -8
_LARGEST = 2**31 - 1  # mallopt takes an int


def share_one_heap() -> None:
    """Let all threads take from one heap, so that what one gives back the next can use."""
    _set(_ARENA_MAX, 1)


def keep_freed_memory() -> None:
    """Keep what is given back, in one heap, for the next array, instead of returning it to the system.

    Otherwise every array of a few MB is mapped, cleared page by page and unmapped again: a seventh of a
    solve's time. Large ones too: an ST map then lies where decoded pictures lay.
    """
    share_one_heap()
    _set(_MMAP_MAX, 0)
    _set(_TRIM_THRESHOLD, _LARGEST)
    _set(_TOP_PAD, 2**26)


def make_room(*sizes: int) -> None:
    """Have the system clear pieces of so many bytes now: with freed memory kept, later arrays lie there.

    Where there are not so many, that is for the later arrays to tell.
    """
    with suppress(MemoryError):
        pieces = [np.empty(size, dtype=np.uint8) for size in sizes]  # all at a time, each in its own place
        for piece in pieces:
            piece[:: mmap.PAGESIZE] = 0  # a byte of a page is enough to have it


def _set(option: int, value: int) -> None:
    if sys.platform != "linux":
        return
    import ctypes

    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is not None:
        mallopt(option, value)
