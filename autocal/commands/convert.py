"""`autocal convert`: the same calibration in another program's form."""

from __future__ import annotations

from pathlib import Path

import click

from autocal.commands._parameters import BASELINE_MM, SizeType, half_of_frame, refuse_existing


@click.command()
@click.argument("calibration", metavar="CAL", type=click.Path(path_type=Path))
@click.option(
    "--to",
    "target",
    required=True,
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="What to write: .json is ours, .yml or .xml is OpenCV's fisheye form.",
)
@click.option(
    "--frame-size", type=SizeType(), help="Size of the whole side-by-side frame, if CAL does not say."
)
@click.option(
    "--baseline-mm",
    type=BASELINE_MM,
    help="Distance between the eyes, if CAL does not say.",
)
@click.option("--force", is_flag=True, help="Replace FILE if it exists.")  # fmt: skip
def convert(
    calibration: Path,
    target: Path,
    frame_size: tuple[int, int] | None,
    baseline_mm: float | None,
    force: bool,
) -> None:
    """Write the calibration CAL in another form.

    CAL is a calibration.json, an OpenCV fisheye calibration (.yml, .xml) or a side-by-side ST map
    (.exr). What the new form cannot hold is said.

    \b
    Example:
      autocal convert calibration.json --to rig.yml
      autocal convert lens-maker.exr --frame-size 8192x4096 --to calibration.json
    """
    from autocal.errors import OutputError
    from autocal.exchange.any_file import TEXT_ENDINGS, load_any

    refuse_existing(target, force)
    ending = target.suffix.lower()
    if ending not in TEXT_ENDINGS:
        raise OutputError(f"{target}: the ending decides the form: .json for ours, .yml or .xml for OpenCV's")
    loaded = load_any(calibration, half_size=half_of_frame(frame_size), baseline_mm=baseline_mm)
    lost: list[str] = []
    if ending == ".json":
        loaded.save(target)
    else:
        from autocal.exchange.opencv_file import save_opencv

        lost = save_opencv(loaded, target, overwrite=force)
    click.echo(f"{target}: written")
    for label, sentences in (
        ("taken for granted", loaded.assumed if ending == ".json" else ()),
        ("mind", loaded.warnings),
        ("left out", lost),
    ):
        for sentence in sentences:
            click.echo(f"  {label}: {sentence}")
