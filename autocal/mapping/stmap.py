"""The ST map: for every pixel of the half-equirectangular output, where to sample the source.

Convention
----------
Output     each eye's view spans -90 to +90 degrees of longitude and latitude, pixel centres
           (`autocal.geometry.halfequirect`); the left half of the picture is the left eye.
u, v       position in the source picture, normalised by its size: u = (x + 0.5) / width,
           from the left; v = 1 - (y + 0.5) / height, from the bottom, or without the "1 -"
           from the top. Row 0 of a picture of height 4 is v = 0.875 from the bottom.
Outside    where the lens, its image circle or the frame ends: u = v = 0 and not valid.
Steps      of a calibration solved from footage, u and v are whole multiples of `step`.

There is no written standard; this is common practice in compositing.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from autocal.calibration import Calibration
from autocal.cores import cores
from autocal.errors import LensError, OutputError
from autocal.geometry.halfequirect import direction_of_longitude_latitude
from autocal.geometry.lens import Array, Lens
from autocal.geometry.rig import Rig
from autocal.mapping._spline import SMALLEST_SIDE, pixel_spline
from autocal.matches import LEFT, RIGHT

Float32 = NDArray[np.float32]
Mask = NDArray[np.bool_]
Size = tuple[int, int]
Eye = Literal["both", "left", "right"]
Source = Literal["frame", "eye"]
VOrigin = Literal["bottom", "top"]

#: Side-by-side output: 4096 px for 180 degrees, an eye (common practice, no source).
DEFAULT_SIZE: Size = (8192, 4096)
#: px of the source, at the most. Rounded so, positions are off by 0.0014 px (rms); the surest clip leaves a
#: map some hundredths uncertain. Finer digits are noise, and as noise half as much file again.
_LARGEST_STEP = 1 / 200
#: Rows worked on at a time: few enough that everything between spline and result stays in the cache.
_BAND = 16


@dataclass(frozen=True, eq=False)
class SourceMap:
    """Where one eye's view finds its pixels in that eye's half of the frame.

    x, y: (height, width) source px, integers at pixel centres; NaN where not `valid`.
    half_size: (width, height) of the half, px.
    """

    x: Float32
    y: Float32
    valid: Mask
    half_size: Size


@dataclass(frozen=True, eq=False)
class StMap:
    """A map of a whole output picture; the module says what u and v mean.

    u, v: (height, width); valid: the same shape, False outside the lens, where u = v = 0.
    source_size: (width, height), px, of the picture that u and v refer to.
    eye: both side by side, or one view. source: whether that picture is the whole side-by-side
    frame, or one eye's own picture (for footage that came as two files).
    """

    u: Float32
    v: Float32
    valid: Mask
    source_size: Size
    eye: Eye = "both"
    source: Source = "frame"
    v_origin: VOrigin = "bottom"

    @property
    def size(self) -> Size:
        """(width, height) of the output picture, px."""
        return self.u.shape[1], self.u.shape[0]


def source_map(rig: Rig, eye: int, size: Size) -> SourceMap:
    """Where one eye's view of `size` (width, height) px finds its pixels, as float32.

    rig: with the convergence applied (`Calibration.view_rig`); eye: LEFT or RIGHT.
    """
    x, y = (np.empty(size[::-1], dtype=np.float32) for _ in range(2))
    valid = np.empty(size[::-1], dtype=np.bool_)

    def keep(rows: slice, x_px: Array, y_px: Array, seen: Mask) -> None:
        valid[rows], x[rows], y[rows] = seen, x_px, y_px
        x[rows][~seen] = y[rows][~seen] = np.nan

    _for_each_band(rig, eye, size, keep)
    return SourceMap(x, y, valid, rig.lens(eye).size)


def st_map(
    calibration: Calibration,
    size: Size = DEFAULT_SIZE,
    *,
    eye: Eye = "both",
    source: Source = "frame",
    v_origin: VOrigin = "bottom",
) -> StMap:
    """The ST map of a calibration.

    size: (width, height), px, of the whole side-by-side output; with one `eye` the map is that
    eye's half of it. source: "frame" when the footage is one side-by-side frame (for two files:
    the two pictures put side by side as given), "eye" for a map into one eye's own picture.

    Raises OutputError on an odd or empty size, and on a map of both eyes into one eye's picture;
    LensError when the two halves of the frame differ in size.
    """
    rig = calibration.view_rig
    width, height = size
    if width < 2 or width % 2 or height < 1:
        raise OutputError(f"a side-by-side map needs an even width and some height, got {width}x{height}")
    if eye == "both" and source == "eye":
        raise OutputError("a map of both eyes refers to the whole frame: ask for one eye, or source 'frame'")
    if rig.left.size != rig.right.size:
        raise LensError(f"the two halves differ in size: {rig.left.size} and {rig.right.size} px")
    half_width, half_height = rig.left.size
    source_size = (half_width * (2 if source == "frame" else 1), half_height)
    view = (width // 2, height)
    eyes = {"both": (LEFT, RIGHT), "left": (LEFT,), "right": (RIGHT,)}[eye]
    steps = None if calibration.quality is None else (step(source_size[0]), step(source_size[1]))
    shape = (height, view[0] * len(eyes))
    u, v, valid = np.empty(shape, np.float32), np.empty(shape, np.float32), np.empty(shape, np.bool_)
    for place, each in enumerate(eyes):
        columns = slice(place * view[0], (place + 1) * view[0])
        in_right_half = source == "frame" and (each == RIGHT) != calibration.swapped
        shift = half_width if in_right_half else 0
        write = _writing(u[:, columns], v[:, columns], valid[:, columns], steps)
        _for_each_band(rig, each, view, write, _normalising(source_size, shift, v_origin))
    return StMap(u, v, valid, source_size, eye, source, v_origin)


def step(length: int) -> float:
    """Of u or v, where a calibration solved from footage maps into a picture `length` px wide, or high.

    A power of two, so that single precision has all of its multiples up to 1.
    """
    return float(2.0 ** np.floor(np.log2(_LARGEST_STEP / length)))


#: Takes rows, x and y (rows, width) where the eye's half has them, in the units asked for, and which of them
#: are in the picture. The positions are finite also where they are not valid; they may be changed.
_BandUser = Callable[[slice, Array, Array, Mask], None]
#: For x and for y: the factor, and what is added then, that make the units asked for of px of the eye's half.
_Units = tuple[tuple[float, float], tuple[float, float]]
_PX: _Units = ((1.0, 0.0), (1.0, 0.0))


def _normalising(size: Size, shift: int, v_origin: VOrigin) -> _Units:
    """u and v of the whole source picture of that size, of which the half begins at column `shift`."""
    width, height = size
    across, down = (1 / width, (shift + 0.5) / width), (1 / height, 0.5 / height)
    return across, down if v_origin == "top" else (-down[0], 1.0 - down[1])


def _writing(u: Float32, v: Float32, valid: Mask, steps: tuple[float, float] | None) -> _BandUser:
    """What writes a band, in whole steps of u and of v where they are given."""

    def write(rows: slice, x: Array, y: Array, seen: Mask) -> None:
        valid[rows] = seen
        if steps is not None:
            _round(x, steps[0])
            _round(y, steps[1])
        np.multiply(x, seen, out=u[rows], casting="same_kind")
        np.multiply(y, seen, out=v[rows], casting="same_kind")

    return write


def _round(positions: Array, to: float) -> None:
    """To whole steps, in place."""
    # From this to twice as much, neighbours in double precision are one step apart: adding it rounds.
    large = to * 2.0**52
    positions += large
    positions -= large


def _for_each_band(rig: Rig, eye: int, size: Size, use: _BandUser, units: _Units = _PX) -> None:
    """Hand an eye's view to `use` in bands of rows, from several threads at a time."""
    lens, R = rig.lens(eye), rig.rotation(eye)
    width, height = size
    factor, added = np.transpose(units)
    (left, right), (top, bottom) = (
        sorted((-0.5 * by + to, (length - 0.5) * by + to))
        for (by, to), length in zip(units, lens.size, strict=True)
    )
    cos_max_angle = np.cos(lens.max_angle)

    def smooth(column: Array, row: Array) -> Array:
        """x, y, what tells inside from outside the circle, and the cosine of the angle off axis."""
        longitude = ((column + 0.5) / width - 0.5) * np.pi
        latitude = (0.5 - (row + 0.5) / height) * np.pi
        rays = direction_of_longitude_latitude(longitude[None, :], latitude[:, None]) @ R.T
        pixels = lens.project(rays, beyond_range=True)
        beyond = _beyond_circle(lens, pixels)[..., None]
        # A spline of other units costs nothing, other units of every position do.
        return np.concatenate([pixels * factor + added, beyond, rays[..., 2:]], axis=-1)

    def finish(rows: slice, values: Array) -> None:
        x, y, beyond_circle, cos_angle = values.swapaxes(0, 1)
        seen = (x >= left) & (x <= right) & (y >= top) & (y <= bottom)
        seen &= (beyond_circle <= 0.0) & (cos_angle >= cos_max_angle)
        use(rows, x, y, seen)

    if min(size) < SMALLEST_SIDE:
        exact = smooth(np.arange(width, dtype=np.float64), np.arange(height, dtype=np.float64))
        finish(slice(0, height), np.moveaxis(exact, -1, 1))
        return
    spline = pixel_spline(smooth, size)
    workers = cores()

    def every_nth_band(first: int) -> None:
        memory = spline.scratch(_BAND)
        for start in range(first * _BAND, height, workers * _BAND):
            rows = slice(start, min(start + _BAND, height))
            finish(rows, spline.values(rows, memory))

    with ThreadPoolExecutor(workers) as threads:
        for _ in threads.map(every_nth_band, range(workers)):
            pass  # exceptions of the threads surface here


def _beyond_circle(lens: Lens, pixels: Array) -> Array:
    """Squared distance from the centre of the image circle less the squared radius, px^2."""
    if lens.circle is None:
        return np.full(pixels.shape[:-1], -1.0)
    x, y = pixels[..., 0] - lens.circle.x, pixels[..., 1] - lens.circle.y
    return np.asarray(x * x + y * y - lens.circle.radius**2)
