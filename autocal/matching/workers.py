"""Two eyes, two threads: work on small tensors gains more from that than from threads inside."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import TypeVar

T = TypeVar("T")
Item = TypeVar("Item")


class Workers:
    """Maps a function over a few items, in order, on two threads."""

    def __init__(self, pool: ThreadPoolExecutor) -> None:
        self._pool = pool

    def map(self, function: Callable[[Item], T], items: list[Item]) -> list[T]:
        """function(item) for each item; the first exception is raised."""
        return list(self._pool.map(function, items))


@contextmanager
def two_workers() -> Iterator[Workers]:
    """Workers, with torch's own threads at rest meanwhile.

    Torch splits every small product among its threads and waits for the slowest; on a busy machine
    that waiting costs far more than the product.
    """
    import torch

    threads = torch.get_num_threads()
    torch.set_num_threads(1)
    try:
        with ThreadPoolExecutor(2) as pool:
            yield Workers(pool)
    finally:
        torch.set_num_threads(threads)
