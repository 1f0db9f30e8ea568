"""The half-equirectangular view: longitude and latitude from -90 to +90 degrees.

Longitude grows to the right, latitude upwards; the poles are vertical. Conventions:
`autocal.geometry` (y is down, so the upper pole is at y = -1).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from autocal.geometry.lens import Array


def view_angles(width: int, height: int) -> tuple[Array, Array]:
    """Longitudes (width,) and latitudes (height,), rad, of the pixel centres of one eye's view.

    Column 0 lies half a pixel inside -90 degrees, row 0 half a pixel below +90 degrees.
    """
    longitude = ((np.arange(width) + 0.5) / width - 0.5) * np.pi
    latitude = (0.5 - (np.arange(height) + 0.5) / height) * np.pi
    return longitude, latitude


def direction_of_longitude_latitude(longitude: ArrayLike, latitude: ArrayLike) -> Array:
    """Unit directions (..., 3) in the rig frame; both angles in rad, broadcast together."""
    lon, lat = np.asarray(longitude, np.float64), np.asarray(latitude, np.float64)
    across = np.cos(lat)  # of as many as there are, not of all that they are broadcast to
    return np.stack(np.broadcast_arrays(across * np.sin(lon), -np.sin(lat), across * np.cos(lon)), axis=-1)


def longitude_latitude_of_direction(directions: ArrayLike) -> tuple[Array, Array]:
    """Longitude and latitude, rad, of directions (..., 3) in the rig frame."""
    d = np.asarray(directions, dtype=np.float64)
    return np.arctan2(d[..., 0], d[..., 2]), np.arctan2(-d[..., 1], np.hypot(d[..., 0], d[..., 2]))
