"""Heavy modules loaded while there is something else to wait for."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from importlib import import_module
from threading import Thread


@contextmanager
def loading(modules: Sequence[str]) -> Iterator[None]:
    """Import modules, in that order, in a thread beside the block; whoever needs one waits for it as usual.

    What cannot be imported is said where it is needed.
    """

    def load() -> None:
        for name in modules:
            with suppress(ImportError):
                import_module(name)

    thread = Thread(target=load, name="loading")
    thread.start()
    try:
        yield
    finally:
        thread.join()
