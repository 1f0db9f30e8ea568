"""One table of what came of a batch: results.csv, index.html, and plain data for machines."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

from autocal.batch.orders import ClipResult, Do, State
from autocal.report.page import KeyFigure, Point, Points, Section, Verdict, page, write_page
from autocal.report.page_table import Cell, Entry, Link, Table, as_csv
from autocal.report.verdict import CAUTION
from autocal.whole_file import whole_file

CSV_NAME: Final = "results.csv"
INDEX_NAME: Final = "index.html"

_WORDS: Final[dict[State, str]] = {
    "holds": "holds",
    "drifted": "drifted",
    "cannot-tell": "cannot tell",
    "solved": "solved",
    "rendered": "rendered",
    "repaired": "rendered, with bad or missing pictures",
    "failed": "failed",
}
_TITLES: Final[dict[Do, str]] = {"check": "Check", "solve": "Calibration", "render": "Films"}
_FORMS: Final = {"deg": ".4f", "percent": ".3f", "arcmin": ".2f", "ratio": ".5f", "s": ".3f"}


def as_data(do: Do, results: Sequence[ClipResult], out: Path) -> dict[str, Any]:
    """The table for machines."""
    return {
        "do": do,
        "out": str(out),
        "all_well": all(result.is_well for result in results),
        "clips": [asdict(result) for result in results],
    }


def results_table(results: Sequence[ClipResult]) -> Table:
    """A row for each clip, with every number that any of them has."""
    keys = list(dict.fromkeys(key for result in results for key in result.numbers))
    rows = tuple(_row(result, keys) for result in results)
    return Table(
        "All clips",
        "A name leads to the clip's own report or film, as long as this page is in its folder. Angles are "
        "in degrees or arcminutes as named; a dash stands for what is not known.",
        ("name", "result", "message", *keys, "clip", "file"),
        rows,
        "results",
    )


def index_page(do: Do, results: Sequence[ClipResult], facts: Sequence[tuple[str, str]]) -> str:
    """The page: how many are well, what asks for attention, and the table."""
    counts = Counter(result.state for result in results)
    troubled = [result for result in results if not result.is_well]
    worst = bool(counts["failed"] or counts["drifted"])
    sections: list[Section] = []
    if troubled:
        points = tuple(
            Point(f"{r.name}: {_WORDS[r.state]}", r.message, "" if r.clip in r.message else r.clip)
            for r in troubled
        )
        sections.append(Points("What asks for attention", "", points))
    sections.append(results_table(results))
    sections.append(Points("Cautions", "", (Point("Guidance, not law", CAUTION),)))
    well = len(results) - len(troubled)
    return page(
        f"{_TITLES[do]} of {len(results)} clip{'s' if len(results) != 1 else ''}",
        Verdict("bad" if worst else "caution" if troubled else "good", in_words(results)),
        sections,
        figures=[
            KeyFigure("clips", str(len(results)), f"{well} of them well"),
            *(KeyFigure(_WORDS[state], str(number)) for state, number in counts.items()),
        ],
        facts=facts,
    )


def in_words(results: Sequence[ClipResult]) -> str:
    """One sentence: how many of the clips came to what."""
    counts = Counter(result.state for result in results)
    parts = [f"{number} {_WORDS[state]}" for state, number in counts.items()]
    return f"{len(results)} clip{'s' if len(results) != 1 else ''}: {'; '.join(parts)}."


def write_table(
    out: Path,
    do: Do,
    results: Sequence[ClipResult],
    facts: Sequence[tuple[str, str]],
    *,
    overwrite: bool = False,
) -> tuple[Path, Path]:
    """Write results.csv and index.html. Raises OutputError where they exist or cannot be written."""
    html = index_page(do, results, facts)
    csv_path = out / CSV_NAME
    with whole_file(csv_path, overwrite=overwrite) as beside:
        # With a byte order mark, by which spreadsheets know that names are in UTF-8.
        beside.write_text(as_csv(results_table(results)), encoding="utf-8-sig", newline="")
    return csv_path, write_page(out, html, overwrite=overwrite, name=INDEX_NAME)


def _row(result: ClipResult, keys: Sequence[str]) -> tuple[Entry, ...]:
    name: Entry = Link(result.name, quote(result.file)) if result.file else result.name
    numbers = [_entry(key, result.numbers.get(key)) for key in keys]
    return (name, _WORDS[result.state], result.message, *numbers, result.clip, result.file)


def _entry(key: str, value: float | int | str | None) -> Entry:
    if value is None:
        return Cell(float("nan"))
    if isinstance(value, float):
        return Cell(value, _FORMS.get(key.rpartition("_")[2], ".3f"))
    return value
