"""One line of the table: what was measured, against what bar."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

#: A process's exit code where a bar is missed; 1 is what an uncaught error ends with.
MISSED = 3
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
    """Print a table of rows, each as soon as it is there. The exit code: 0, or MISSED."""
    print(HEAD, flush=True)
    code = 0
    for row in rows:
        verdict = "" if row.met is None else "met" if row.met else "**missed**"
        print(f"| {row.what} | {row.measured} | {row.bar} | {verdict} |", flush=True)
        code = MISSED if row.met is False else code
    return code
