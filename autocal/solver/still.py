"""Freedom on footage of a rig that stood still: what its pairs can say of the lenses, under a firm prior.

No part of the lenses can be judged while the others are wrong, and under their firm prior
(`autocal.solver.prior.still_prior`) none can run away: all follow the footage together if that
predicts matches kept out of the fit better, and what the footage hardly narrows is said to be held.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from autocal.geometry.epipolar import robust_spread
from autocal.geometry.lens import Array
from autocal.geometry.parameters import vector_from_rig
from autocal.matches import EyePairs, Matches
from autocal.solver.freedom import FOCAL, Stage, mask_of
from autocal.solver.holdout import FOLDS, Holdout, Prediction, hold_out, predict_pairs
from autocal.solver.prior import Prior, sights_a_cause, still_prior
from autocal.solver.release import NO_BETTER, Judged, Progress, by_footage
from autocal.solver.two_view import epipolar_rows, fit_pairs


@dataclass(frozen=True, eq=False)
class StillFit:
    """vector: (25,), of all pairs. unseen_vector: (25,), of a fit that never saw `unseen`. free: (25,)."""

    vector: Array
    unseen_vector: Array
    unseen: EyePairs
    free: NDArray[np.bool_]
    judged: tuple[Judged, ...]


def release_still(
    matches: Matches,
    begun: Array,
    always: Sequence[Stage],
    stages: Sequence[Stage],
    prior: Prior,
    tell: Progress,
) -> StillFit:
    """Fit a still rig's pairs with as much freedom as predicts matches kept out best.

    begun: (25,), where to begin. always: stages that move in any case. stages: those that are judged;
    each part of the picture is kept out once.
    """
    fit = _Fit(matches, begun, prior)
    tried = [stage for stage in stages if not stage.needs_motion]
    judged = {
        stage.title: Judged(stage, False, "the rig did not move", tried=False)
        for stage in stages
        if stage not in tried
    }
    total = max(len(tried), 1)
    tell("stages", 0, total)
    free = mask_of(always)
    vectors, prediction = fit.folds(free)
    together = mask_of([*always, *tried])
    if tried:
        by_all, better = fit.folds(together)
        if better.better_than(prediction):
            vectors, free = by_all, together
        else:  # one after the other
            for number, stage in enumerate(tried):
                tell("stages", number, total)
                by_more, better = fit.folds(free | stage.mask)
                if better.better_than(prediction):
                    vectors, prediction, free = by_more, better, free | stage.mask
                else:
                    judged[stage.title] = Judged(stage, False, NO_BETTER)
    vector = fit.of(fit.pairs, free)
    found, moved = fit.covariance(vector, free), vector - vector_from_rig(prior.rig)
    for stage in [*tried, *(stage for stage in always if stage is FOCAL)]:
        if stage.title not in judged:
            judged[stage.title] = by_footage(stage, found, moved, prior)
    tell("stages", total, total)
    order = [FOCAL, *stages] if FOCAL in always else stages
    return StillFit(
        vector, vectors[0], fit.holdouts[0].pairs, free, tuple(judged[stage.title] for stage in order)
    )


class _Fit:
    """Fits of one clip's pairs, whole or less what a fold keeps out."""

    def __init__(self, matches: Matches, begun: Array, prior: Prior) -> None:
        self.holdouts: list[Holdout] = [hold_out(matches, frames_too=True, fold=f) for f in range(FOLDS)]
        self.pairs = matches.eye_pairs()
        self._begun, self._prior = begun, prior
        self._mean = vector_from_rig(prior.rig)
        self._root = still_prior(prior.root, len(matches))

    def of(self, pairs: EyePairs, free: NDArray[np.bool_]) -> Array:
        """The vector (25,) of pairs; what is not free stays at the prior."""
        begun = np.where(free, self._begun, self._mean)
        return fit_pairs(pairs, begun, free, self._mean, self._root, self._prior.rig)

    def folds(self, free: NDArray[np.bool_]) -> tuple[list[Array], Prediction]:
        """Each fold's vector, and how well they predict what they did not see."""
        total = Prediction(np.zeros(0), np.zeros(0, dtype=np.int64))
        vectors = []
        for holdout in self.holdouts:
            seen = holdout.train[self.pairs.left] & holdout.train[self.pairs.right]
            vectors.append(self.of(self.pairs.where(seen), free))
            total = total + predict_pairs(vectors[-1], holdout, self._prior.rig)
        return vectors, total

    def covariance(self, vector: Array, free: NDArray[np.bool_]) -> Array:
        """(25, 25) of the free parameters by all pairs and what was known before; zero of the others."""
        residual, slope = epipolar_rows(vector, self.pairs, self._prior.rig)
        noise = robust_spread(residual)
        good = np.abs(residual) < 3 * noise
        J = slope[good] / max(noise, 1e-6)
        information = J.T @ J / sights_a_cause(2 * len(J)) + np.linalg.inv(self._prior.covariance)
        found = np.zeros_like(information)
        found[np.ix_(free, free)] = np.linalg.inv(information[np.ix_(free, free)])
        return found
