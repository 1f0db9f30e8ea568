"""Pictures drawn in a process of their own, beside the solver.

Loading what drawing takes is a second's work, and drawing another. The solver leaves a core idle for longer
than that, but a thread of the same process would make it wait for Python's lock.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
from collections.abc import Callable
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from contextlib import suppress
from functools import partial
from threading import Lock
from typing import IO, ParamSpec, TypeVar

from autocal.allocator import keep_freed_memory
from autocal.errors import OutputError

P = ParamSpec("P")
T = TypeVar("T")

#: The process finds modules where this one does.
_CODE = "import sys; sys.path[:] = sys.argv[1:]; from autocal.report.drawing import serve; serve()"


class DrawingProcess(Executor):
    """Calls functions in another process, one after the other; it is started for the first of them.

    Functions and arguments go there by pickle, results and exceptions come back by it. Leaving the block ends
    the process, whatever it is at.
    """

    def __init__(self) -> None:
        self._asking = ThreadPoolExecutor(1, "drawing")
        self._process: subprocess.Popen[bytes] | None = None
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

    def _call(self, job: Callable[[], T]) -> T:
        try:
            to_process, from_process = self._pipes()
            pickle.dump(job, to_process, protocol=pickle.HIGHEST_PROTOCOL)
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


def serve() -> None:
    """What the process does: calls what comes on stdin and answers on stdout, until nothing more can come."""
    keep_freed_memory()
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # whatever else is printed is no answer
    while True:
        try:
            job = pickle.load(sys.stdin.buffer)
        except EOFError:
            return
        result, problem = None, None
        try:
            result = job()
        except Exception as error:
            problem = error
        del job  # its pictures, before the next come
        pickle.dump((result, problem), answers)
        answers.flush()
