"""`autocal stmap`: bake the map of a saved calibration again."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from autocal.commands._parameters import FULL_SIZE, SizeType, refuse_existing

if TYPE_CHECKING:
    from autocal.mapping.stmap import Eye, Source, VOrigin


@click.command()
@click.argument("calibration", metavar="CAL", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), required=True, help="The EXR file to write.")
@click.option(
    "--size", type=SizeType(), default=FULL_SIZE, help="Of both views together.  [default: 8192x4096]"
)
@click.option(
    "--eye",
    type=click.Choice(["left", "right", "both"]),
    default="both",
    show_default=True,
    help="Whose view the map makes.",
)
@click.option(
    "--source",
    type=click.Choice(["frame", "eye"]),
    default="frame",
    show_default=True,
    help="What u and v run over: the whole side-by-side frame, or one eye's own file.",
)
@click.option(
    "--v-origin",
    type=click.Choice(["bottom", "top"]),
    default="bottom",
    show_default=True,
    help="Where v is 0: at the bottom of the picture, or at its top.",
)
@click.option("--force", is_flag=True, help="Replace an existing file.")
def stmap(
    calibration: Path,
    out: Path,
    size: tuple[int, int],
    eye: Eye,
    source: Source,
    v_origin: VOrigin,
    force: bool,
) -> None:
    """Bake the ST map of a calibration: a 32-bit float EXR that any compositor can remap by.

    \b
    For example:
      autocal stmap calibrated/calibration.json --out stmap.exr
      autocal stmap calibrated/calibration.json --out left.exr --eye left --source eye --v-origin top
    """
    from autocal.exchange.any_file import load_any
    from autocal.mapping import st_map, write_st_map

    refuse_existing(out, force)
    known = load_any(calibration)
    baked = st_map(known, size, eye=eye, source=source, v_origin=v_origin)
    write_st_map(out, baked, known, overwrite=force)
    width, height = baked.size
    click.echo(f"{out}: {width}x{height}, {eye} eye{'s' if eye == 'both' else ''}, v from the {v_origin}")
    for warning in known.warnings:
        click.echo(f"  mind: {warning}")
