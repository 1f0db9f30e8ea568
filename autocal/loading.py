"""Heavy modules loaded while there is something else to wait for."""

from __future__ import annotations

import gc
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from importlib import import_module
from threading import Event, Thread


@contextmanager
def loading(modules: Sequence[str]) -> Iterator[None]:
    """Import modules, in that order, in a thread beside the block; whoever needs one waits for it as usual.

    What the thread has not come to when the block ends is left; where it ends in an exception, the thread
    may go on for a moment. What cannot be imported is said where it is needed.
    """
    ended = Event()

    def load() -> None:
        # Modules are never garbage; looking for some among them, over and over or once afterwards, takes a
        # sixth of the time.
        gc.disable()
        try:
            for name in modules:
                if ended.is_set():
                    return
                with suppress(ImportError):
                    import_module(name)
        finally:
            gc.freeze()
            gc.enable()

    thread = Thread(target=load, name="loading", daemon=True)
    thread.start()
    try:
        yield
    except BaseException:
        # Not waited for: an interrupt may have come while the lock of all imports was held, and then
        # nobody gives that back.
        ended.set()
        raise
    ended.set()
    thread.join()
