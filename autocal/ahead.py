"""Reading a few items ahead of whoever uses them, in a thread of its own."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Generic, TypeVar

T = TypeVar("T")


class Ahead(Generic[T]):
    """The items of an iterable, up to `most` of them got before they are asked for.

    What goes wrong in getting one is raised where it is asked for. `close` ends the reading, and waits for
    the item that is being got.
    """

    def __init__(self, items: Iterable[T], most: int) -> None:
        self._items = iter(items)
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="reading ahead")
        self._coming: deque[Future[list[T]]] = deque(self._thread.submit(self._next) for _ in range(most))

    def __iter__(self) -> Ahead[T]:
        return self

    def __next__(self) -> T:
        found = self._coming.popleft().result() if self._coming else []
        if not found:
            self.close()
            raise StopIteration
        self._coming.append(self._thread.submit(self._next))
        return found[0]

    def close(self) -> None:
        """Get no more items."""
        self._coming.clear()
        self._thread.shutdown(cancel_futures=True)

    def _next(self) -> list[T]:
        """The next item; none where there are no more."""
        return [item for _, item in zip(range(1), self._items, strict=False)]
