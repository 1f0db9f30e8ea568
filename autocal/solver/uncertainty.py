"""How sure a solve is: the full covariance of the rig's parameters, and how it reaches what people see.

The inverse of the reduced normal matrix (Triggs et al. 2000, sec. 9) is the Cramer-Rao bound for
independent errors (Kay, Estimation Theory, 1993, ch. 3). Two things are added to it: what was held
is uncertain too (Schmidt's consider covariance, NASA TR R-136, 1966), and errors of matches that
share a cause, being near each other in the picture, do not average out (White, Econometrica 48(4),
1980: the cluster-robust covariance).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from numpy.typing import NDArray

from autocal.geometry.lens import Array
from autocal.geometry.parameters import rig_from_vector, vector_from_rig
from autocal.geometry.rig import Rig
from autocal.solver.bundle import GLOBAL_SIZE, POSE_SIZE, State, linearise
from autocal.solver.levenberg import Problem, information_at
from autocal.solver.prior import sights_a_cause

_TILES_ACROSS = 8
#: Below this, shared causes cannot be told from chance with a few dozen tiles.
_CLEAR_INFLATION = 1.3


def covariance(problem: Problem, state: State, solved: torch.Tensor, held_covariance: Array) -> Array:
    """Covariance (25, 25) of the global parameters.

    problem: inliers only, with sigmas already scaled by the real residuals. solved: (25,) bool.
    held_covariance: (25, 25), prior covariance, of which the part not solved is used.
    """
    return covariance_of(information(problem, state), solved, held_covariance)


def information(problem: Problem, state: State) -> Array:
    """What inliers and prior say of all global parameters, which come first, and of the free poses: (m, m),
    points eliminated."""
    everything = problem.free_index(torch.ones(GLOBAL_SIZE, dtype=torch.bool, device=state.vector.device))
    return information_at(problem, state, everything).cpu().numpy()


def inflated(known: Array, problem: Problem, factor: float) -> Array:
    """`information` of observations whose variance is so many times as great; the prior stays."""
    prior = np.zeros_like(known)
    root = problem.prior_root.cpu().numpy()
    prior[:GLOBAL_SIZE, :GLOBAL_SIZE] = root.T @ root
    return (known - prior) / factor + prior


def covariance_of(known: Array, solved: torch.Tensor, held_covariance: Array) -> Array:
    """`covariance` by what is known already: `information`."""
    moving = _moving(known, solved)
    inverse = np.linalg.inv(known[np.ix_(moving, moving)])
    s, h = np.flatnonzero(moving[:GLOBAL_SIZE]), np.flatnonzero(~moving)
    towards_held = -(inverse @ known[np.ix_(moving, ~moving)])[: len(s)]
    of_held = held_covariance[np.ix_(h, h)]
    full = np.zeros((GLOBAL_SIZE, GLOBAL_SIZE))
    full[np.ix_(s, s)] = inverse[: len(s), : len(s)] + towards_held @ of_held @ towards_held.T
    full[np.ix_(s, h)] = towards_held @ of_held
    full[np.ix_(h, s)] = full[np.ix_(s, h)].T
    full[np.ix_(h, h)] = of_held
    return 0.5 * (full + full.T)


def _moving(known: Array, solved: torch.Tensor) -> NDArray[np.bool_]:
    """Which rows of `information` move: what is solved, and the poses."""
    return np.r_[solved.cpu().numpy(), np.ones(len(known) - GLOBAL_SIZE, dtype=bool)]


def shared_cause_inflation(problem: Problem, state: State, solved: torch.Tensor, known: Array) -> float:
    """By how much the variance that neighbours share exceeds independent errors', over the solved parameters.

    At the optimum a point's own gradient vanishes, so the score of a tile of the picture is the plain
    sum of its rows' gradients by the cameras. known: `information`.
    """
    seen = problem.seen
    tile = _tiles(problem)
    tiles = int(tile.max()) + 1
    k = int(solved.sum())
    if tiles < 12 or k == 0:
        return 1.0
    moving = _moving(known, solved)
    inverse = np.linalg.inv(known[np.ix_(moving, moving)])
    free = problem.free_index(solved)
    lin = linearise(state, seen)
    by_camera = (lin.by_camera * lin.residual).sum(dim=1).T
    scores = by_camera.new_zeros(tiles, GLOBAL_SIZE).index_add_(0, tile, by_camera[:, :GLOBAL_SIZE])
    poses = by_camera.new_zeros(tiles * problem.frames, POSE_SIZE)
    poses.index_add_(0, tile * problem.frames + seen.frame, by_camera[:, GLOBAL_SIZE:])
    score = torch.cat([scores, poses.view(tiles, -1)], dim=1)[:, free].cpu().numpy()
    influence = score @ inverse[:, :k]
    clustered = tiles / (tiles - 1) * np.sum(influence**2, axis=0)
    ratio = float(np.mean(clustered / np.diag(inverse)[:k]))
    return ratio if ratio > _CLEAR_INFLATION else 1.0


def still_inflation(problem: Problem, state: State, solved: torch.Tensor, known: Array) -> float:
    """`shared_cause_inflation` of a rig that stood still: every frame repeats the lens's misfit, so matches
    count at most as much as the places in which a lens can be wrong."""
    return max(shared_cause_inflation(problem, state, solved, known), sights_a_cause(len(problem.seen)))


def _tiles(problem: Problem) -> torch.Tensor:
    """(n,): a number for the part of the picture in which each row's point was first seen."""
    seen = problem.seen
    first = torch.searchsorted(seen.point, seen.point)  # sorted by point: the point's first row
    place = seen.pixel[first]
    low, high = place.amin(dim=0), place.amax(dim=0)
    cell = ((place - low) / (high - low).clamp_min(1) * (_TILES_ACROSS - 1e-6)).long()
    label = (seen.eye[first] * _TILES_ACROSS + cell[:, 1]) * _TILES_ACROSS + cell[:, 0]
    return torch.unique(label, return_inverse=True)[1]


@dataclass(frozen=True, eq=False)
class FieldUncertainty:
    """What a covariance means out in the field.

    directions: (n, 3), rig frame. slopes: (m, 2, n, 3), how what the eyes see there changes with each
    parameter that is uncertain, NaN where an eye sees nothing. covariance: (m, m), of these.
    """

    directions: Array
    slopes: Array
    covariance: Array

    @staticmethod
    def of(rig: Rig, cov: Array, directions: Array) -> FieldUncertainty:
        """cov: (25, 25), of the rig's parameters."""
        vector = vector_from_rig(rig)
        steps = np.sqrt(np.maximum(np.diag(cov), 0.0))
        uncertain = np.flatnonzero(steps > 0)
        pixels = [rig.pixels(eye, directions) for eye in (0, 1)]
        columns = []
        for i in uncertain:
            step = 1e-3 * steps[i]
            change = np.zeros(len(vector))
            change[i] = step
            ahead, behind = (rig_from_vector(vector + sign * change, rig) for sign in (1, -1))
            moved = [
                ahead.directions(eye, pixels[eye]) - behind.directions(eye, pixels[eye]) for eye in (0, 1)
            ]
            columns.append(np.array(moved) / (2 * step))
        slopes = np.array(columns).reshape(len(uncertain), 2, len(directions), 3)
        return FieldUncertainty(directions, slopes, cov[np.ix_(uncertain, uncertain)])

    def map_sigma(self) -> Array:
        """Of the map, (n,) rad, of the worse eye, after the one common rotation that aligns both best."""
        J = self._aligned()
        return np.asarray(np.sqrt(np.einsum("aenk,ab,benk->en", J, self.covariance, J).max(axis=0)))

    def vertical_sigma(self) -> Array:
        """Of the vertical disparity of distant points, (n,) rad."""
        vertical = _vertical_slope(self._aligned(), self.directions)
        return np.asarray(np.sqrt(np.einsum("an,ab,bn->n", vertical, self.covariance, vertical)))

    def infinity_sigma(self, within: float) -> float:
        """Of the mean horizontal disparity, rad, of distant points up to so far off axis, rad."""
        inner = self.directions[:, 2] > np.cos(within)
        x = self.directions[inner, 0]
        across = (self.slopes[:, 0, inner, 0] - self.slopes[:, 1, inner, 0]) / np.sqrt(1 - x * x)
        mean = np.nanmean(across, axis=1)
        return float(np.sqrt(mean @ self.covariance @ mean))

    def _aligned(self) -> Array:
        """The slopes less what one rotation common to both eyes makes."""
        J = np.nan_to_num(self.slopes)
        return J - _common_rotation(J, self.directions)


def _common_rotation(J: Array, d: Array) -> Array:
    """The part of each change (m, 2, n, 3) of directions (n, 3) that one rotation of everything makes."""
    projector = 2 * (len(d) * np.eye(3) - d.T @ d)
    turn = np.linalg.solve(projector, np.cross(d, J).sum(axis=(1, 2))[..., None])[..., 0]
    return np.cross(turn[:, None, None, :], d)


def _vertical_slope(J: Array, d: Array) -> Array:
    """Change (m, n) of the vertical disparity with changes (m, 2, n, 3) of the directions (n, 3)."""
    y, z = d[:, 1], d[:, 2]
    across2 = np.maximum(y * y + z * z, 1e-12)
    turn = (z * J[..., 1] - y * J[..., 2]) / across2
    return (turn[:, 0] - turn[:, 1]) * np.sqrt(across2)
