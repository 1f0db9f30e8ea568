"""Leading every clip of a batch through its steps."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from autocal.batch.engine import Engine
from autocal.batch.orders import ClipOrder, ClipResult
from autocal.batch.records import finished_result
from autocal.batch.work import Course, Kept, Task, course, failed
from autocal.errors import OutputError

#: Tasks begun for each that can run, so that no worker waits; more would only look clips over too early.
_AHEAD = 2


class Watch:
    """What is told while a batch runs; a display overrides what it shows."""

    def tasks(self, clip: int, tasks: Sequence[tuple[int, Task]]) -> None:
        """Tasks of the clip at place `clip` begin: their numbers, as in `Happening`, and themselves."""

    def ended(self, clip: int, result: ClipResult) -> None:
        """All of a clip is done, or it failed."""

    def fault(self, clip: int, trace: str) -> None:
        """The program itself failed at a clip."""


@dataclass(eq=False)
class _Open:
    """A clip in work: its course, and the tasks of the present step."""

    place: int
    order: ClipOrder
    steps: Course
    futures: list[Any]
    values: dict[Any, Any]


def refuse_strangers(orders: Sequence[ClipOrder]) -> None:
    """Raise OutputError where results of something else lie in a clip's folder and may not be replaced."""
    for order in orders:
        if order.overwrite or not order.folder.exists():
            continue
        if not order.folder.is_dir():
            raise OutputError(f"{order.folder} is a file: choose another --out")
        visible = [path for path in order.folder.iterdir() if not path.name.startswith(".")]
        if visible and finished_result(order) is None:
            raise OutputError(
                f"{order.folder} is there already, from other settings, clips or versions: choose another "
                "--out, or replace it with --force"
            )


def run_batch(orders: Sequence[ClipOrder], engine: Engine, watch: Watch | None = None) -> list[ClipResult]:
    """Do all orders; a row for each, in order. Clips that an earlier run finished are not done again.

    Raises ClusterError where the workers are lost.
    """
    watch = watch or Watch()
    results: dict[int, ClipResult] = {}
    waiting: deque[int] = deque()
    for place, order in enumerate(orders):
        known = None if order.overwrite else finished_result(order)
        if known is None:
            waiting.append(place)
        else:
            results[place] = known
            watch.ended(place, known)
    owners: dict[Any, _Open] = {}

    def end(place: int, result: ClipResult) -> None:
        results[place] = result
        watch.ended(place, result)

    def go_on(clip: _Open, kept: Sequence[Kept] | None) -> None:
        """Begin the tasks of the clip's next step; steps without tasks are passed over."""
        try:
            tasks = next(clip.steps) if kept is None else clip.steps.send(kept)
            while not tasks:
                tasks = clip.steps.send([])
        except StopIteration as finished:
            end(clip.place, finished.value)
            return
        clip.futures, clip.values = [], {}
        numbered = []
        for task in tasks:
            future = engine.submit(task, clip.place)
            owners[future.key] = clip
            clip.futures.append(future)
            numbered.append((engine.count, task))
        watch.tasks(clip.place, numbered)

    while waiting or owners:
        while waiting and len(owners) < _AHEAD * max(engine.slots(), 1):
            place = waiting.popleft()
            go_on(_Open(place, orders[place], course(orders[place]), [], {}), None)
        if not owners:
            continue
        future, outcome = engine.next_done()
        clip = owners.pop(future.key, None)
        if clip is None:  # of a clip that failed meanwhile
            continue
        if outcome.failure is not None:
            rest = [f for f in clip.futures if owners.pop(f.key, None) is not None]
            engine.forget(rest)
            clip.steps.close()
            if outcome.failure.trace:
                watch.fault(clip.place, outcome.failure.trace)
            end(clip.place, failed(clip.order, outcome.failure))
            continue
        clip.values[future.key] = outcome.value
        if len(clip.values) == len(clip.futures):
            go_on(clip, [Kept(clip.values[f.key], f) for f in clip.futures])
    return [results[place] for place in range(len(orders))]
