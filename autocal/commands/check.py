"""`autocal check`: does a calibration still hold for a clip?"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from autocal.allocator import keep_freed_memory
from autocal.commands._parameters import BASELINE_MM, SEED, force_option, refuse_report, report_option

if TYPE_CHECKING:
    from autocal.verify.check_result import CheckResult

_EXIT_CODES = {"holds": 0, "drifted": 1, "cannot-tell": 3}


@click.command()
@click.argument("inputs", metavar="CAL CLIP...", nargs=-1, type=click.Path(path_type=Path))
@click.option(
    "--rendered",
    metavar="FILM",
    type=click.Path(path_type=Path),
    help="Check a finished side-by-side film by itself, instead of CAL and CLIP.",
)
@click.option(
    "--left", type=click.Path(path_type=Path), help="The left eye's file, with --right, instead of CLIP."
)
@click.option("--right", type=click.Path(path_type=Path), help="The right eye's file.")
@click.option(
    "--windows",
    type=click.IntRange(min=1, max=200),
    default=16,
    show_default=True,
    help="Places in the footage to look at: more date a knock more finely.",
)
@click.option(
    "--baseline-mm",
    type=BASELINE_MM,
    help="Distance between the eyes, if CAL does not say.",
)
@click.option("--seed", type=SEED, default=0, show_default=True, help="For matching.")
@report_option
@force_option
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object, for machines.")
@click.pass_context
def check(
    ctx: click.Context,
    inputs: tuple[Path, ...],
    rendered: Path | None,
    left: Path | None,
    right: Path | None,
    windows: int,
    baseline_mm: float | None,
    seed: int,
    report: Path | None,
    force: bool,
    as_json: bool,
) -> None:
    """Say whether the calibration CAL still holds for the footage CLIP...

    CAL is a calibration.json, an OpenCV fisheye calibration (.yml, .xml) or a side-by-side ST map (.exr).
    With --rendered, say whether the two eyes of a finished film agree: a delivery is verified without
    its source. Exit code 0: it holds; 1: it has drifted; 3: the footage cannot tell; 2: an error.

    \b
    Examples:
      autocal check unit-7/calibration.json today.mp4
      autocal check unit-7/calibration.json --left L.mp4 --right R.mp4
      autocal check --rendered film.mp4
    """
    from autocal.verify.check_words import as_data

    refuse_report(report, force)
    keep_freed_memory()
    if rendered is not None:
        if inputs or left or right or baseline_mm is not None:
            raise click.UsageError(
                "--rendered FILM stands alone: a finished film needs no CAL, CLIP or baseline"
            )
        result = _film(rendered, windows, seed, report, force)
        said: dict[str, list[str]] = {"assumed": [], "warnings": []}
    elif not inputs or not (inputs[1:] or left or right):
        raise click.UsageError(
            "give a calibration and footage, CAL CLIP... or CAL --left FILE --right FILE, or a film with "
            "--rendered FILM"
        )
    else:
        sides = (left, right)
        result, said = _footage(inputs[0], inputs[1:], sides, windows, baseline_mm, seed, report, force)
    if as_json:
        click.echo(json.dumps({**as_data(result), **said}, indent=1, allow_nan=False))
    else:
        assumed = [f"assumed by the calibration: {words}" for words in said["assumed"]]
        _print(result, [*assumed, *said["warnings"]])
    ctx.exit(_EXIT_CODES[result.verdict])


def _footage(
    calibration: Path,
    clips: Sequence[Path],
    sides: tuple[Path | None, Path | None],
    windows: int,
    baseline_mm: float | None,
    seed: int,
    report: Path | None,
    force: bool,
) -> tuple[CheckResult, dict[str, list[str]]]:
    """What the check found, and what is to be said of the calibration."""
    from autocal.exchange.any_file import TEXT_ENDINGS, load_any
    from autocal.footage import open_footage
    from autocal.verify.check import check_clips

    late = [clip for clip in clips if clip.suffix.lower() in TEXT_ENDINGS]
    if late:
        raise click.UsageError(f"{late[0]}: a calibration comes first: autocal check CAL CLIP...")
    left, right = sides
    with open_footage(list(clips), left=left, right=right) as footage:
        half_size = footage.half_size
    loaded = load_any(calibration, half_size=half_size, baseline_mm=baseline_mm)
    result = check_clips(loaded, clips, left=left, right=right, windows=windows, seed=seed)
    if report is not None:
        from autocal.report.page_check import write_check_report

        write_check_report(
            report, result, loaded, calibration.name, clips, left=left, right=right, overwrite=force
        )
    return result, {"assumed": list(loaded.assumed), "warnings": list(loaded.warnings)}


def _film(film: Path, windows: int, seed: int, report: Path | None, force: bool) -> CheckResult:
    from autocal.verify.check import check_film

    result = check_film(film, windows=windows, seed=seed)
    if report is not None:
        from autocal.report.page_check import write_film_report

        write_film_report(report, result, film, overwrite=force)
    return result


def _print(result: CheckResult, more: Sequence[str]) -> None:
    from rich.console import Console

    from autocal.verify.check_words import sentence, summary_lines, tables

    console = Console()
    console.print(sentence(result), highlight=False, style="bold")
    for table in tables(result):
        console.print(table)
    for words in (*summary_lines(result), *more):
        console.print(f"  {words}", highlight=False)
