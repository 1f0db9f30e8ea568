"""Both lenses, the rig, and the board's place in every frame, fitted to the corners at once.

The lens is the solver's (`autocal.solver.projection`); instead of unknown points there is a board of
known corners. Unknowns: the 25 numbers of `autocal.geometry.parameters`, the baseline's length (the
squares give the scale), how the board is bent and stretched, and a pose a frame. Few enough for
dense normal equations. Gauss-Newton with damping after Nielsen, IMM-REP-1999-05; robust by Huber's
weights (Huber, Annals of Mathematical Statistics 35(1), 1964).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from autocal.chart.board import Board, BoardView
from autocal.errors import SolveError
from autocal.geometry.lens import Array
from autocal.geometry.parameters import COMMON, DIFFERENCE, NAMES, eye_rotations
from autocal.geometry.rotation import matrix_from_rotation_vector

Ints = NDArray[np.int64]

_RIG = len(NAMES)
_BASELINE = _RIG
_SHAPE = slice(_RIG + 1, _RIG + 9)
_SHARED = _RIG + 9
_POSE = 6
_HUBER: Final = 1.5
_STEP: Final = 1e-6

#: What is known of any fisheye lens and any board beforehand, one sigma; vague on purpose.
_PRIOR_SIGMA: Final = {
    "k1": 0.2, "k2": 0.1, "k3": 0.05, "k4": 0.02, "aspect": 0.02,
    "decentring_1": 0.005, "decentring_2": 0.005, "baseline_yaw": 0.2, "baseline_roll": 0.2,
}  # fmt: skip
_BEND_PRIOR: Final = 0.01  # of the board's half width: printed boards are bent, by little
_STRETCH_PRIOR: Final = 0.003  # printers stretch paper


@dataclass(frozen=True, eq=False)
class BoardState:
    """vector: (25,); baseline_mm; shape: (8,), seven bends and a stretch, relative; R: (frames, 3, 3)
    board to rig; t: (frames, 3), mm, of the board's middle in the rig frame."""

    vector: Array
    baseline_mm: float
    shape: Array
    R: Array
    t: Array


@dataclass(frozen=True, eq=False)
class Corners:
    """All observations, row by row. frame, eye, corner: (n,); pixel: (n, 2), px."""

    frame: Ints
    eye: Ints
    corner: Ints
    pixel: Array
    board: Board

    def __len__(self) -> int:
        return len(self.frame)

    def where(self, keep: NDArray[np.bool_]) -> Corners:
        """Only the rows marked."""
        return replace(
            self, frame=self.frame[keep], eye=self.eye[keep], corner=self.corner[keep], pixel=self.pixel[keep]
        )


@dataclass(frozen=True, eq=False)
class BoardFit:
    """A fit. residual_px: (n, 2); covariance: of all unknowns (the baseline's of its logarithm), for
    corners good to `sigma_px` each coordinate and independent of each other."""

    state: BoardState
    residual_px: Array
    sigma_px: float
    covariance: Array
    converged: bool

    @property
    def rig_covariance(self) -> Array:
        """(25, 25) over `NAMES`."""
        return self.covariance[:_RIG, :_RIG]

    @property
    def baseline_sigma_mm(self) -> float:
        """Sigma of the distance between the eyes, the squares' size taken for exact."""
        return self.state.baseline_mm * float(np.sqrt(self.covariance[_BASELINE, _BASELINE]))


def corners_of(views: Sequence[BoardView], board: Board) -> Corners:
    """All views in one table."""
    return Corners(
        np.concatenate([np.full(len(v), v.frame, dtype=np.int64) for v in views]),
        np.concatenate([np.full(len(v), v.eye, dtype=np.int64) for v in views]),
        np.concatenate([v.corner for v in views]),
        np.concatenate([v.pixel for v in views]),
        board,
    )


def fit_board(corners: Corners, start: BoardState, *, steps: int = 60) -> BoardFit:
    """Fit everything to the corners. Raises SolveError when the numbers run away."""
    state, sigma = start, 1.0
    converged = False
    for _ in range(3):  # the noise is not known beforehand: fit, measure it, fit again
        state, converged = _optimise(corners, state, sigma, steps)
        residual = linearised(corners, state)[0]
        share = np.sqrt(max(1.0 - _unknowns(corners) / residual.size, 0.1))
        sigma = float(1.4826 * np.median(np.abs(residual)) / share)
    if not np.isfinite(sigma) or sigma <= 0:
        raise SolveError("the board's corners cannot be fitted by a fisheye rig: check --board")
    residual, jacobian = linearised(corners, state)
    H = _normal(corners, residual, jacobian, state, sigma)[0]
    return BoardFit(state, residual, sigma, _inverse(H), converged)


def residuals(corners: Corners, state: BoardState) -> Array:
    """(n, 2) px: where each corner should be, minus where it was seen."""
    return linearised(corners, state)[0]


def _unknowns(corners: Corners) -> int:
    return _SHARED + _POSE * len(np.unique(corners.frame))


def _optimise(corners: Corners, state: BoardState, sigma: float, steps: int) -> tuple[BoardState, bool]:
    damping, growth = 1e-4, 2.0
    residual, jacobian = linearised(corners, state)
    cost = _cost(residual, state, sigma)
    for _ in range(steps):
        H, g = _normal(corners, residual, jacobian, state, sigma)
        diagonal = np.sqrt(np.diag(H))
        scaled = H / diagonal / diagonal[:, None] + damping * np.eye(len(H))
        step = -np.linalg.solve(scaled, g / diagonal) / diagonal
        new = moved(state, step)
        new_residual, new_jacobian = linearised(corners, new)
        new_cost = _cost(new_residual, new, sigma)
        if not new_cost <= cost:
            damping, growth = damping * growth, growth * 2
            if damping > 1e10:
                return state, True
            continue
        gained = (cost - new_cost) / max(cost, 1e-300)
        state, residual, jacobian, cost = new, new_residual, new_jacobian, new_cost
        damping, growth = max(damping / 4, 1e-12), 2.0
        if gained < 1e-9:
            return state, True
    return state, False


def moved(state: BoardState, step: Array) -> BoardState:
    """The state after a step (unknowns,): additive, but for rotations and the baseline's length."""
    poses = step[_SHARED:].reshape(-1, _POSE)
    return BoardState(
        state.vector + step[:_RIG],
        state.baseline_mm * float(np.exp(step[_BASELINE])),
        state.shape + step[_SHAPE],
        matrix_from_rotation_vector(poses[:, :3]) @ state.R,
        state.t + poses[:, 3:] * state.baseline_mm,
    )


def board_points_mm(board: Board, shape: Array) -> tuple[Array, Array]:
    """Corners (n, 3), mm from the board's middle, of a bent and stretched board; d / d shape (n, 3, 8)."""
    flat = board.points_mm - board.points_mm.mean(axis=0)
    half = float(np.abs(flat).max())
    x, y = flat[:, 0] / half, flat[:, 1] / half
    bends = np.stack([x * x, x * y, y * y, x**3, x * x * y, x * y * y, y**3], axis=1) * half
    derivative = np.zeros((len(flat), 3, 8))
    derivative[:, 2, :7] = bends
    derivative[:, 1, 7] = flat[:, 1]
    return flat + derivative @ shape, derivative


def linearised(corners: Corners, state: BoardState) -> tuple[Array, Array]:
    """Residuals (n, 2) px and their derivatives (n, 2, shared unknowns and those of the own frame)."""
    import torch

    from autocal.solver.projection import project

    n = len(corners)
    side = np.where(corners.eye == 0, 0.5, -0.5)  # from the eye to the rig's middle, in baselines
    rotations = np.stack(eye_rotations(state.vector[:5]))
    points, d_shape = board_points_mm(corners.board, state.shape)
    turned = np.einsum("nij,nj->ni", state.R[corners.frame], points[corners.corner])
    in_rig = turned + state.t[corners.frame]
    from_eye = in_rig + side[:, None] * [state.baseline_mm, 0.0, 0.0]
    R = rotations[corners.eye]
    sign = -side[:, None]  # left lens: common - difference / 2
    lenses = state.vector[COMMON] + sign * state.vector[DIFFERENCE]
    with torch.no_grad():
        ray = np.einsum("nij,nj->in", R, from_eye)
        projected = project(torch.from_numpy(ray), torch.from_numpy(np.ascontiguousarray(lenses.T)))
    pixel, d_direction, d_lens = (np.moveaxis(part.numpy(), -1, 0) for part in projected)
    d_rig = d_direction @ R  # d pixel / d point in the rig frame
    J = np.zeros((n, 2, _SHARED + _POSE))
    for i in range(5):
        change = np.zeros(5)
        change[i] = _STEP
        plus, minus = (np.stack(eye_rotations(state.vector[:5] + c)) for c in (change, -change))
        dR = ((plus - minus) / (2 * _STEP))[corners.eye]
        J[:, :, i] = np.einsum("nij,njk,nk->ni", d_direction, dR, from_eye)
    d_lens = d_lens.swapaxes(1, 2)
    J[:, :, COMMON], J[:, :, DIFFERENCE] = d_lens, d_lens * sign[:, :, None]
    J[:, :, _BASELINE] = d_rig[:, :, 0] * (side * state.baseline_mm)[:, None]
    J[:, :, _SHAPE] = d_rig @ (state.R[corners.frame] @ d_shape[corners.corner])
    # exp(w) R X moves by w x (R X)
    cross = np.cross(np.eye(3)[None], turned[:, None, :])  # (n, axis, 3): each axis x (R X)
    J[:, :, _SHARED : _SHARED + 3] = np.einsum("nij,naj->nia", d_rig, cross)
    J[:, :, _SHARED + 3 :] = d_rig * state.baseline_mm
    return pixel - corners.pixel, J


def prior_sigma() -> Array:
    """Of the (unknowns shared by all frames,) sigmas; infinite where nothing is known."""
    sigma = np.full(_SHARED, np.inf)
    for i, name in enumerate(NAMES):
        known = _PRIOR_SIGMA.get(name.removesuffix("_difference"))
        if known is not None:
            sigma[i] = known
    sigma[_SHAPE] = [*[_BEND_PRIOR] * 7, _STRETCH_PRIOR]
    return sigma


def _prior_residual(state: BoardState) -> Array:
    values = np.concatenate([state.vector, [0.0], state.shape])
    return values / prior_sigma()


def _cost(residual: Array, state: BoardState, sigma: float) -> float:
    r = np.linalg.norm(residual, axis=1) / sigma
    huber = np.where(r <= _HUBER, r * r, 2 * _HUBER * r - _HUBER**2)
    return float(huber.sum() + (_prior_residual(state) ** 2).sum())


def _weights(residual: Array, sigma: float) -> Array:
    r = np.linalg.norm(residual, axis=1) / sigma
    return np.minimum(1.0, _HUBER / np.maximum(r, 1e-12))


def _normal(
    corners: Corners, residual: Array, jacobian: Array, state: BoardState, sigma: float
) -> tuple[Array, Array]:
    """Hessian and gradient of half the cost; frames without corners stay where they are."""
    size = _SHARED + _POSE * len(state.R)
    H, g = np.zeros((size, size)), np.zeros(size)
    weight = np.sqrt(_weights(residual, sigma))[:, None] / sigma
    shared = np.arange(_SHARED)
    for frame in range(len(state.R)):
        index = np.concatenate([shared, _SHARED + _POSE * frame + np.arange(_POSE)])
        rows = corners.frame == frame
        if not rows.any():
            H[index[_SHARED:], index[_SHARED:]] = 1.0
            continue
        J = (jacobian[rows] * weight[rows][..., None]).reshape(-1, _SHARED + _POSE)
        H[np.ix_(index, index)] += J.T @ J
        g[index] += J.T @ (residual[rows] * weight[rows]).ravel()
    prior = prior_sigma()
    H[shared, shared] += prior**-2
    g[:_SHARED] += _prior_residual(state) / prior
    return H, g


def _inverse(H: Array) -> Array:
    """The inverse of a badly scaled symmetric positive matrix."""
    scale = 1.0 / np.sqrt(np.diag(H))
    return np.linalg.inv(H * scale * scale[:, None]) * scale * scale[:, None]
