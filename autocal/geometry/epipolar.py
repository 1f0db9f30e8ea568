"""What two rectified bearings of one point say: disparities, and the miss of a match.

Conventions: `autocal.geometry`. Every function takes unit directions in the rig frame
(rectified: the camera bearing rotated by the transpose of that eye's rotation), shape (..., 3).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from autocal.geometry.lens import Array

#: The baseline in the rig frame.
BASELINE_AXIS = np.array([1.0, 0.0, 0.0])


def vertical_disparity(left: ArrayLike, right: ArrayLike) -> Array:
    """Angle between the two epipolar planes about the baseline, as arc on the sphere, rad.

    (psi_l - psi_r) sqrt(1 - x^2), psi = atan2(y, z), x the mean of both. The difference in
    latitude is not it: for a near point off to the side the eyes see different latitudes.
    """
    a, b = np.asarray(left, dtype=np.float64), np.asarray(right, dtype=np.float64)
    x = 0.5 * (a[..., 0] + b[..., 0])
    turn = np.arctan2(a[..., 1], a[..., 2]) - np.arctan2(b[..., 1], b[..., 2])
    turn = (turn + np.pi) % (2 * np.pi) - np.pi
    return turn * np.sqrt(np.maximum(1.0 - x * x, 0.0))


def horizontal_disparity(left: ArrayLike, right: ArrayLike) -> Array:
    """asin(x_l) - asin(x_r), rad: positive nearer than infinity, negative makes eyes diverge."""
    a, b = np.asarray(left, dtype=np.float64), np.asarray(right, dtype=np.float64)
    return np.arcsin(np.clip(a[..., 0], -1, 1)) - np.arcsin(np.clip(b[..., 0], -1, 1))


def sampson_miss(left: ArrayLike, right: ArrayLike) -> Array:
    """First-order distance of a match from the epipolar constraint, rad per ray, signed.

    n.b / sqrt(|n_perp|^2 + |m_perp|^2), n = t x a, m = b x t, each with its part along the
    ray removed (Hartley and Zisserman, Multiple View Geometry, 2nd ed., sec. 11.4.3, carried
    to the sphere). Times the focal length it is in source pixels.
    """
    a, b = np.asarray(left, dtype=np.float64), np.asarray(right, dtype=np.float64)
    n = np.cross(BASELINE_AXIS, a)
    m = np.cross(b, BASELINE_AXIS)
    value = np.sum(n * b, axis=-1)
    n_perp = np.sum(n * n, axis=-1) - value**2  # n.b is n's part along b
    m_perp = np.sum(m * m, axis=-1) - np.sum(m * a, axis=-1) ** 2
    return value / np.sqrt(np.maximum(n_perp + m_perp, 1e-30))


def inverse_distance(left: ArrayLike, right: ArrayLike, baseline: float) -> Array:
    """1 / distance from the rig's centre of the point two rays meet in; negative beyond infinity.

    Least squares of the two transversal misses about the bisecting ray, in closed form:
    rays from -b/2 and +b/2 along x diverge by rho b times the bisector's part across x.
    """
    a, b = np.asarray(left, dtype=np.float64), np.asarray(right, dtype=np.float64)
    middle = a + b
    middle /= np.linalg.norm(middle, axis=-1, keepdims=True)
    across = BASELINE_AXIS - middle[..., :1] * middle  # how the baseline looks from the point
    spread = np.sum((a - b) * across, axis=-1)
    return spread / (baseline * np.maximum(np.sum(across * across, axis=-1), 1e-12))


def robust_spread(values: ArrayLike) -> float:
    """1.48 times the median absolute value: how sets of misses are summed up here."""
    v = np.asarray(values, dtype=np.float64)
    v = v[np.isfinite(v)]
    return float(1.4826 * np.median(np.abs(v))) if v.size else float("nan")
