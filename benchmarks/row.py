"""One line of the table: what was measured, against what bar."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

#: Of the table that rows belong to.
HEAD = "| what | measured | bar | |\n| --- | --- | --- | --- |"


@dataclass(frozen=True)
class Row:
    """what, measured, bar: as they are printed. met: None where there is no bar."""

    what: str
    measured: str
    bar: str = ""
    met: bool | None = None


def print_rows(rows: Iterable[Row]) -> int:
    """Print a table of rows, each as soon as it is there. 1 if a bar is missed, else 0: an exit code."""
    print(HEAD, flush=True)
    missed = 0
    for row in rows:
        verdict = "" if row.met is None else "met" if row.met else "**missed**"
        print(f"| {row.what} | {row.measured} | {row.bar} | {verdict} |", flush=True)
        missed |= row.met is False
    return missed
