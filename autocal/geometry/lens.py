"""A fisheye lens in front of a sensor: bearings to pixels and back.

    r(theta) = f (theta + k1 theta^3 + k2 theta^5 + k3 theta^7 + k4 theta^9)

Kannala and Brandt, IEEE PAMI 28(8), 2006, eq. 6, in the normalisation OpenCV's fisheye
module uses. Decentring follows Brown, Photogrammetric Engineering 37(8), 1971, applied to
the distorted image coordinates.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from autocal.errors import LensError

Array = NDArray[np.float64]

#: No lens is trusted further off its axis than this.
WIDEST_ANGLE_RAD = np.deg2rad(115.0)
_TABLE_SIZE = 2048
_RADIAL_NEWTON_STEPS = 3
_DECENTRING_STEPS = 12


@dataclass(frozen=True)
class ImageCircle:
    """The disc of an eye's half that the lens lights, in that half's pixels."""

    x: float
    y: float
    radius: float

    def contains(self, pixels: ArrayLike, margin: float = 0.0) -> NDArray[np.bool_]:
        """Whether pixels (..., 2) lie inside, at least `margin` px from the rim."""
        p = np.asarray(pixels, dtype=np.float64)
        return np.hypot(p[..., 0] - self.x, p[..., 1] - self.y) <= self.radius - margin

    def scaled(self, factor: float) -> ImageCircle:
        """The same circle in a picture `factor` times as large."""
        return ImageCircle(*_scaled_point((self.x, self.y), factor), self.radius * factor)


@dataclass(frozen=True)
class Lens:
    """One eye's lens and sensor read-out.

    size: (width, height) of that eye's half, px.
    focal_px: focal length along x, px.
    principal_point: (x, y), px, integer coordinates at pixel centres.
    k: k1..k4 of the radial polynomial.
    aspect: focal length along y over focal length along x.
    skew: shear of the pixel axes (OpenCV's alpha).
    decentring: (p1, p2).
    circle: the lit disc, where known; what lies outside it is outside the lens.
    """

    size: tuple[int, int]
    focal_px: float
    principal_point: tuple[float, float]
    k: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    aspect: float = 1.0
    skew: float = 0.0
    decentring: tuple[float, float] = (0.0, 0.0)
    circle: ImageCircle | None = None

    def __post_init__(self) -> None:
        numbers = (self.focal_px, *self.principal_point, *self.k, self.aspect, self.skew, *self.decentring)
        if not np.all(np.isfinite(numbers)):
            raise LensError(f"a lens needs finite numbers, got {numbers}")
        if self.focal_px <= 0 or self.aspect <= 0:
            raise LensError(f"focal length and aspect must be positive, got {self.focal_px}, {self.aspect}")
        if min(self.size) < 1:
            raise LensError(f"a lens needs a picture of at least one pixel, got {self.size}")

    @cached_property
    def max_angle(self) -> float:
        """Angle off axis, rad, up to which r(theta) rises: the range of the lens."""
        theta = np.linspace(0.0, WIDEST_ANGLE_RAD, _TABLE_SIZE)
        falling = np.flatnonzero(_radial_slope(theta, self.k) <= 0.0)
        return float(theta[falling[0] - 1]) if falling.size else float(WIDEST_ANGLE_RAD)

    def project(self, bearings: ArrayLike, *, beyond_range: bool = False) -> Array:
        """Pixels (..., 2) of bearings (..., 3) in the camera frame; NaN beyond `max_angle`.

        With `beyond_range` the formula runs on past `max_angle`: no pixel of the lens, but what
        an interpolation up to the edge of the range needs.
        """
        d = np.asarray(bearings, dtype=np.float64)
        rho = np.hypot(d[..., 0], d[..., 1])
        theta = np.arctan2(rho, d[..., 2])
        with np.errstate(invalid="ignore", divide="ignore"):
            # On the axis theta / rho tends to 1 / |d|.
            scale = np.where(rho > 0, _radial(theta, self.k) / rho, 1.0 / np.abs(d[..., 2]))
        if not beyond_range:
            scale = np.where(theta <= self.max_angle, scale, np.nan)
        return self._pixels_from_distorted(d[..., 0] * scale, d[..., 1] * scale)

    def unproject(self, pixels: ArrayLike) -> Array:
        """Unit bearings (..., 3) in the camera frame of pixels (..., 2); NaN beyond the range."""
        x, y = self._distorted_from_pixels(np.asarray(pixels, dtype=np.float64))
        radius = np.hypot(x, y)
        theta = self._angle_of_radius(radius)
        with np.errstate(invalid="ignore", divide="ignore"):
            scale = np.where(radius > 0, np.sin(theta) / radius, 1.0)
        return np.stack([x * scale, y * scale, np.cos(theta)], axis=-1)

    def radius_px(self, theta: ArrayLike) -> Array:
        """Distance from the principal point, px, of a ray `theta` rad off the axis."""
        return self.focal_px * _radial(np.asarray(theta, dtype=np.float64), self.k)

    def inside(self, pixels: ArrayLike) -> NDArray[np.bool_]:
        """Whether pixels (..., 2) lie in the picture and in the image circle."""
        p = np.asarray(pixels, dtype=np.float64)
        width, height = self.size
        with np.errstate(invalid="ignore"):
            within = (p[..., 0] >= -0.5) & (p[..., 0] <= width - 0.5)
            within &= (p[..., 1] >= -0.5) & (p[..., 1] <= height - 0.5)
            return within & self.circle.contains(p) if self.circle else within

    def scaled(self, factor: float) -> Lens:
        """The same lens and read-out in a picture `factor` times as large (a proxy: below 1)."""
        width, height = (round(side * factor) for side in self.size)
        return replace(
            self,
            size=(width, height),
            focal_px=self.focal_px * factor,
            principal_point=_scaled_point(self.principal_point, factor),
            circle=self.circle.scaled(factor) if self.circle else None,
        )

    def _pixels_from_distorted(self, x: Array, y: Array) -> Array:
        p1, p2 = self.decentring
        if p1 or p2:
            x, y = _decentred(x, y, p1, p2)
        cx, cy = self.principal_point
        u = cx + self.focal_px * (x + self.skew * y)
        return np.stack([u, cy + self.focal_px * self.aspect * y], axis=-1)

    def _distorted_from_pixels(self, pixels: Array) -> tuple[Array, Array]:
        cx, cy = self.principal_point
        y_seen = (pixels[..., 1] - cy) / (self.focal_px * self.aspect)
        x_seen = (pixels[..., 0] - cx) / self.focal_px - self.skew * y_seen
        p1, p2 = self.decentring
        x, y = x_seen, y_seen
        if p1 or p2:
            for _ in range(_DECENTRING_STEPS):  # a contraction: decentring is a small fraction
                moved_x, moved_y = _decentred(x, y, p1, p2)
                x, y = x + (x_seen - moved_x), y + (y_seen - moved_y)
        return x, y

    def _angle_of_radius(self, radius: Array) -> Array:
        """Invert the radial polynomial: a table for the start, then guarded Newton steps."""
        angles, radii = self._table
        theta = np.interp(radius, radii, angles, right=np.nan)
        for _ in range(_RADIAL_NEWTON_STEPS):
            slope = np.maximum(_radial_slope(theta, self.k), 1e-6)
            step = (_radial(theta, self.k) - radius) / slope
            theta = np.clip(theta - step, 0.0, self.max_angle)
        return theta

    @cached_property
    def _table(self) -> tuple[Array, Array]:
        angles = np.linspace(0.0, self.max_angle, _TABLE_SIZE)
        return angles, _radial(angles, self.k)


def _radial(theta: Array, k: tuple[float, ...]) -> Array:
    t2 = theta * theta
    return theta * (1 + t2 * (k[0] + t2 * (k[1] + t2 * (k[2] + t2 * k[3]))))


def _radial_slope(theta: Array, k: tuple[float, ...]) -> Array:
    t2 = theta * theta
    return 1 + t2 * (3 * k[0] + t2 * (5 * k[1] + t2 * (7 * k[2] + t2 * 9 * k[3])))


def _decentred(x: Array, y: Array, p1: float, p2: float) -> tuple[Array, Array]:
    r2 = x * x + y * y
    return x + 2 * p1 * x * y + p2 * (r2 + 2 * x * x), y + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y


def _scaled_point(point: tuple[float, float], factor: float) -> tuple[float, float]:
    """A pixel position in a picture `factor` times as large: edges scale, centres sit half inside."""
    return (point[0] + 0.5) * factor - 0.5, (point[1] + 0.5) * factor - 0.5
