"""Which matches can be true when the lenses are known only nominally.

Bearings of a lens that is several per cent wrong still turn alike where they are close together.
So the checks are a coarse rotation, agreement with neighbours, and, between eyes, an epipolar
fit whose leftover is allowed to vary smoothly over the field.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from autocal.geometry import matrix_from_rotation_vector
from autocal.geometry.lens import Array
from autocal.geometry.rotation import nearest_rotation

Mask = NDArray[np.bool_]

_HYPOTHESES = 600
_ROTATION_TOLERANCE_RAD = np.deg2rad(3.0)
_NEIGHBOURS = 12
_AGREEING = 4
_ALIKE_RAD = np.deg2rad(0.35)
_ALIKE_SHARE = 0.3
_SMOOTH_DEGREE = 3
_ENOUGH_FOR_SMOOTH = 120


def coarse_rotation(a: Array, b: Array, rng: np.random.Generator) -> tuple[Array, Mask]:
    """The rotation (3, 3) with b ~ R a that most matches follow, and which do.

    a, b: (n, 3) unit bearings, mostly of far things. Two matches make a hypothesis; it is
    scored by a truncated quadratic (Torr and Zisserman, CVIU 78(1), 2000, MSAC).
    """
    n = len(a)
    if n < 3:
        return np.eye(3), np.zeros(n, dtype=bool)
    first, second = rng.integers(0, n, (2, _HYPOTHESES))
    different = first != second
    first, second = first[different], second[different]
    R = _triads(b[first], b[second]) @ np.swapaxes(_triads(a[first], a[second]), 1, 2)
    sample = rng.permutation(n)[:600]
    cosine = np.einsum("hij,nj,ni->hn", R, a[sample], b[sample], optimize=True)
    off = np.arccos(np.clip(cosine, -1.0, 1.0)) / _ROTATION_TOLERANCE_RAD
    score = np.maximum(1.0 - off * off, 0.0).sum(axis=1)
    best = R[int(np.argmax(score))]
    inliers = np.zeros(n, dtype=bool)
    for _ in range(5):
        inliers = np.sum(b * (a @ best.T), axis=1) > np.cos(_ROTATION_TOLERANCE_RAD)
        if np.count_nonzero(inliers) < 3:
            break
        best = nearest_rotation(b[inliers].T @ a[inliers])
    return best, inliers


def moves_like_neighbours(a: Array, b: Array, R: Array) -> Mask:
    """Marks matches whose motion, beyond the rotation, several of their neighbours share.

    a, b: (n, 3) unit bearings; R: (3, 3), coarse, b ~ R a. Judged twice: the second time only
    neighbours that passed count.
    """
    from scipy.spatial import cKDTree

    turned = a @ R.T
    motion = b - turned
    keep = np.linalg.norm(motion, axis=1) < 0.6
    for _ in range(2):
        rows = np.flatnonzero(keep)
        if len(rows) <= _AGREEING:
            return np.zeros(len(a), dtype=bool)
        count = min(_NEIGHBOURS + 1, len(rows))
        _, near = cKDTree(turned[rows]).query(turned[rows], k=count)
        own = motion[rows][:, None, :]
        other = motion[rows[near[:, 1:]]]
        allowed = _ALIKE_RAD + _ALIKE_SHARE * np.linalg.norm(other, axis=2)
        alike = np.linalg.norm(own - other, axis=2) < allowed
        keep = np.zeros(len(a), dtype=bool)
        keep[rows[alike.sum(axis=1) >= min(_AGREEING, (count - 1) * 0.5)]] = True
    return keep


@dataclass(frozen=True, eq=False)
class EpipolarFit:
    """A loose epipolar geometry between the eyes: b R a in one plane with `baseline`.

    R: (3, 3), b ~ R a at infinity. baseline: (3,), unit, camera frame of b, near the x axis.
    smooth: coefficients of the leftover over the field, empty where there were too few matches.
    spread: 1.48 x the median absolute miss after all of it, rad.
    """

    R: Array
    baseline: Array
    smooth: Array
    spread: float

    def miss(self, a: Array, b: Array) -> Array:
        """Signed miss (n,), rad per ray, of bearings a, b (n, 3)."""
        raw = _miss(a @ self.R.T, b, self.baseline)
        return raw - _smooth_terms(b) @ self.smooth if self.smooth.size else raw


def fit_epipolar(a: Array, b: Array, R: Array) -> EpipolarFit:
    """Robust fit of the five numbers between two eyes, and a smooth leftover of wrong lenses.

    a, b: (n, 3) unit bearings, up to 40 % of them wrong; R: (3, 3), the coarse rotation.
    Iteratively reweighted least squares, Geman-McClure weights with a shrinking scale.
    """
    axis = np.array([1.0, 0.0, 0.0])
    scale = np.deg2rad(1.0)
    a_rows, b_rows = np.ascontiguousarray(a.T), np.ascontiguousarray(b.T)
    prior = 1e-4 * len(a) * np.eye(5)
    for _ in range(25):
        c = R @ a_rows
        # Component by component: np.cross takes several times as long.
        cross = np.stack([c[i - 2] * b_rows[i - 1] - c[i - 1] * b_rows[i - 2] for i in range(3)])
        value, along_b, along_c = axis @ cross, axis @ b_rows, axis @ c
        # d/dw of axis . ((w x c) x b) is -(b x axis) x c.
        lean = (b_rows * c).sum(axis=0) * axis[:, None] - along_c * b_rows
        size = _gradient_norm(along_c, along_b, value)
        design, value = np.concatenate([-lean, cross[1:]]) / size, value / size
        weight = 1.0 / (1.0 + (value / scale) ** 2) ** 2
        step = np.linalg.solve((design * weight) @ design.T + prior, -design @ (weight * value))
        R = matrix_from_rotation_vector(step[:3]) @ R
        axis = axis + np.array([0.0, step[3], step[4]])
        axis /= np.linalg.norm(axis)
        scale = max(np.deg2rad(0.1), 0.85 * scale)
    fit = EpipolarFit(R, axis, np.zeros(0), 0.0)
    smooth = _fit_smooth(b, fit.miss(a, b)) if len(a) >= _ENOUGH_FOR_SMOOTH else np.zeros(0)
    fit = EpipolarFit(R, axis, smooth, 0.0)
    return EpipolarFit(R, axis, smooth, 1.4826 * float(np.median(np.abs(fit.miss(a, b)))))


def essential_miss(a: Array, b: Array, R: Array) -> Array:
    """Misses (n,), rad per ray, from the best linear epipolar geometry of free motion.

    a, b: (n, 3) unit bearings, most of them true; R: (3, 3), the coarse rotation, b ~ R a. Hartley and
    Zisserman, 2nd ed., eq. 11.3, on the sphere, reweighted from a start that trusts R; the
    matrix is left general, which soaks up part of a wrong lens.
    """
    rows = np.einsum("ni,nj->nij", b, a).reshape(len(a), 9)
    turned = a @ R.T
    miss = _miss(turned, b, _direction_of_motion(turned, b))
    across: Array = np.ones(len(a))
    scale = max(np.deg2rad(1.0), 1.4826 * float(np.median(np.abs(miss))))
    for _ in range(15):
        weight = 1.0 / (1.0 + (miss / scale) ** 2) ** 2 / across
        _, vectors = np.linalg.eigh(rows.T @ (rows * (weight / weight.max())[:, None]))
        E = vectors[:, 0].reshape(3, 3)
        Ea, Eb = a @ E.T, b @ E
        value = np.sum(b * Ea, axis=1)
        across = np.maximum((Ea**2).sum(axis=1) + (Eb**2).sum(axis=1) - 2 * value**2, 1e-12)
        miss = value / np.sqrt(across)
        scale = max(np.deg2rad(0.15), 0.8 * scale)
    return miss


def _direction_of_motion(turned: Array, b: Array) -> Array:
    """The direction (3,) that lies in most planes of matched rays: least absolute deviations."""
    normal = np.cross(turned, b)
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), np.deg2rad(0.5))
    weight: Array = np.ones(len(b))
    t = np.array([1.0, 0.0, 0.0])
    for _ in range(20):
        _, vectors = np.linalg.eigh(normal.T @ (normal * weight[:, None]))
        t = vectors[:, 0]
        weight = 1.0 / (np.abs(normal @ t) + 0.02)
    return np.asarray(t, dtype=np.float64)


def _triads(u: Array, v: Array) -> Array:
    """Orthonormal frames (h, 3, 3), columns, built on pairs of directions (h, 3)."""
    w = np.cross(u, v)
    w /= np.maximum(np.linalg.norm(w, axis=1, keepdims=True), 1e-12)
    middle = u + v
    middle /= np.maximum(np.linalg.norm(middle, axis=1, keepdims=True), 1e-12)
    return np.stack([middle, w, np.cross(middle, w)], axis=2)


def _miss(c: Array, b: Array, t: Array) -> Array:
    value = np.cross(c, b) @ t
    return value / _gradient_norm(c @ t, b @ t, value)


def _gradient_norm(along_c: Array, along_b: Array, value: Array) -> Array:
    """How fast t . (c x b), which is `value`, changes as c and b turn on the sphere; all of them unit.
    along_c, along_b: c . t and b . t.

    The gradients are b x t and t x c, of squares 1 - (b . t)^2 and 1 - (c . t)^2; along c and along b, where
    these cannot go, both amount to the value.
    """
    total = 2.0 - along_c**2 - along_b**2 - 2.0 * value**2
    return np.sqrt(np.maximum(total, 1e-4))


def _smooth_terms(b: Array) -> Array:
    """All products x^i y^j up to a degree, on the equal-area disc; (n, terms)."""
    flat = b[:, :2] / np.sqrt(np.maximum(1.0 + b[:, 2:], 1e-3))
    x, y = flat[:, 0], flat[:, 1]
    degree = _SMOOTH_DEGREE
    return np.stack([x**i * y**j for i in range(degree + 1) for j in range(degree + 1 - i)], axis=1)


def _fit_smooth(b: Array, miss: Array) -> Array:
    terms = _smooth_terms(b)
    prior = 1e-3 * len(b) * np.eye(terms.shape[1])
    weight: Array = np.ones(len(b))
    coefficients: Array = np.zeros(terms.shape[1])
    for _ in range(15):
        normal = terms.T @ (terms * weight[:, None]) + prior
        coefficients = np.asarray(np.linalg.solve(normal, terms.T @ (weight * miss)), dtype=np.float64)
        left = miss - terms @ coefficients
        scale = max(1.4826 * float(np.median(np.abs(left))), 1e-5)
        weight = 1.0 / (1.0 + (left / (2 * scale)) ** 2) ** 2
    return coefficients
