"""Pictures drawn in a process of their own, beside the solver.

Loading what drawing takes is a second's work, and drawing another. The solver leaves a core idle for longer
than that, but a thread of the same process would make it wait for Python's lock.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
from collections.abc import Callable, Sequence
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from contextlib import suppress
from functools import partial
from threading import Lock
from typing import IO, Any, ParamSpec, TypeVar

import numpy as np
from numpy.typing import NDArray

from autocal.allocator import keep_freed_memory
from autocal.errors import OutputError

P = ParamSpec("P")
T = TypeVar("T")

_Array = NDArray[Any]
#: A picture, not a few numbers.
_LARGE_BYTES = 1 << 20
#: The process finds modules where this one does.
_CODE = "import sys; sys.path[:] = sys.argv[1:]; from autocal.report.drawing import serve; serve()"


class DrawingProcess(Executor):
    """Calls functions in another process, one after the other; it is started for the first of them.

    Functions and arguments go there by pickle, results and exceptions come back by it. A large array that is
    an argument again is there already, as it was when it went. Leaving the block ends the process, whatever
    it is at.
    """

    def __init__(self) -> None:
        self._asking = ThreadPoolExecutor(1, "drawing")
        self._process: subprocess.Popen[bytes] | None = None
        self._sent: list[_Array] = []  # kept, as they are known by their places in memory
        self._ended, self._starting = False, Lock()

    def submit(self, fn: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Future[T]:
        """Have it called. The future raises what it raises, and OutputError where the process has ended."""
        return self._asking.submit(self._call, partial(fn, *args, **kwargs))

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """End the process: what has not come of it by now does not come. Always waits, which is short."""
        self._asking.shutdown(wait=False, cancel_futures=True)
        with self._starting:
            self._ended = True
        process = self._process
        if process is not None:
            process.kill()
            process.wait()
        self._asking.shutdown()
        for pipe in (process.stdin, process.stdout) if process else ():
            assert pipe is not None
            with suppress(OSError):  # something was still to be sent
                pipe.close()

    def _call(self, job: partial[T]) -> T:
        try:
            to_process, from_process = self._pipes()
            for each in job.args:
                if _is_large(each) and self._number(each) is None:
                    pickle.dump(each, to_process, pickle.HIGHEST_PROTOCOL)
                    self._sent.append(each)
            _Numbering(to_process, self._number).dump(job)
            to_process.flush()
            result, problem = pickle.load(from_process)
        except (OSError, EOFError, pickle.UnpicklingError) as ended:
            raise OutputError(
                "the pictures could not be drawn: the process that draws them could not be started or was "
                "ended from outside, perhaps for want of memory; try again with less else running"
            ) from ended
        if problem is not None:
            raise problem
        return result

    def _number(self, thing: object) -> int | None:
        """Which of the arrays that were sent this is, if any."""
        return next((number for number, sent in enumerate(self._sent) if sent is thing), None)

    def _pipes(self) -> tuple[IO[bytes], IO[bytes]]:
        with self._starting:
            if self._ended:
                raise EOFError
            if self._process is None:
                self._process = subprocess.Popen(
                    [sys.executable, "-c", _CODE, *sys.path],
                    stdin=subprocess.PIPE,
                    stdout=subprocess.PIPE,
                    process_group=0,  # Ctrl-C in a terminal is for this process, which ends that one
                )
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        return self._process.stdin, self._process.stdout


def _is_large(thing: object) -> bool:
    return isinstance(thing, np.ndarray) and thing.nbytes >= _LARGE_BYTES


class _Numbering(pickle.Pickler):
    """Writes a number for what the process has already, and nothing else of it."""

    def __init__(self, file: IO[bytes], number: Callable[[object], int | None]) -> None:
        super().__init__(file, pickle.HIGHEST_PROTOCOL)
        self._number = number

    def persistent_id(self, obj: object) -> int | None:
        return self._number(obj)


class _Numbered(pickle.Unpickler):
    """Reads what `_Numbering` wrote. kept: the arrays by their numbers."""

    def __init__(self, file: IO[bytes], kept: Sequence[_Array]) -> None:
        super().__init__(file)
        self._kept = kept

    def persistent_load(self, pid: int) -> _Array:
        return self._kept[pid]


def serve() -> None:
    """What the process does: calls what comes on stdin and answers on stdout, until nothing more can come."""
    keep_freed_memory()
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # whatever else is printed is no answer
    kept: list[_Array] = []
    while True:
        try:
            job = _Numbered(sys.stdin.buffer, kept).load()
        except EOFError:
            return
        if isinstance(job, np.ndarray):
            kept.append(job)
            continue
        result, problem = None, None
        try:
            result = job()
        except Exception as error:
            problem = error
        pickle.dump((result, problem), answers)
        answers.flush()
