"""`autocal compare`: how two or more calibrations of one rig differ."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from autocal.commands._parameters import (
    BASELINE_MM,
    SEED,
    SizeType,
    force_option,
    half_of_frame,
    refuse_report,
    report_option,
)

if TYPE_CHECKING:
    from autocal.calibration import Calibration
    from autocal.verify.compare_on import ClipFit


_FRAMES = 12  # of the clips that fits are judged on


@click.command()
@click.argument("first", metavar="A", type=click.Path(path_type=Path))
@click.argument("others", metavar="B [C...]", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--frame-size", type=SizeType(), help="Size of the whole side-by-side frame, if a file does not say."
)
@click.option(
    "--baseline-mm",
    type=BASELINE_MM,
    help="Distance between the eyes, if a file does not say.",
)
@click.option(
    "--on",
    "clips",
    multiple=True,
    type=click.Path(path_type=Path),
    metavar="CLIP",
    help="Say which fits this clip better; may be given several times.",
)
@click.option("--seed", type=SEED, default=0, show_default=True, help="For matching and testing on CLIP.")
@report_option
@force_option
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object, for machines.")  # fmt: skip
def compare(
    first: Path,
    others: tuple[Path, ...],
    frame_size: tuple[int, int] | None,
    baseline_mm: float | None,
    clips: tuple[Path, ...],
    seed: int,
    report: Path | None,
    force: bool,
    as_json: bool,
) -> None:
    """Say how the calibrations B, C... differ from A: in the picture, then number by number.

    Each is a calibration.json, an OpenCV fisheye calibration (.yml, .xml) or a side-by-side ST map
    (.exr).

    \b
    Example:
      autocal compare before-knock.json after-knock.json
      autocal compare solved.json chart.yml lens-maker.exr --frame-size 8192x4096
      autocal compare solved.json chart.yml --on today.mp4
    """
    from autocal.exchange.any_file import load_any
    from autocal.verify.compare import compare as compare_two
    from autocal.verify.compare_words import as_data, clip_sentence, sentence, tables

    refuse_report(report, force)
    half_size = half_of_frame(frame_size)
    a, *rest = (load_any(p, half_size=half_size, baseline_mm=baseline_mm) for p in (first, *others))
    names = _names((first, *others))
    comparisons = [compare_two(a, b) for b in rest]
    fits = _fits_on(clips, list(zip(names, (a, *rest), strict=True)), seed) if clips else [None] * len(rest)
    rows = list(zip(names[1:], rest, comparisons, fits, strict=True))
    if report is not None:
        from autocal.report.page_compare import Compared, write_compare_report

        others_compared = [Compared(*row) for row in rows]
        write_compare_report(report, names[0], a, others_compared, clips=clips, overwrite=force)
    if as_json:
        differences = [
            {
                "b": str(path),
                "summary": sentence(comparison, names[0], name),
                **as_data(comparison),
                "on_clip": None if fit is None else {**asdict(fit), "better": fit.better},
                "assumed": list(b.assumed),
                "warnings": list(b.warnings),
            }
            for path, (name, b, comparison, fit) in zip(others, rows, strict=True)
        ]
        click.echo(json.dumps({"a": str(first), "comparisons": differences}, indent=1, allow_nan=False))
        return
    from rich.console import Console

    console = Console()
    for name, b, comparison, fit in rows:
        console.print(sentence(comparison, names[0], name), highlight=False)
        if fit is not None:
            console.print(clip_sentence(fit, names[0], name), highlight=False)
        for table in tables(comparison, "A", "B"):
            console.print(table)
        for words in (*comparison.notes, *b.assumed, *b.warnings):
            console.print(f"  {words}", highlight=False)


def _names(paths: tuple[Path, ...]) -> list[str]:
    """File names where they tell the files apart, else the paths: most are calibration.json."""
    names = [path.name for path in paths]
    return names if len(set(names)) == len(names) else [str(path) for path in paths]


def _fits_on(
    clips: tuple[Path, ...], named: Sequence[tuple[str, Calibration]], seed: int
) -> list[ClipFit | None]:
    """How the calibrations after the first fit the clips, against the first."""
    import numpy as np

    from autocal.errors import CalibrationFileError
    from autocal.exchange.any_file import carried_over
    from autocal.footage import open_footage
    from autocal.verify.clip_pairs import footage_pairs
    from autocal.verify.compare_on import fit_on_clip

    rng = np.random.default_rng(seed)
    at_clip = []
    with open_footage(clips) as footage:
        for name, calibration in named:
            try:
                at_clip.append(carried_over(calibration, footage.half_size))
            except CalibrationFileError as problem:
                raise CalibrationFileError(f"{name} and {clips[0]}: {problem}") from problem
        seen = footage_pairs(footage, named[0][1], rng, frames=_FRAMES)
    return [fit_on_clip(at_clip[0], b, seen.pairs, rng) for b in at_clip[1:]]
