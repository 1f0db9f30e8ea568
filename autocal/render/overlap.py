"""Doing one stage of the work while the next is busy: iterators that run ahead in a thread."""

from __future__ import annotations

import queue
import threading
from collections.abc import Generator, Iterable
from typing import TypeVar

Item = TypeVar("Item")

_END = object()


def ahead(items: Iterable[Item], depth: int) -> Generator[Item, None, None]:
    """The same items in the same order, made in a thread that is at most `depth` items ahead.

    The thread starts on an item when there is room for it. What the items' source raises is raised
    here. When this iterator is closed early, the thread ends after the item it is at.
    """
    waiting: queue.SimpleQueue[object] = queue.SimpleQueue()
    room = threading.Semaphore(depth)
    stop = threading.Event()
    failure: list[BaseException] = []

    def work() -> None:
        source = iter(items)
        try:
            room.acquire()  # before an item is made: no more than `depth` exist and wait
            for item in source:
                waiting.put(item)
                del item  # items are large: hold none longer than needed
                room.acquire()
                if stop.is_set():
                    break
        except BaseException as error:
            failure.append(error)
        finally:
            close = getattr(source, "close", None)
            if close is not None:
                close()
            waiting.put(_END)

    thread = threading.Thread(target=work, name="ahead", daemon=True)
    thread.start()
    try:
        while (item := waiting.get()) is not _END:
            room.release()
            yield item  # type: ignore[misc]
            del item
        if failure:
            raise failure[0]
    finally:
        stop.set()
        room.release()
        thread.join()
