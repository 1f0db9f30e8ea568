"""`autocal tag`: say in the film file itself how it is to be watched."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--show", is_flag=True, help="Print the spatial metadata and change nothing.")
def tag(file: Path, show: bool) -> None:
    """Mark FILE as 180-degree side-by-side stereo, left eye left.

    Adds or corrects the spatial metadata of an MP4, MOV or Matroska file, by open specifications
    (Spherical Video V2; Matroska StereoMode and Projection). Pictures and sound stay as they are.

    \b
    Example:
      autocal tag film.mp4
      autocal tag film.mp4 --show
    """
    from autocal.tagging import read_tags, tag_file

    if show:
        for number, tags in enumerate(read_tags(file), start=1):
            click.echo(f"video track {number}: {tags.describe()}")
        return
    changed = tag_file(file)
    click.echo(f"{file}: tagged" if changed else f"{file}: tagged already, nothing to change")
