"""A finished film as footage: its half-equirectangular halves, seen through a lens that is known exactly.

The views are drawn through an equidistant lens of 180 degrees without any error of its own, so that all
that finds and matches points in fisheye pictures works on them as it is, away from the stretched poles.
What the matches then say of that lens and of two eyes that look straight ahead, they say of the film.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np

from autocal.calibration import Calibration
from autocal.cores import cores
from autocal.errors import FootageError
from autocal.footage import Footage, Picture, StereoFrame, find_image_circle
from autocal.footage.halves import SideBySide, StereoReel
from autocal.footage.inputs import files_by_clip
from autocal.footage.reel import Reel, ReelFrame
from autocal.footage.source import open_reel
from autocal.geometry import Lens, Rig
from autocal.geometry.halfequirect import longitude_latitude_of_direction
from autocal.render.anaglyph import ANAGLYPH_MARK
from autocal.render.filters import named_filter
from autocal.render.plan import Plan, make_plan
from autocal.render.remap import remap_plane, warm_up
from autocal.tagging import HALF_EQUIRECT_LEFT_RIGHT, tags_if_any

#: Key frames that are looked at for the dark surround of a fisheye picture.
_LOOKS: Final = 5


def film_lens(side_px: int) -> Lens:
    """The lens that a half of `side_px` x `side_px` is seen through: r = f theta, 90 degrees at the edge."""
    middle = (side_px - 1) / 2
    return Lens((side_px, side_px), side_px / np.pi, (middle, middle))


def film_calibration(side_px: int) -> Calibration:
    """What a right film is: both eyes look straight ahead, rows along the baseline."""
    lens = film_lens(side_px)
    return Calibration(Rig(lens, lens, np.eye(3), np.eye(3)))


def open_film(path: Path) -> Footage:
    """Open a finished film (or its numbered pictures), each half seen through `film_lens`.

    Raises FootageError: the file is missing or unreadable; it is an anaglyph, mono, tagged as of another
    kind, or still in fisheye circles; a half is not square.
    """
    if ANAGLYPH_MARK in path.name:
        raise FootageError(
            f"{path}: is an anaglyph check copy, which holds no two pictures to measure; give the film itself"
        )
    clips: list[StereoReel] = []
    try:
        for number, files in enumerate(files_by_clip([path])):
            _refuse_other_tags(files[0])
            clips.append(_opened(number, files))
        return Footage(clips)
    except BaseException:
        for clip in clips:
            clip.close()
        raise


def view_plan(side_px: int) -> Plan:
    """How a half-equirectangular view of `side_px` x `side_px` is drawn through `film_lens`."""
    x, y = np.empty((2, side_px, side_px), np.float32)
    lens = film_lens(side_px)
    columns = np.arange(side_px, dtype=np.float64)
    for row in range(side_px):  # whole planes of directions would be large
        bearing = lens.unproject(np.stack([columns, np.full_like(columns, row)], axis=-1))
        longitude, latitude = longitude_latitude_of_direction(bearing)
        # Beyond 90 degrees off axis the view shows nothing.
        seen = bearing[:, 2] >= 0
        x[row] = np.where(seen, (longitude / np.pi + 0.5) * side_px - 0.5, np.nan)
        y[row] = np.where(seen, (0.5 - latitude / np.pi) * side_px - 0.5, np.nan)
    return make_plan(x, y, (side_px, side_px), named_filter("cubic"))


class FilmReel(SideBySide):
    """A side-by-side reel of square half-equirectangular views, each seen through `film_lens`."""

    def __init__(self, clip: int, reel: Reel) -> None:
        """Take over an open reel."""
        super().__init__(clip, reel)
        self._plan = view_plan(self.half_size[0])
        self._pool = ThreadPoolExecutor(cores(), thread_name_prefix="view")
        for dtype in (np.uint8, np.uint16):
            warm_up(dtype, self._plan.filter)

    def close(self) -> None:
        """Close the reel."""
        self._pool.shutdown()
        super().close()

    def cut(self, frame: ReelFrame) -> StereoFrame:
        """The halves of one of the reel's frames."""
        left, right = (cut := super().cut(frame)).halves
        return replace(cut, halves=(self._through(left), self._through(right)))

    def _through(self, half: Picture) -> Picture:
        seen = np.empty_like(half, order="C")
        remap_plane(half, self._plan, seen, bits=8 * half.itemsize, pool=self._pool)
        return seen


def _opened(number: int, files: Sequence[Path]) -> FilmReel:
    reel = open_reel(files)
    try:
        width, height = reel.size
        if width != 2 * height:
            raise FootageError(
                f"{reel.name}: is {width}x{height} px, but a side-by-side film of 180 x 180 degrees is twice "
                "as wide as high (8192x4096, say). Give the finished film: no mono film, no anaglyph check "
                "copy, no single eye"
            )
        _refuse_fisheye(SideBySide(number, reel))
        return FilmReel(number, reel)
    except BaseException:
        reel.close()
        raise


def _refuse_fisheye(reel: StereoReel) -> None:
    """FootageError where both halves show a circle: of a half-equirectangular view even lenses of 150 degrees
    light nearly a square."""
    from autocal.footage.glimpse import GLIMPSE_PX, shrunk

    keys = [reel.key_frames[n] for n in np.linspace(0, len(reel.key_frames) - 1, _LOOKS).round().astype(int)]
    frames = [frame for frame in map(reel.glance, dict.fromkeys(keys)) if frame is not None]
    if not frames:
        return  # choosing frames will tell that nothing decodes
    small = np.stack([[shrunk(half, GLIMPSE_PX) for half in frame.reduced] for frame in frames])
    brightest, typical = small.max(axis=0), small.mean(axis=0)
    if all(find_image_circle(brightest[half], typical[half], reel.half_size).found for half in (0, 1)):
        raise FootageError(
            f"{reel.name}: shows two fisheye circles, so it is footage and no finished film; "
            "check footage against its calibration: autocal check CAL CLIP"
        )


def _refuse_other_tags(path: Path) -> None:
    """FootageError where the file itself says that it is of another kind; silence is no objection."""
    tags = tags_if_any(path)
    if tags is None:
        return
    expected = HALF_EQUIRECT_LEFT_RIGHT
    other = tags.stereo not in (None, expected.stereo)
    other |= tags.projection not in (None, expected.projection)
    other |= tags.equirect not in (None, expected.equirect)
    if other:
        raise FootageError(
            f"{path}: is tagged as another kind of film ({tags.describe()}); only side-by-side films of "
            "180 x 180 degrees can be checked. If the tags are wrong, correct them: autocal tag FILE"
        )
