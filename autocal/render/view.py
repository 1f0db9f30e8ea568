"""What the finished film shows: which source position each sample of each plane looks at."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from autocal.calibration import Calibration
from autocal.errors import FootageError
from autocal.geometry.lens import Lens
from autocal.geometry.rig import Rig
from autocal.geometry.rotation import matrix_from_yaw_pitch_roll

Float32 = NDArray[np.float32]
_ASPECT_TOLERANCE = 0.002


@dataclass(frozen=True, eq=False)
class EyeView:
    """One eye's view of the film, at the resolution of luma.

    x, y: (height, width) positions in the eye's half of the source, px, integers at pixel centres; NaN
    where there is no picture. share: how much of a sample is picture, for a feathered rim, or None.
    source_half: 0 where that eye's picture is the left half of the source frame, else 1.
    """

    x: Float32
    y: Float32
    share: Float32 | None
    source_half: int


def view_rig(
    calibration: Calibration, half_size: tuple[int, int], level_deg: tuple[float, float, float]
) -> Rig:
    """The rig that the view is made with, for footage whose halves are `half_size` (width, height) px.

    level_deg: pitch, roll, yaw by which the viewer's head turns against the rig: up, clockwise and to
    the right are positive. Raises FootageError where the footage has another shape than the calibration.
    """
    rig = calibration.view_rig
    for lens in (rig.left, rig.right):
        across, down = (new / old for new, old in zip(half_size, lens.size, strict=True))
        if abs(2 * across / down - 1.0) < _ASPECT_TOLERANCE:
            raise FootageError(
                "the clip has the shape of one eye's picture alone: put the left and the right eye's file "
                "side by side first, as FFmpeg's hstack filter does, and render that"
            )
        if abs(across / down - 1.0) > _ASPECT_TOLERANCE:
            raise FootageError(
                "the calibration is for halves of {}x{} px, the clip's are {}x{} px: another shape, so "
                "another sensor read-out. Calibrate from footage of this kind".format(*lens.size, *half_size)
            )
    pitch, roll, yaw = np.deg2rad(level_deg)
    scale = half_size[0] / rig.left.size[0]
    return rig.scaled(scale).turned(matrix_from_yaw_pitch_roll(yaw, pitch, roll))


def eye_view(
    rig: Rig, eye: int, size: tuple[int, int], *, swapped: bool, feather_deg: float = 0.0
) -> EyeView:
    """One eye's view of `size` (width, height) px.

    feather_deg: how far inside the rim of the picture the fill begins to show through, degrees.
    """
    from autocal.mapping.stmap import source_map

    found = source_map(rig, eye, size)
    lens = rig.lens(eye)
    share = (
        rim_share(lens, found.x, found.y, lens.focal_px * np.deg2rad(feather_deg))
        if feather_deg > 0
        else None
    )
    return EyeView(found.x, found.y, share, eye ^ int(swapped))


def rim_share(lens: Lens, x: Float32, y: Float32, feather_px: float) -> Float32:
    """1 inside, falling evenly to 0 over the last `feather_px` before the image circle or the frame ends."""
    width, height = lens.size
    inside = np.minimum(np.minimum(x, width - 1 - x), np.minimum(y, height - 1 - y)) + np.float32(0.5)
    if lens.circle is not None:
        circle = lens.circle
        radius = np.hypot(x - np.float32(circle.x), y - np.float32(circle.y))
        inside = np.minimum(inside, np.float32(circle.radius) - radius)
    return np.nan_to_num(np.clip(inside / np.float32(feather_px), 0.0, 1.0), nan=0.0).astype(np.float32)


def plane_positions(
    view: EyeView, source_subsampling: tuple[int, int], output_subsampling: tuple[int, int]
) -> tuple[Float32, Float32, Float32 | None]:
    """x, y and share of one plane of the output, in px of the same plane of the source's half.

    Subsampled chroma sits on every other luma column and midway between two luma rows, the default of
    H.264 and HEVC (Rec. ITU-T H.264, table E-3 and figure E-1: chroma sample location type 0). Source
    and output are taken alike, so a source that sits otherwise is off by no more than the map's own
    stretch of that part of a pixel.
    """
    across, down = output_subsampling
    x, y = (_midway(position[:, ::across], down) for position in (view.x, view.y))
    share = None if view.share is None else _midway(view.share[:, ::across], down)
    x = x / np.float32(source_subsampling[0])
    y = (y - np.float32((source_subsampling[1] - 1) / 2)) / np.float32(source_subsampling[1])
    return x, y, share


def _midway(values: Float32, rows: int) -> Float32:
    """The mean of each `rows` (1 or 2) rows; where only one of two is a number, that one."""
    if rows == 1:
        return np.ascontiguousarray(values)
    upper, lower = values[0::2], values[1::2]
    mean = (upper + lower) * np.float32(0.5)
    return np.where(np.isfinite(mean), mean, np.where(np.isfinite(upper), upper, lower))
