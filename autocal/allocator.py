"""How the C library hands out memory, set for work that takes and gives back many large arrays."""

from __future__ import annotations

import sys

#: mallopt(3) of the GNU C library.
_TRIM_THRESHOLD, _TOP_PAD, _MMAP_THRESHOLD, _ARENA_MAX = -1, -2, -3, -8
_LARGEST = 2**31 - 1  # mallopt takes an int
_LARGEST_MMAP_THRESHOLD = 2**25  # half a heap: more is refused


def keep_freed_memory() -> None:
    """Keep what is given back for the next array, instead of returning it to the system each time.

    Otherwise every array of a few MB is mapped, cleared page by page and unmapped again: a seventh of a
    solve's time. For the whole process, before it starts threads; without effect where the C library is
    another.
    """
    if sys.platform != "linux":
        return
    import ctypes

    try:
        mallopt = ctypes.CDLL(None).mallopt
    except AttributeError:
        return
    mallopt(_ARENA_MAX, 1)  # one heap for all threads: what one gives back the other can use
    mallopt(_MMAP_THRESHOLD, _LARGEST_MMAP_THRESHOLD)
    mallopt(_TRIM_THRESHOLD, _LARGEST)
    mallopt(_TOP_PAD, 2**26)
