"""The report of a unit's record: its calibrations over time, with steps and trends."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from autocal.report.figures_time import unit_panels
from autocal.report.page import Figure, Section, State, Verdict, page, write_page
from autocal.report.page_parts import as_sentence, cautions
from autocal.report.page_table import Cell, Entry, Table
from autocal.verify.history import QUANTITIES, History, findings


def history_page(records: Sequence[History]) -> str:
    """The page, with a figure and a table for every unit."""
    sections: list[Section] = []
    words: list[str] = []
    for number, record in enumerate(records):
        name = record.unit or "No unit name"
        found = [as_sentence(text) for text in findings(record)]
        words += [f"{name}: {text}" if len(records) > 1 else text for text in found]
        panels = unit_panels(record, f"unit-{number}")
        sections.append(
            Figure(
                name,
                "Each dot is a calibration, with one sigma; an open dot states none. Dashed lines "
                "mark steps and "
                "trends that the sigmas cannot explain.",
                panels,
                tuple(found),
            )
        )
        sections.append(_table(record, f"{name}: the numbers", number))
    notes = [note for record in records for note in record.notes]
    sections.append(cautions((), (), notes, limits=False))
    moved = any(record.steps or record.trends for record in records)
    judged = any(sum(1 for s in record.sigmas["yaw"] if s > 0) >= 2 for record in records)
    state: State = "caution" if moved else "good" if judged else "unknown"
    entries = [entry for record in records for entry in record.entries]
    facts = [("Calibrations", ", ".join(entry.label for entry in entries))]
    units = ", ".join(record.unit or "a unit without a name" for record in records)
    return page(f"Record of {units}", Verdict(state, words[0], tuple(words[1:])), sections, facts=facts)


def write_history_report(folder: str | Path, records: Sequence[History], *, overwrite: bool = False) -> Path:
    """Write `report.html` in `folder`. Raises OutputError as `write_page` does."""
    return write_page(folder, history_page(records), overwrite=overwrite)


def _table(record: History, title: str, number: int) -> Table:
    columns = ["made", "file"]
    for quantity in QUANTITIES:
        columns += [f"{quantity} ({record.units[quantity]})", f"{quantity} sigma"]
    rows: list[tuple[Entry, ...]] = []
    for i, entry in enumerate(record.entries):
        row: list[Entry] = [f"{entry.when:%Y-%m-%d %H:%M}", entry.label]
        for quantity in QUANTITIES:
            sigma = float(record.sigmas[quantity][i])
            row += [
                Cell(float(record.values[quantity][i]), ".4f"),
                Cell(sigma if sigma > 0 else float("nan"), ".4f"),
            ]
        rows.append(tuple(row))
    return Table(title, "", tuple(columns), tuple(rows), f"history-{number + 1}")
