"""What a person sees while a batch runs: how many clips are done, and how far those in work are."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeElapsedColumn

from autocal.batch.orders import ClipResult
from autocal.batch.run import Watch
from autocal.batch.work import Task

if TYPE_CHECKING:
    from autocal.batch.engine import Happening


class BatchDisplay(Watch):
    """Live bars on the terminal, and a line for each clip when it ends."""

    def __init__(self, names: Sequence[str], *, hidden: bool) -> None:
        self._names = names
        self._console = Console(stderr=True, quiet=hidden)
        self._bars = Progress(
            TextColumn("{task.description}", markup=False),
            BarColumn(bar_width=32),
            TextColumn("{task.completed:.0f}/{task.total:.0f}"),
            TimeElapsedColumn(),
            console=self._console,
            transient=True,
        )
        self._all = self._bars.add_task("clips", total=len(names))
        self._of_clip: dict[int, TaskID] = {}
        self._shares: dict[int, dict[int, int]] = {}
        self._done: dict[int, dict[int, float]] = {}

    def __enter__(self) -> BatchDisplay:
        """Show the bars."""
        self._bars.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Take them away."""
        self._bars.stop()

    def tasks(self, clip: int, tasks: Sequence[tuple[int, Task]]) -> None:
        """The next step of a clip begins."""
        self._shares[clip] = {number: task.share for number, task in tasks}
        self._done[clip] = {}
        if clip not in self._of_clip:
            self._of_clip[clip] = self._bars.add_task(f"{self._names[clip]}: waits", total=1)

    def happening(self, news: Happening) -> None:
        """How far a task is; comes from the engine's own thread."""
        shares = self._shares.get(news.clip, {})
        bar = self._of_clip.get(news.clip)
        if news.task not in shares or bar is None:
            return
        # A task that begins again on another worker counts from its beginning.
        self._done[news.clip][news.task] = shares[news.task] * news.done / max(news.total, 1)
        self._bars.update(
            bar,
            description=f"{self._names[news.clip]}: {news.stage}",
            completed=sum(list(self._done[news.clip].values())),
            total=sum(shares.values()),
        )

    def ended(self, clip: int, result: ClipResult) -> None:
        """A clip is done."""
        bar = self._of_clip.pop(clip, None)
        if bar is not None:
            self._bars.remove_task(bar)
        self._bars.advance(self._all)
        style = "" if result.is_well else "bold"
        self._console.print(
            f"{result.name}: {result.state}: {result.message}",
            markup=False,
            style=style,
            highlight=False,
            soft_wrap=True,
        )

    def fault(self, clip: int, trace: str) -> None:
        """The program failed at a clip: where."""
        self._console.print(trace, markup=False, highlight=False)
