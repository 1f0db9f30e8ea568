"""Places spread over the field of view, and how figures over them are summed up by zone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from autocal.geometry.lens import Array

#: Degrees off the view's centre: where people look, where they glance, the rim.
ZONES_DEG: Final = ((0.0, 30.0), (30.0, 60.0), (60.0, 90.0))


@dataclass(frozen=True, eq=False)
class Field:
    """A square grid on the azimuthal equidistant picture of the front half-space.

    angles_deg: (n,) grid coordinates, both axes, x right and y down; a place (x, y) lies
    hypot(x, y) degrees off the centre. directions: (n, n, 3) unit, in the rig frame, NaN beyond 90
    degrees. solid_angle: (n, n), relative, 0 beyond.
    """

    angles_deg: Array
    directions: Array
    solid_angle: Array

    @property
    def off_axis_deg(self) -> Array:
        """(n, n) degrees off the centre."""
        return np.hypot(self.angles_deg[None, :], self.angles_deg[:, None])


def field_grid(step_deg: float = 3.0) -> Field:
    """A grid from -90 to +90 degrees, a place every `step_deg`, the centre included."""
    count = int(90.0 / step_deg)
    angles = np.arange(-count, count + 1, dtype=np.float64) * step_deg
    x, y = np.meshgrid(np.deg2rad(angles), np.deg2rad(angles))
    theta = np.hypot(x, y)
    sinc = np.sinc(theta / np.pi)  # sin(theta) / theta
    directions = np.stack([x * sinc, y * sinc, np.cos(theta)], axis=-1)
    inside = theta <= np.pi / 2 + 1e-12
    directions[~inside] = np.nan
    return Field(angles, directions, np.where(inside, sinc, 0.0).astype(np.float64))


def azimuthal_deg(directions: ArrayLike) -> Array:
    """Azimuthal equidistant coordinates (..., 2), degrees, x right and y down, of directions (..., 3)."""
    d = np.asarray(directions, dtype=np.float64)
    rho = np.hypot(d[..., 0], d[..., 1])
    theta = np.arctan2(rho, d[..., 2])
    with np.errstate(invalid="ignore", divide="ignore"):
        scale = np.where(rho > 0, theta / rho, 1.0)
    return np.rad2deg(d[..., :2] * scale[..., None])


@dataclass(frozen=True)
class Summary:
    """A figure over the field, weighted by solid angle: of magnitudes. covered: share of the zone seen."""

    rms: float
    p95: float
    largest: float
    covered: float


def summed_up(magnitude: Array, field: Field, zone_deg: tuple[float, float] | None = None) -> Summary:
    """rms, 95th percentile and largest of `magnitude` (n, n), NaN where not seen, in a zone or all over."""
    zone: NDArray[np.bool_] = field.solid_angle > 0
    if zone_deg:
        zone &= (field.off_axis_deg >= zone_deg[0]) & (field.off_axis_deg <= zone_deg[1])
    seen = zone & np.isfinite(magnitude)
    weights, values = field.solid_angle[seen], np.abs(magnitude[seen])
    if not values.size or weights.sum() <= 0:
        return Summary(np.nan, np.nan, np.nan, 0.0)
    order = np.argsort(values)
    share = np.cumsum(weights[order]) / weights.sum()
    return Summary(
        float(np.sqrt(np.average(values**2, weights=weights))),
        float(values[order][min(int(np.searchsorted(share, 0.95)), len(values) - 1)]),
        float(values.max()),
        float(weights.sum() / field.solid_angle[zone].sum()),
    )
