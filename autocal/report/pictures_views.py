"""What one eye sees in the finished picture, whole or in part, for people to look at: never for measuring."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from autocal.geometry import Lens, Rig, direction_of_longitude_latitude
from autocal.mapping import SourceMap, remap_half, source_map
from autocal.matches import LEFT

#: Luma of one eye's half of a frame, (H, W).
Half = NDArray[Any]

#: The darkest and brightest share of the picture that may clip when it is stretched for display.
_CLIPPED_SHARE: Final = 0.005


def display_range(half: Half, lens: Lens) -> tuple[float, float]:
    """What to show as black and as white, so that log and dim footage can be judged as well."""
    step = max(1, max(half.shape) // 512)
    thin = half[::step, ::step]
    if lens.circle is not None:
        rows, columns = np.mgrid[0 : half.shape[0] : step, 0 : half.shape[1] : step]
        lit = lens.circle.contains(np.stack([columns, rows], axis=-1))
        thin = thin[lit] if lit.any() else thin
    low, high = np.quantile(thin, [_CLIPPED_SHARE, 1 - _CLIPPED_SHARE])
    return float(low), float(max(high, low + 1.0))


def whole_view(half: Half, rig: Rig, eye: int, side_px: int) -> tuple[Half, NDArray[np.bool_]]:
    """An eye's half-equirectangular view, `side_px` square, and where it sees something."""
    half, rig = shrunk(half, rig, eye, side_px / np.pi)
    view = source_map(rig, eye, (side_px, side_px))
    return remap_half(half, view), view.valid


def cut_view(
    half: Half, rig: Rig, eye: int, centre_deg: tuple[float, float], side_px: int, px_per_degree: float
) -> tuple[Half, NDArray[np.bool_]]:
    """A square cut of that view about a longitude and latitude, and where it sees something."""
    half, rig = shrunk(half, rig, eye, np.rad2deg(px_per_degree))
    offset = (np.arange(side_px) - (side_px - 1) / 2) / px_per_degree
    longitude, latitude = np.deg2rad(centre_deg[0] + offset), np.deg2rad(centre_deg[1] - offset)
    pixels = rig.pixels(eye, direction_of_longitude_latitude(longitude[None, :], latitude[:, None]))
    valid = np.isfinite(pixels[..., 0]) & rig.lens(eye).inside(pixels)
    x, y = pixels[..., 0].astype(np.float32), pixels[..., 1].astype(np.float32)
    return remap_half(half, SourceMap(x, y, valid, rig.lens(eye).size), interpolation="cubic"), valid


def shrunk(half: Half, rig: Rig, eye: int, px_per_radian: float) -> tuple[Half, Rig]:
    """Half and rig at a whole fraction of their size, where the view is that much coarser: no aliasing."""
    import cv2

    factor = int(rig.lens(eye).focal_px / px_per_radian)
    if factor < 2:
        return half, rig
    width, height = (side // factor for side in rig.lens(eye).size)
    small = cv2.resize(
        half[: height * factor, : width * factor], (width, height), interpolation=cv2.INTER_AREA
    )
    lens = replace(rig.lens(eye).scaled(1 / factor), size=(width, height))
    small_rig = replace(rig, left=lens) if eye == LEFT else replace(rig, right=lens)
    return np.asarray(small, dtype=np.float32), small_rig
