"""`autocal history`: the calibrations of a unit over time."""

from __future__ import annotations

import json
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from autocal.commands._parameters import force_option, refuse_report, report_option

if TYPE_CHECKING:
    from autocal.verify.history import Entry, History


@click.command()
@click.argument("calibrations", metavar="CAL...", nargs=-1, required=True, type=click.Path(path_type=Path))
@report_option
@force_option
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object, for machines.")
def history(calibrations: tuple[Path, ...], report: Path | None, force: bool, as_json: bool) -> None:
    """Show how the calibrations CAL... of a unit changed over time, with steps and trends.

    The files are the record: each names its unit (solve --unit NAME) and when it was made.

    \b
    Example:
      autocal history unit-7/*/calibration.json
    """
    from autocal.verify.history import findings, histories

    refuse_report(report, force)
    records = histories([_entry(path) for path in calibrations])
    if report is not None:
        from autocal.report.page_history import write_history_report

        write_history_report(report, records, overwrite=force)
    if as_json:
        document = {"units": [_as_data(record, findings(record)) for record in records]}
        click.echo(json.dumps(document, indent=1, allow_nan=False))
        return
    from rich.console import Console
    from rich.table import Column, Table

    console = Console()
    for record in records:
        table = Table(
            "",
            Column("made", no_wrap=True),
            *(Column(f"{q} {record.units[q]}".replace(" ", "\n"), no_wrap=True) for q in record.values),
            title=record.unit or "no unit name",
        )
        for i, entry in enumerate(record.entries):
            numbers = []
            for q, values in record.values.items():
                sigma = record.sigmas[q][i]
                numbers.append(f"{values[i]:.4f}" + (f"\n± {sigma:.4f}" if sigma > 0 else ""))
            table.add_row(str(i + 1), f"{entry.when:%Y-%m-%d}\n{entry.when:%H:%M}", *numbers)
        console.print(table)
        for i, entry in enumerate(record.entries):
            console.print(f"  {i + 1}: {entry.label}", highlight=False, soft_wrap=True)
        for words in (*findings(record), *record.notes):
            console.print(f"  {words}", highlight=False)


def _entry(path: Path) -> Entry:
    from autocal.errors import CalibrationFileError
    from autocal.exchange.any_file import load_any
    from autocal.verify.history import Entry

    calibration = load_any(path)
    if calibration.made is None:
        when = datetime.fromtimestamp(path.stat().st_mtime, UTC)
        return Entry(str(path), when, calibration, dated=False)
    try:
        when = datetime.fromisoformat(calibration.made)
    except ValueError as problem:
        raise CalibrationFileError(
            f"{path}: 'made' is {calibration.made!r}, expected a date like 2026-01-31T12:00:00+00:00"
        ) from problem
    return Entry(
        str(path), when.replace(tzinfo=UTC) if when.tzinfo is None else when.astimezone(UTC), calibration
    )


def _as_data(record: History, sentences: list[str]) -> dict[str, Any]:
    from autocal.verify.compare_words import without_nan

    entries = [
        {
            "file": entry.label,
            "when": entry.when.isoformat(),
            "values": {
                q: {"value": float(values[i]), "sigma": float(record.sigmas[q][i]), "unit": record.units[q]}
                for q, values in record.values.items()
            },
        }
        for i, entry in enumerate(record.entries)
    ]
    data: dict[str, Any] = without_nan(
        {
            "unit": record.unit,
            "entries": entries,
            "steps": [asdict(step) for step in record.steps],
            "trends": [asdict(trend) for trend in record.trends],
            "findings": sentences,
            "notes": list(record.notes),
        }
    )
    return data
