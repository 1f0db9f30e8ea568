"""The engine of a batch: dask.distributed, on this machine's cores or on a cluster that runs already.

A token file in the batch's folder lives as long as the batch does: workers that do not see it cannot reach
the folder, and a task that misses it on the way ends itself, as nothing else stops a running task from afar.
"""

from __future__ import annotations

import logging
import os
import signal
import socket
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from uuid import uuid4

import dask
from dask.system import CPU_COUNT
from distributed import (
    Client,
    Future,
    KilledWorker,
    LocalCluster,
    Nanny,
    WorkerPlugin,
    as_completed,
    get_worker,
)
from distributed.system import MEMORY_LIMIT

from autocal.batch.orders import Failure
from autocal.batch.work import Kept, Outcome, Stopped, Task, attempt
from autocal.errors import ClusterError, OutputError
from autocal.version import program_version

#: What a piece of an 8192x4096 film, or the solve of such a clip, takes at most, in bytes; with some room.
_MEMORY_EACH = 3.5 * 2**30
#: Cores that one task keeps busy by itself: encoders, remapping and matching have threads of their own.
_CORES_EACH = 2
_TELL_EVERY_S, _LOOK_EVERY_S = 0.25, 1.0
_CONNECT_S, _STOP_S = 10, 15


@dataclass(frozen=True)
class Happening:
    """How far a task is. clip: its place in the batch; task: its number; pid: of the worker's process."""

    clip: int
    task: int
    stage: str
    done: int
    total: int
    worker: str
    pid: int


Listener = Callable[[Happening], None]


class Engine:
    """Runs tasks on the workers of a cluster. count: of tasks begun, which is the last one's number."""

    def __init__(self, client: Client, token: Path) -> None:
        self._client, self.token = client, token
        self._completed = as_completed()
        self.count = 0

    def slots(self) -> int:
        """Tasks that the workers there are now can do at the same time."""
        return sum(self._client.nthreads().values())

    def submit(self, task: Task, clip: int) -> Future:
        """Begin a task of the clip at place `clip`; clips that came first go first."""
        self.count += 1
        arguments = [a.handle if isinstance(a, Kept) else a for a in task.arguments]
        future = self._client.submit(
            on_worker,
            task.work,
            str(self.token),
            clip,
            self.count,
            program_version(),
            *arguments,
            key=f"autocal-{task.work.__name__}-{self.token.name}-{self.count}",
            priority=-clip,
            pure=False,
        )
        self._completed.add(future)
        return future

    def next_done(self) -> tuple[Future, Outcome]:
        """Wait for a task to end. Raises ClusterError where the scheduler is lost."""
        future = next(self._completed)
        try:
            return future, future.result()
        except KilledWorker as killed:
            died = Failure(
                f"the workers died {killed.allowed_failures + 1} times at this: too little memory? "
                "Give --workers 1, or a smaller --size"
            )
            return future, Outcome(failure=died)
        except CancelledError as error:
            raise ClusterError(
                "the scheduler of the workers was lost. What is finished is kept: see that it runs, "
                "then give the same command again"
            ) from error
        except Exception as error:
            said = f"the worker could not do it: {type(error).__name__}: {error}"
            return future, Outcome(failure=Failure(said))

    def forget(self, futures: Sequence[Future]) -> None:
        """Do not begin those of the tasks that have not begun."""
        self._client.cancel(list(futures))


def on_worker(
    work: Callable[..., Any], token: str, clip: int, task: int, program: str, *arguments: Any
) -> Outcome:
    """Do a task on a worker, telling how far it is; it ends where the token is gone."""
    if program != program_version():
        words = f"a worker on {socket.gethostname()} has autocal {program_version()}, the batch {program}"
        return Outcome(failure=Failure(f"{words}: install the same version everywhere"))
    return attempt(work, arguments, _Teller(Path(token), clip, task))


class _Teller:
    """Progress from inside a task."""

    def __init__(self, token: Path, clip: int, task: int) -> None:
        self._worker = get_worker()
        self._token, self._clip, self._task = token, clip, task
        self._told = self._looked = float("-inf")
        self._stage = ""

    def __call__(self, stage: str, done: int, total: int) -> None:
        now = time.monotonic()
        if now - self._looked >= _LOOK_EVERY_S:
            self._looked = now
            if not self._token.exists():
                raise Stopped
        if stage != self._stage or done == total or now - self._told >= _TELL_EVERY_S:
            self._told, self._stage = now, stage
            happening = (self._clip, self._task, stage, done, total, str(self._worker.name), os.getpid())
            self._worker.log_event(self._token.name, happening)


class _LocalWorker(WorkerPlugin):
    """Keeps each worker of a local cluster, and so the number of its threads, to cores of its own."""

    name = "local-worker"

    def __init__(self, cores_each: int) -> None:
        self._each = cores_each

    def setup(self, worker: Any) -> None:
        # Ctrl-C reaches every process of the terminal; what is to end, and how, is the batch's business.
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        if hasattr(os, "sched_setaffinity"):
            allowed = sorted(os.sched_getaffinity(0))
            first = int(worker.name) * self._each
            os.sched_setaffinity(0, {allowed[n % len(allowed)] for n in range(first, first + self._each)})


@contextmanager
def local_engine(
    out: Path,
    *,
    workers: int | None = None,
    most: int | None = None,
    listener: Listener | None = None,
) -> Iterator[Engine]:
    """An engine of worker processes on this machine, gone when the block ends.

    workers: how many; by default as many as its cores and its memory bear, and at most `most`.
    """
    count = workers or local_workers(CPU_COUNT, MEMORY_LIMIT)
    count = count if most is None else max(min(count, most), 1)
    each = max(CPU_COUNT // count, 1)
    # Dask would have workers hand memory back at once: a third of a check's processor time goes into that.
    threads = {f"{library}_NUM_THREADS": str(each) for library in ("OMP", "MKL", "OPENBLAS")}
    settings = {
        "distributed.nanny.pre-spawn-environ": threads,
        "distributed.logging": {"distributed": "critical", "tornado": "critical"},
    }
    with tempfile.TemporaryDirectory(prefix="autocal-") as scratch, dask.config.set(settings):
        cluster = LocalCluster(
            n_workers=count,
            threads_per_worker=1,
            memory_limit=0,  # dask counts what it holds itself, which is nothing here
            dashboard_address="127.0.0.1:0",
            worker_class=Nanny,
            local_directory=scratch,
            silence_logs=logging.CRITICAL,
        )
        with cluster, Client(cluster) as client:
            client.register_plugin(_LocalWorker(each))
            with _running(client, out, listener) as engine:
                yield engine


def local_workers(cores: int, memory: float) -> int:
    """How many workers a machine bears."""
    return max(min(cores // _CORES_EACH, int(memory // _MEMORY_EACH)), 1)


@contextmanager
def remote_engine(
    out: Path, scheduler: str, *, clips: Sequence[Path], listener: Listener | None = None
) -> Iterator[Engine]:
    """An engine on a cluster that runs already.

    Raises ClusterError where it cannot be reached, has no workers, or they lack the program or the files.
    """
    try:
        client = Client(scheduler, timeout=_CONNECT_S)
    except (OSError, ValueError, TypeError) as error:
        raise ClusterError(f"no scheduler answers at {scheduler}: see that it runs, and its port") from error
    with _silent_client(), client, _running(client, out, listener) as engine:
        try:
            client.wait_for_workers(1, timeout=_CONNECT_S)
        except TimeoutError as error:
            raise ClusterError(
                f"the scheduler at {scheduler} has no workers: start some with "
                f"`dask worker {scheduler} --nthreads 1`"
            ) from error
        _see_that_all_can_work(client, engine, clips)
        yield engine


def _see_that_all_can_work(client: Client, engine: Engine, clips: Sequence[Path]) -> None:
    try:
        told = client.run(lacking, [str(engine.token), *map(str, clips)])
    except Exception as error:
        raise ClusterError(
            f"the workers cannot run autocal ({error}): install version {program_version()} on each"
        ) from error
    for worker, missing in told.items():
        if missing:
            raise ClusterError(
                f"the worker at {worker} does not see {missing[0]}: clips, calibration and --out must "
                "lie under the same paths on every worker"
            )


def lacking(paths: Sequence[str]) -> list[str]:
    """Those of the paths that are not there."""
    return [path for path in paths if not Path(path).exists()]


@contextmanager
def _silent_client() -> Iterator[None]:
    """Keeps dask from saying at length, beside our own error, that the scheduler was lost."""
    log = logging.getLogger("distributed.client")
    level = log.level
    log.setLevel(logging.CRITICAL)
    try:
        yield
    finally:
        log.setLevel(level)


@contextmanager
def _running(client: Client, out: Path, listener: Listener | None) -> Iterator[Engine]:
    """An engine whose tasks run while the block does, and end with it."""
    token = out / f".batch-{uuid4().hex[:12]}"
    try:
        token.touch()
    except OSError as problem:
        raise OutputError(f"{out} cannot be written: {problem.strerror or problem}") from problem
    if listener is not None:
        client.subscribe_topic(token.name, lambda event: listener(Happening(*event[1])))
    try:
        yield Engine(client, token)
    finally:
        token.unlink(missing_ok=True)
        with suppress(Exception):  # the scheduler may be what is gone
            _wait_until_idle(client, token.name)


def _wait_until_idle(client: Client, mark: str) -> None:
    """Tasks that miss the token end at their next sign of progress: give them time to tidy up."""
    until = time.monotonic() + _STOP_S
    while time.monotonic() < until:
        stacks = client.call_stack(keys=None) or {}
        if not any(mark in str(key) for tasks in stacks.values() for key in tasks):
            return
        time.sleep(0.2)
