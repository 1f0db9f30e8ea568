"""The files of a solve: the calibration, its ST map and the pictures that show what it does."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np

from autocal.calibration import Calibration
from autocal.geometry import vertical_disparity
from autocal.mapping import st_map, write_st_map
from autocal.report import pictures
from autocal.solving import Solved


def write_solved(
    folder: Path, solved: Solved, size: tuple[int, int], tell: Callable[[str, int, int], None]
) -> None:
    """Write calibration.json, stmap.exr and the pictures into `folder`, which is there.

    size: (width, height) px of the ST map of both eyes. tell: progress, a stage and how far it is.
    Raises OutputError where a file cannot be written.
    """
    calibration = solved.calibration
    calibration.save(folder / "calibration.json")
    with ThreadPoolExecutor(1) as beside:  # the map is packed outside Python while the pictures are drawn
        written = beside.submit(_write_map, folder / "stmap.exr", calibration, size)
        _write_pictures(folder, solved, tell)
        tell("ST map", 0, 1)
        written.result()
        tell("ST map", 1, 1)


def _write_map(path: Path, calibration: Calibration, size: tuple[int, int]) -> None:
    write_st_map(path, st_map(calibration, size), calibration)


def _write_pictures(folder: Path, solved: Solved, tell: Callable[[str, int, int], None]) -> None:
    calibration = solved.calibration
    left, right = solved.picture
    tell("pictures", 0, 4)
    pictures.write_anaglyph_sheet(
        folder / "before.png",
        left,
        right,
        solved.nominal,
        title="Before",
        subtitle="nominal lenses, no rotation",
    )
    tell("pictures", 1, 4)
    pictures.write_anaglyph_sheet(
        folder / "after.png", left, right, calibration.view_rig, title="After", subtitle="as calibrated"
    )
    tell("pictures", 2, 4)
    used, rejected = solved.used, solved.rejected
    here, there = used.frame == solved.picture_frame, rejected.frame == solved.picture_frame
    rig = calibration.rig
    vertical = np.rad2deg(
        vertical_disparity(rig.directions(0, used.left[here]), rig.directions(1, used.right[here]))
    )
    pictures.write_matches_picture(
        folder / "matches.png",
        left,
        right,
        used.left[here],
        used.right[here],
        60 * vertical,
        rejected.left[there],
        rejected.right[there],
        subtitle="in the frame that has most of them; rejected: not where the solved rig would see the point",
    )
    tell("pictures", 3, 4)
    unseen = solved.unseen
    pictures.write_disparity_picture(
        folder / "disparity.png",
        pictures.field_disparity(solved.nominal, unseen.left, unseen.right),
        pictures.field_disparity(solved.unseen_rig, unseen.left, unseen.right),
        subtitle="matches that were not used in the solve",
    )
    tell("pictures", 4, 4)
