"""How far the eyes have turned against each other since a calibration, from matches between the eyes.

The calibration's lenses are held. Six numbers are fitted to the epipolar constraint: the turn of one
eye against the other (three), the direction of the baseline (two: a knock to one eye changes it as
well), and the difference in size of the two pictures, which would otherwise pass for a turn.

Everything is linear about a working point, so that windows of a take are fitted from one table of rows.
Errors of matches near each other share a cause: the covariance is summed up by cells of the picture
(sandwich estimator over clusters: Liang, Zeger, Biometrika 73, 1986), for an M-estimate with Tukey's
biweight (Huber, Ronchetti, Robust Statistics, 2nd ed., 2009, secs. 4.8 and 7.6).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from autocal.calibration import Calibration
from autocal.geometry.epipolar import BASELINE_AXIS, robust_spread
from autocal.geometry.lens import Array, Lens
from autocal.geometry.parameters import NAMES, rig_from_vector, vector_from_rig
from autocal.geometry.rig import Rig
from autocal.geometry.rotation import (
    matrix_from_rotation_vector,
    rotation_about,
    rotation_vector_from_matrix,
    yaw_pitch_roll_from_matrix,
)
from autocal.matches import LEFT, RIGHT, EyePairs
from autocal.verify.field import azimuthal_deg

#: The numbers fitted: turn of the left view about the rig's axes against the right one, half by each
#: eye, rad; baseline yaw, baseline roll, rad; log of right size over left size.
FITTED: Final = ("turn_x", "turn_y", "turn_z", "baseline_yaw", "baseline_roll", "size")
CELL_DEG: Final = 15.0
_CELLS_ACROSS: Final = int(180.0 / CELL_DEG)
#: A healthy unit needs less than a degree of pan and tilt (common practice, no source); three leaves
#: room for a knock. What the matches do not see stays near the calibration instead of running away.
_PRIOR: Final = np.array([*np.deg2rad([3.0, 3.0, 3.0, 2.0, 2.0]), 0.02])
_BIWEIGHT: Final = 4.685  # 95 % efficiency for Gaussian errors: Huber, Ronchetti, sec. 4.8, from memory
_ROUNDS: Final = 12
_RELINEARISE_RAD: Final = np.deg2rad(0.1)  # what is left of the second order is below 0.0002 degree
_STEP_PX: Final = 0.5
#: Steps of the numeric derivative by the parameters: small against what the constraint bends over.
_STEPS: Final = np.array([1e-5 if not n.startswith("centre") else 1e-2 for n in NAMES])

_BY_ROW: Final = (
    "rows", "value", "sigma", "left", "right", "cell", "frame", "pair", "growth_left", "growth_right"
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Rows:
    """The constraint of every pair, to first order about a working point.

    rows: (n, 6) by `FITTED`; value: (n,); sigma: (n,), of the value, from the pixel sigmas;
    left, right: (n, 3) rectified unit directions at the working point; cell: (n,), part of the
    picture; frame: (n,); pair: (n,) index into the pairs they come from, less those outside the lenses.
    growth_left, growth_right: (n,), rad by which a ray leaves its eye's axis when the focal length falls,
    per unit of its log. R_cal_left, R_cal_right: (3, 3), what turns the calibration's rectified directions
    to the working point's; size: log of the size ratio there.
    """

    rows: Array
    value: Array
    sigma: Array
    left: Array
    right: Array
    cell: NDArray[np.int64]
    frame: NDArray[np.int64]
    pair: NDArray[np.int64]
    growth_left: Array
    growth_right: Array
    R_cal_left: Array
    R_cal_right: Array
    size: float

    def __len__(self) -> int:
        return len(self.value)

    def where(self, keep: NDArray[np.bool_]) -> Rows:
        """Only the rows marked in `keep` (n,)."""
        return replace(self, **{name: getattr(self, name)[keep] for name in _BY_ROW})


@dataclass(frozen=True, eq=False)
class Fit:
    """A fit of `FITTED` about a working point.

    vector: (6,); covariance: (6, 6), of the matches alone; normal: (6, 6), rows weighted, with the prior;
    weight: (n,), of each row, 0 for those that disagree; noise: factor by which the misses exceed
    their sigmas; cells: parts of the picture that take part.
    """

    vector: Array
    covariance: Array
    normal: Array
    weight: Array
    noise: float
    cells: int

    @property
    def agreeing(self) -> NDArray[np.bool_]:
        """(n,): rows that take part."""
        return self.weight > 0


def rows_of(rig: Rig, pairs: EyePairs) -> Rows:
    """The constraint's rows about the calibration itself."""
    a, da = _rays(rig.left, pairs.pixel_left)
    b, db = _rays(rig.right, pairs.pixel_right)
    pair = np.flatnonzero(np.isfinite(da).all(axis=(1, 2)) & np.isfinite(db).all(axis=(1, 2)))
    left, right = a[pair] @ rig.R_left, b[pair] @ rig.R_right
    # n . d(ray)/d(pixel): how the constraint moves with a pixel of either eye.
    n, m = np.cross(right, BASELINE_AXIS), np.cross(BASELINE_AXIS, left)
    by_left = np.einsum("ni,nji->nj", n @ rig.R_left.T, da[pair])
    by_right = np.einsum("ni,nji->nj", m @ rig.R_right.T, db[pair])
    sigma = pairs.sigma_px[pair] * np.sqrt(np.sum(by_left**2, axis=1) + np.sum(by_right**2, axis=1))
    growths = (
        _growth(rig.left, pairs.pixel_left[pair], a[pair]),
        _growth(rig.right, pairs.pixel_right[pair], b[pair]),
    )
    grid = np.clip(azimuthal_deg(left) / CELL_DEG + _CELLS_ACROSS / 2, 0, _CELLS_ACROSS - 1).astype(np.int64)
    return Rows(
        *_linearised(rig, left, right, *growths),
        np.maximum(sigma, 1e-12),
        left,
        right,
        grid[:, 1] * _CELLS_ACROSS + grid[:, 0],
        pairs.frame[pair],
        pair,
        *growths,
        np.eye(3),
        np.eye(3),
        0.0,
    )


def fit_rows(rows: Rows) -> Fit:
    """Fit the rows, whatever a third of them say."""
    A = rows.rows / rows.sigma[:, None]
    y = rows.value / rows.sigma
    prior = np.diag(_PRIOR**-2)
    x: Array = np.zeros(len(FITTED))
    residual: Array = y
    scale = max(robust_spread(residual), 1e-9)
    for step in range(_ROUNDS):
        u = residual / (scale * _BIWEIGHT)
        if step < _ROUNDS // 2:  # far from the answer a bounded slope keeps all in play (Cauchy)
            weight = 1 / (1 + (residual / scale) ** 2)
        else:
            weight = np.where(np.abs(u) < 1, (1 - u * u) ** 2, 0.0)
        weighted = A * weight[:, None]
        x = np.asarray(np.linalg.solve(weighted.T @ A + prior, -weighted.T @ y))
        residual = y + A @ x
        scale = max(robust_spread(residual), 1e-9)
    inside = np.abs(u) < 1
    slope = np.where(inside, (1 - u * u) * (1 - 5 * u * u), 0.0)
    normal = weighted.T @ A + prior
    covariance, cells = _sandwich(A, weight * residual, slope, rows.cell, prior)
    return Fit(x, covariance, normal, weight, scale, cells)


def refined(rows: Rows, rig: Rig) -> tuple[Rows, Fit]:
    """A fit of all rows, the working point moved until the constraint is linear there."""
    fit = fit_rows(rows)
    for _ in range(4):
        if np.abs(fit.vector[:5]).max() < _RELINEARISE_RAD:
            break
        rows = _moved(rows, fit.vector, rig)
        fit = fit_rows(rows)
    return rows, fit


def yaw_pitch_roll_deg(rows: Rows, vector: Array, rig: Rig) -> Array:
    """Yaw, pitch, roll (3,), degrees, of the right eye now against where the calibration has it."""
    turn = matrix_from_rotation_vector(vector[:3] / 2)
    R_left = rig.R_left @ (turn @ rows.R_cal_left).T
    R_right = rig.R_right @ (turn.T @ rows.R_cal_right).T
    change = R_right @ R_left.T @ rig.relative_rotation.T
    return np.rad2deg(yaw_pitch_roll_from_matrix(change))


def axes_from_fitted(rig: Rig) -> Array:
    """(3, 6): yaw, pitch, roll, degrees, and their covariances, from `FITTED`, to first order.

    The relative rotation turns by the fitted turn carried into the camera (`autocal.geometry`: yaw,
    pitch, roll are minus the y, x, z parts of its rotation vector).
    """
    half = matrix_from_rotation_vector(rotation_vector_from_matrix(rig.relative_rotation) / 2)
    mean = half @ rig.R_left
    return np.rad2deg(np.concatenate([-mean[[1, 0, 2]], np.zeros((3, 3))], axis=1))


def from_calibration(rows: Rows, fit: Fit, calibration: Calibration, pairs: EyePairs) -> Array:
    """(6, 6): covariance of the fit if nothing moved and only the calibration's own errors were at work.

    An error of the calibration moves every constraint; the fit answers to what looks like a turn. Errors that
    matches do not see (both lenses alike, say) cancel, whatever their own sigma is.
    """
    if not np.any(calibration.covariance):
        return np.zeros((len(FITTED), len(FITTED)))
    rig = calibration.rig
    vector = vector_from_rig(rig)
    by_parameter = np.empty((len(rows), len(NAMES)))
    known = np.diag(calibration.covariance) > 0
    for i, step in enumerate(_STEPS):
        if not known[i]:
            by_parameter[:, i] = 0.0
            continue
        ends = []
        for sign in (1.0, -1.0):
            moved = rig_from_vector(vector + sign * step * np.eye(len(NAMES))[i], rig)
            left = moved.directions(LEFT, pairs.pixel_left[rows.pair])
            right = moved.directions(RIGHT, pairs.pixel_right[rows.pair])
            ends.append(np.cross(left, right)[:, 0])
        by_parameter[:, i] = (ends[0] - ends[1]) / (2 * step)
    by_parameter = np.nan_to_num(by_parameter)  # moved past the lens's range
    weighted = rows.rows * (fit.weight / rows.sigma**2)[:, None]
    answer = np.linalg.solve(fit.normal, weighted.T @ by_parameter)
    return np.asarray(answer @ calibration.covariance @ answer.T)


def _linearised(
    rig: Rig, left: Array, right: Array, growth_left: Array, growth_right: Array
) -> tuple[Array, Array]:
    """Rows (n, 6) and value (n,) of x . (left x right) = 0 about rectified directions (n, 3).

    As the solver's start has them for turns and the baseline; size: half of the ratio by each eye.
    """
    e = np.cross(left, right)
    turn = 0.5 * (left[:, :1] * right + right[:, :1] * left)
    turn -= np.sum(left * right, axis=1, keepdims=True) * BASELINE_AXIS
    grow_left = _outwards(left, rig.R_left[2]) * growth_left[:, None]
    grow_right = _outwards(right, rig.R_right[2]) * growth_right[:, None]
    # A larger right picture: seen at a larger radius than its calibration says, so its true ray lies inwards.
    size = 0.5 * np.cross(grow_left, right)[:, 0] - 0.5 * np.cross(left, grow_right)[:, 0]
    rows = np.concatenate([turn, -e[:, 2:], e[:, 1:2], size[:, None]], axis=1)
    return rows, e[:, 0]


def _outwards(rays: Array, axis: Array) -> Array:
    """(n, 3): unit vectors along the sphere, away from the axis; zero on it."""
    away = (rays @ axis)[:, None] * rays - axis
    return away / np.maximum(np.linalg.norm(away, axis=1, keepdims=True), 1e-12)


def _growth(lens: Lens, pixels: Array, rays: Array) -> Array:
    """(n,): rad by which rays leave the axis when the focal length falls, per unit of its log."""
    step = 1e-4
    moved = replace(lens, focal_px=lens.focal_px * (1 - step)).unproject(pixels)
    return np.nan_to_num(np.linalg.norm(moved - rays, axis=1) / step)


def _moved(rows: Rows, vector: Array, rig: Rig) -> Rows:
    """The rows about a working point `vector` (6,) further on."""
    turn = matrix_from_rotation_vector(vector[:3] / 2)
    level = (rotation_about("z", vector[4]) @ rotation_about("y", vector[3])).T
    half = 0.5 * vector[5]
    # The axes are turned with the working point.
    left_axis, right_axis = rows.R_cal_left @ rig.R_left[2], rows.R_cal_right @ rig.R_right[2]
    left = rows.left + half * rows.growth_left[:, None] * _outwards(rows.left, left_axis)
    right = rows.right - half * rows.growth_right[:, None] * _outwards(rows.right, right_axis)
    to_left, to_right = level @ turn, level @ turn.T
    left, right = (d / np.linalg.norm(d, axis=1, keepdims=True) for d in (left, right))
    left, right = left @ to_left.T, right @ to_right.T
    matrix, value = _linearised(rig, left, right, rows.growth_left, rows.growth_right)
    return replace(
        rows,
        rows=matrix,
        value=value,
        left=left,
        right=right,
        R_cal_left=to_left @ rows.R_cal_left,
        R_cal_right=to_right @ rows.R_cal_right,
        size=rows.size + float(vector[5]),
    )


def _rays(lens: Lens, pixels: Array) -> tuple[Array, Array]:
    """Bearings (n, 3) and their derivatives (n, 2, 3) by the pixel's x and y."""
    ray = lens.unproject(pixels)
    moved = lens.unproject(pixels[:, None] + _STEP_PX * np.eye(2))
    return ray, (moved - ray[:, None]) / _STEP_PX


def _sandwich(
    A: Array, weighted: Array, slope: Array, cell: NDArray[np.int64], prior: Array
) -> tuple[Array, int]:
    """Covariance (6, 6) of the fit from its scores summed up by cell, and the number of cells.

    Never smaller, on any axis, than if all matches were independent.
    """
    number, index = np.unique(cell[slope != 0], return_inverse=True)
    cells, unknowns = len(number), A.shape[1]
    bread = np.linalg.inv((A * np.maximum(slope, -0.2)[:, None]).T @ A + prior)
    scores = np.zeros((cells, unknowns))
    np.add.at(scores, index, (A * weighted[:, None])[slope != 0])
    small_sample = cells / max(cells - unknowns, 1)
    clustered = bread @ (scores.T @ scores * small_sample) @ bread
    independent = bread @ ((A * weighted[:, None] ** 2).T @ A) @ bread
    raised = np.sqrt(np.maximum(np.diag(independent) / np.maximum(np.diag(clustered), 1e-300), 1.0))
    return clustered * raised * raised[:, None], cells
