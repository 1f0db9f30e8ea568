"""The epipolar fit of eye pairs alone: no points, no poses. All that footage of a rig at rest can say
of its lenses is in it (Hartley and Zisserman, 2nd ed., sec. 11.4).

    e = (a x b) . x = 0      a, b: a pair's directions in the rig frame, x: the baseline
    residual = e / sigma_e,  sigma_e: pixel noise carried through both lenses to e
"""

from __future__ import annotations

import numpy as np
import torch
from numpy.typing import NDArray

from autocal.geometry.epipolar import robust_spread
from autocal.geometry.lens import Array
from autocal.geometry.parameters import COMMON, DIFFERENCE, NAMES, eye_rotations, rig_from_vector
from autocal.geometry.rig import Rig
from autocal.matches import EyePairs
from autocal.solver.bundle import RIG_SIZE, eye_derivatives
from autocal.solver.freedom import physically_possible
from autocal.solver.loss import GemanMcClure
from autocal.solver.projection import project

_SCALE = 3.0  # of the loss, in robust sigmas of the residuals as they are
_LEAST_NOISE = 0.3  # of the pairs' own sigmas, below which residuals are not believed to be
_STEPS, _SMALL = 40, 1e-2  # a step below this part of every sigma ends the search
_HALVINGS = 5


def fit_pairs(
    pairs: EyePairs, vector: Array, free: NDArray[np.bool_], mean: Array, root: Array, rig: Rig
) -> Array:
    """The parameter vector (25,) that pairs and prior agree on best, under a loss as wide as the misfit.

    vector: where to begin. free: (25,). mean, root: of the prior, root times a change has the squared
    length that the change costs. rig: whose lenses the vector moves.
    """
    P = root.T @ root
    for _ in range(_STEPS):
        residual, slope = epipolar_rows(vector, pairs, rig)
        noise = max(robust_spread(residual), _LEAST_NOISE)
        weight = GemanMcClure(_SCALE).weight(torch.from_numpy((residual / noise) ** 2)).numpy() / noise**2
        J = slope[:, free]
        A = (J * weight[:, None]).T @ J + P[np.ix_(free, free)]
        gradient = (J * weight[:, None]).T @ residual + (P @ (vector - mean))[free]
        factor = np.linalg.inv(A)
        step = np.zeros(len(NAMES))
        step[free] = -factor @ gradient
        for _ in range(_HALVINGS):  # both lenses keep rising to their rims
            if physically_possible(vector + step, rig):
                vector = vector + step
                break
            step /= 2
        else:
            return vector
        if np.max(np.abs(step[free]) / np.sqrt(np.diag(factor))) < _SMALL:
            break
    return vector


def epipolar_rows(vector: Array, pairs: EyePairs, rig: Rig) -> tuple[Array, Array]:
    """Whitened residuals (m,) and their derivatives (m, 25), the whitening held; zero where a lens does
    not reach."""
    turned = rig_from_vector(vector, rig)
    R, dR = eye_rotations(vector[:RIG_SIZE]), eye_derivatives(vector[:RIG_SIZE])
    cameras = [turned.left.unproject(pairs.pixel_left), turned.right.unproject(pairs.pixel_right)]
    within = np.isfinite(np.concatenate(cameras, axis=1)).all(axis=1, keepdims=True)
    cameras = [np.where(within, camera, [0.0, 0.0, 1.0]) for camera in cameras]
    a, b = (camera @ turn for camera, turn in zip(cameras, R, strict=True))
    zero = np.zeros(len(a))
    by_ray = np.stack([zero, b[:, 2], -b[:, 1]], axis=1), np.stack([zero, -a[:, 2], a[:, 1]], axis=1)
    error = a[:, 1] * b[:, 2] - a[:, 2] * b[:, 1]
    slope = np.zeros((len(a), len(NAMES)))
    variance = np.zeros(len(a))
    common, half = vector[COMMON], vector[DIFFERENCE] / 2
    for eye, sign in ((0, -1.0), (1, 1.0)):
        camera = cameras[eye]
        lens = torch.from_numpy(common + sign * half)[:, None].expand(-1, len(camera))
        _, by_direction, by_lens = (t.numpy() for t in project(torch.from_numpy(camera).T, lens))
        # The pixel stays where it is: the ray moves across itself by what undoes the lens's change.
        across = np.linalg.pinv(by_direction.transpose(2, 0, 1))
        to_error = np.einsum("ni,ij,njk->nk", by_ray[eye], R[eye].T, across)
        variance += np.sum(to_error**2, axis=1)
        by_values = -np.einsum("nk,lkn->nl", to_error, by_lens)
        slope[:, COMMON] += by_values
        slope[:, DIFFERENCE] += sign / 2 * by_values
        slope[:, :RIG_SIZE] += np.einsum("ni,kji,nj->nk", by_ray[eye], dR[eye], camera)
    sigma = np.sqrt(np.maximum(variance, 1e-30)) * pairs.sigma_px
    keep = np.ravel(within) / sigma
    return error * keep, slope * keep[:, None]
