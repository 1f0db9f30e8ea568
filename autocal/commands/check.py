"""`autocal check`: does a calibration still hold for a clip?"""

from __future__ import annotations

import json
from pathlib import Path

import click

from autocal.commands._parameters import force_option, refuse_report, report_option

_EXIT_CODES = {"holds": 0, "drifted": 1, "cannot-tell": 3}


@click.command()
@click.argument("calibration", metavar="CAL", type=click.Path(path_type=Path))
@click.argument("clips", metavar="CLIP...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--windows",
    type=click.IntRange(min=1, max=200),
    default=16,
    show_default=True,
    help="Places in the footage to look at: more date a knock more finely.",
)
@click.option(
    "--baseline-mm",
    type=click.FloatRange(min=0, min_open=True),
    help="Distance between the eyes, if CAL does not say.",
)
@click.option("--seed", type=int, default=0, show_default=True, help="For matching.")
@report_option
@force_option
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object, for machines.")
@click.pass_context
def check(
    ctx: click.Context,
    calibration: Path,
    clips: tuple[Path, ...],
    windows: int,
    baseline_mm: float | None,
    seed: int,
    report: Path | None,
    force: bool,
    as_json: bool,
) -> None:
    """Say whether the calibration CAL still holds for the footage CLIP...

    CAL is a calibration.json, an OpenCV fisheye calibration (.yml, .xml) or a side-by-side ST map (.exr).
    Exit code 0: it holds; 1: it has drifted; 3: the footage cannot tell; 2: an error.

    \b
    Example:
      autocal check unit-7/calibration.json today.mp4
    """
    from autocal.exchange.any_file import load_any
    from autocal.footage import open_footage
    from autocal.verify.check import check_clips
    from autocal.verify.check_words import as_data, sentence, summary_lines, tables

    refuse_report(report, force)
    with open_footage(list(clips)) as footage:
        half_size = footage.half_size
    loaded = load_any(calibration, half_size=half_size, baseline_mm=baseline_mm)
    result = check_clips(loaded, clips, windows=windows, seed=seed)
    if report is not None:
        from autocal.report.page_check import write_check_report

        write_check_report(report, result, loaded, calibration.name, clips, overwrite=force)
    said = (*loaded.assumed, *loaded.warnings)
    if as_json:
        document = {**as_data(result), "assumed": list(loaded.assumed), "warnings": list(loaded.warnings)}
        click.echo(json.dumps(document, indent=1, allow_nan=False))
    else:
        from rich.console import Console

        console = Console()
        console.print(sentence(result), highlight=False, style="bold")
        for table in tables(result):
            console.print(table)
        for words in (*summary_lines(result), *said):
            console.print(f"  {words}", highlight=False)
    ctx.exit(_EXIT_CODES[result.verdict])
