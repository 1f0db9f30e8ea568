"""Tables of the report: what people read in the page, and what machines get from its downloads."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import dataclass
from math import isfinite
from typing import ClassVar


@dataclass(frozen=True)
class Cell:
    """A number with the form in which people read it; downloads get the number itself."""

    value: float
    form: str = ".3f"
    unit: str = ""


@dataclass(frozen=True)
class Link:
    """A word that leads to another file; downloads get the word. href: relative, percent-encoded."""

    text: str
    href: str


Entry = str | int | Cell | Link


@dataclass(frozen=True)
class Table:
    """Rows of numbers, to read and to download. file_name: of the downloads, without suffix.

    folded: shown only when opened, for long tables.
    """

    title: str
    intro: str
    columns: tuple[str, ...]
    rows: tuple[tuple[Entry, ...], ...]
    file_name: str
    folded: bool = False
    kind: ClassVar[str] = "table"

    def __post_init__(self) -> None:
        for row in self.rows:
            if len(row) != len(self.columns):
                raise ValueError(
                    f"{self.title}: a row has {len(row)} entries for {len(self.columns)} columns: {row}"
                )


def shown(entry: Entry) -> str:
    """The entry as people read it: a dash for what is not known, a true minus sign."""
    if isinstance(entry, str):
        return entry
    if isinstance(entry, Link):
        return entry.text
    if isinstance(entry, int):
        return f"{entry:,}"
    if not isfinite(entry.value):
        return "–"
    return f"{entry.value:{entry.form}}{entry.unit}".replace("-", "−")


def as_csv(table: Table) -> str:
    """RFC 4180, header first; what is not known is empty."""
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(table.columns)
    writer.writerows(["" if value is None else value for value in map(_raw, row)] for row in table.rows)
    return text.getvalue()


def as_json(table: Table) -> str:
    """A list of objects, one a row, with the columns as keys; what is not known is null."""
    rows = [dict(zip(table.columns, map(_raw, row), strict=True)) for row in table.rows]
    return json.dumps(rows, indent=1, ensure_ascii=False, allow_nan=False)


def _raw(entry: Entry) -> str | int | float | None:
    if isinstance(entry, Cell):
        return float(entry.value) if isfinite(entry.value) else None
    if isinstance(entry, Link):
        return entry.text
    return entry
