"""`autocal compare`: how two or more calibrations of one rig differ."""

from __future__ import annotations

import json
from pathlib import Path

import click

from autocal.commands._parameters import SizeType, half_of_frame


@click.command()
@click.argument("first", metavar="A", type=click.Path(path_type=Path))
@click.argument("others", metavar="B [C...]", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--frame-size", type=SizeType(), help="Size of the whole side-by-side frame, if a file does not say."
)
@click.option(
    "--baseline-mm",
    type=click.FloatRange(min=0, min_open=True),
    help="Distance between the eyes, if a file does not say.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object, for machines.")  # fmt: skip
def compare(
    first: Path,
    others: tuple[Path, ...],
    frame_size: tuple[int, int] | None,
    baseline_mm: float | None,
    as_json: bool,
) -> None:
    """Say how the calibrations B, C... differ from A: in the picture, then number by number.

    Each is a calibration.json, an OpenCV fisheye calibration (.yml, .xml) or a side-by-side ST map
    (.exr).

    \b
    Example:
      autocal compare before-knock.json after-knock.json
      autocal compare solved.json chart.yml lens-maker.exr --frame-size 8192x4096
    """
    from autocal.exchange.any_file import load_any
    from autocal.verify.compare import compare as compare_two
    from autocal.verify.compare_words import as_data, sentence, tables

    half_size = half_of_frame(frame_size)

    a, *rest = (load_any(p, half_size=half_size, baseline_mm=baseline_mm) for p in (first, *others))
    comparisons = [(path, b, compare_two(a, b)) for path, b in zip(others, rest, strict=True)]
    if as_json:
        document = {
            "a": str(first),
            "comparisons": [
                {
                    "b": str(path),
                    **as_data(comparison),
                    "assumed": list(b.assumed),
                    "warnings": list(b.warnings),
                }
                for path, b, comparison in comparisons
            ],
        }
        click.echo(json.dumps(document, indent=1, allow_nan=False))
        return
    from rich.console import Console

    console = Console()
    for path, b, comparison in comparisons:
        console.print(sentence(comparison, first.name, path.name), highlight=False)
        for table in tables(comparison, "A", "B"):
            console.print(table)
        for words in (*comparison.notes, *b.assumed, *b.warnings):
            console.print(f"  {words}", highlight=False)
