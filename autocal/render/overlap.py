"""Doing one stage of the work while the next is busy: iterators that run ahead in a thread."""

from __future__ import annotations

import queue
import threading
from collections.abc import Iterable, Iterator
from typing import TypeVar

Item = TypeVar("Item")

_END = object()


def ahead(items: Iterable[Item], depth: int) -> Iterator[Item]:
    """The same items in the same order, made in a thread that is at most `depth` items ahead.

    What the items' source raises is raised here. When this iterator is closed early, the thread ends
    after the item it is at.
    """
    waiting: queue.Queue[object] = queue.Queue(maxsize=depth)
    stop = threading.Event()
    failure: list[BaseException] = []

    def put(item: object) -> bool:
        while not stop.is_set():
            try:
                waiting.put(item, timeout=0.1)
                return True
            except queue.Full:
                continue
        return False

    def work() -> None:
        source = iter(items)
        try:
            for item in source:
                if not put(item):
                    break
        except BaseException as error:
            failure.append(error)
        finally:
            close = getattr(source, "close", None)
            if close is not None:
                close()
            put(_END)

    thread = threading.Thread(target=work, name="ahead", daemon=True)
    thread.start()
    try:
        while (item := waiting.get()) is not _END:
            yield item  # type: ignore[misc]
        if failure:
            raise failure[0]
    finally:
        stop.set()
        thread.join()
