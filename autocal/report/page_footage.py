"""One frame of the footage to look at in a report."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from autocal.footage.source import Footage
from autocal.report.pictures_views import Half


def one_picture(
    clips: Sequence[Path],
    *,
    swapped: bool,
    place: tuple[int, int] | None = None,
    left: Path | None = None,
    right: Path | None = None,
) -> tuple[Half, Half]:
    """Left and right eye of one frame.

    clips, left, right: as `open_footage` takes them. swapped: the left eye's picture is in the right half.
    place: clip and frame number; without it the sharpest and most textured of a few that are looked at.
    Raises FootageError as reading does.
    """
    from autocal.footage import open_footage

    with open_footage(list(clips), left=left, right=right) as footage:
        first, second = picture_of(footage, place)
    return (second, first) if swapped else (first, second)


def picture_of(footage: Footage, place: tuple[int, int] | None = None) -> tuple[Half, Half]:
    """Left and right half of one frame; place as in `one_picture`."""
    if place is None:
        choice = footage.choose(1, burst=1).bursts[0]
        place = choice.clip, choice.indices[0]
    return footage.picture(*place)
