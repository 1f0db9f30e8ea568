"""How far long work is: a bar for each stage, on the terminal's error stream."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def stage_bars(hidden: bool) -> Iterator[Callable[[str, int, int], None]]:
    """Takes a stage, how much of it is done and how much there is; hidden: shows nothing."""
    if hidden:
        yield lambda stage, done, total: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeElapsedColumn

    with Progress(
        TextColumn("{task.description:<10}"),
        BarColumn(bar_width=32),
        TextColumn("{task.completed:.0f}/{task.total:.0f}"),
        TimeElapsedColumn(),
        console=Console(stderr=True),
    ) as bars:
        tasks: dict[str, TaskID] = {}

        def tell(stage: str, done: int, total: int) -> None:
            if stage not in tasks:
                tasks[stage] = bars.add_task(stage, total=total)
            bars.update(tasks[stage], completed=done, total=total)

        yield tell
