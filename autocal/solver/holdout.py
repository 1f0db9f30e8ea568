"""What is kept out of a solve, and how well the solve predicts it.

Whole regions of the picture are held out, and where the rig stands still whole frames too: matches
next to a used one share its errors and prove nothing. A track kept out is placed with the cameras
that the others made; what its sights then miss by is a prediction.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from autocal.geometry.epipolar import sampson_miss
from autocal.geometry.lens import Array
from autocal.geometry.parameters import rig_from_vector
from autocal.geometry.rig import Rig
from autocal.matches import EyePairs, Matches
from autocal.solver.bundle import State, residuals
from autocal.solver.freedom import CLEARLY
from autocal.solver.levenberg import Problem, squared_misfit
from autocal.solver.loss import GemanMcClure
from autocal.solver.placing import placed
from autocal.solver.robust import restrict
from autocal.solver.triangulate import retriangulated

_TILES_ACROSS = 10
FOLDS = 5  # one tile in so many is held out
_SCALE = 4.0  # sigmas, of the loss that places held-out tracks
_PLACING_SCALE = 10.0  # sigmas within which sights of a held-out track agree on its place
_MOST_GAINED = 1.0  # by one match, in the logarithm of its misfit
_FARTHEST = 30.0  # times the typical misfit: what either predicts no better fits neither


@dataclass(frozen=True, eq=False)
class Holdout:
    """train: (n,) rows used; track: (n,) rows of tracks held out; pairs: eye pairs held out, of those
    tracks and of the frames held out; tile: (n,) the part of the picture a row's track belongs to."""

    train: NDArray[np.bool_]
    track: NDArray[np.bool_]
    pairs: EyePairs
    tile: NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Prediction:
    """How held-out matches, always the same ones in the same order, fit what is predicted of them.

    misfit: (n,), square of the miss in sigmas; tile: (n,), where the match lies.
    """

    misfit: Array
    tile: NDArray[np.int64]

    def __add__(self, other: Prediction) -> Prediction:
        misfit, tile = (self.misfit, other.misfit), (self.tile, other.tile)
        return Prediction(np.concatenate(misfit), np.concatenate(tile))

    def better_than(self, other: Prediction, clearly: float = CLEARLY) -> bool:
        """Whether these predictions are better, tile by tile, by so many standard errors."""
        # What moves by itself, or is wrongly matched, fits no rig, or by chance now one and now another: the
        # first says nothing, the second no more than a good match does.
        best = np.minimum(self.misfit, other.misfit)
        fits = best <= _FARTHEST * np.median(best) if len(best) else np.zeros(0, dtype=bool)
        gain = np.log1p(other.misfit[fits] / 2) - np.log1p(self.misfit[fits] / 2)
        by_tile = np.bincount(self.tile[fits], weights=np.clip(gain, -_MOST_GAINED, _MOST_GAINED))
        by_tile = by_tile[np.unique(self.tile[fits])]
        if len(by_tile) < 4:
            return False
        spread = float(by_tile.std(ddof=1)) * np.sqrt(len(by_tile))
        return bool(by_tile.sum() > clearly * spread)


def hold_out(matches: Matches, *, frames_too: bool, fold: int = 0) -> Holdout:
    """Choose what is kept out: every fifth tile of a lattice, and every third frame where asked.

    fold: which of the `FOLDS` choices; together they keep out every tile once.
    """
    first = np.searchsorted(matches.track, matches.track)
    size = np.array(matches.size, dtype=np.float64)
    cell = np.clip(matches.pixel[first] / size * _TILES_ACROSS, 0, _TILES_ACROSS - 1).astype(np.int64)
    tile = cell[:, 1] * _TILES_ACROSS + cell[:, 0]
    # A knight's-move lattice: no two held-out tiles touch, and every row and column has its share.
    track_out = (cell[:, 0] + 2 * cell[:, 1]) % FOLDS == fold
    frame_out = (
        (matches.frame % 3 == (fold + 1) % 3)
        if frames_too and matches.frames >= 3
        else np.zeros(len(matches), bool)
    )
    pairs = matches.eye_pairs()
    out = (track_out | frame_out)[pairs.left]
    return Holdout(~track_out & ~frame_out, track_out & ~frame_out, pairs.where(out), tile)


def predict_pairs(vector: Array, holdout: Holdout, rig: Rig) -> Prediction:
    """How well a parameter vector predicts the eye-to-eye pairs that were kept out."""
    miss = unseen_misses(vector, holdout.pairs, rig) / holdout.pairs.sigma_px
    return Prediction(np.nan_to_num(miss, nan=1e3) ** 2, holdout.tile[holdout.pairs.left])


def tracks_kept_out(problem: Problem, holdout: Holdout, points: int) -> tuple[Problem, Tensor]:
    """The tracks kept out as a problem of their own, and which of all points these are, (m,)."""
    rows = torch.as_tensor(holdout.track, device=problem.seen.sigma.device)
    part = restrict(problem, rows, points)
    numbers, own = torch.unique(part.seen.point, return_inverse=True)
    return replace(part, seen=replace(part.seen, point=own)), numbers


def predict(state: State, holdout: Holdout, tracks: tuple[Problem, Tensor], rig: Rig) -> Prediction:
    """How well a state predicts what was kept out, pairs and tracks over time. tracks: `tracks_kept_out`."""
    prediction = predict_pairs(state.vector.cpu().numpy(), holdout, rig)
    part, numbers = tracks
    if not len(numbers):
        return prediction
    state = replace(state, point=state.point[numbers])
    state = retriangulated(state, part.seen, part.share, rig, _PLACING_SCALE, torch.Generator())
    state = placed(part, state, GemanMcClure(_SCALE), steps=4, tolerance=1e-4)
    r2 = squared_misfit(residuals(state, part.seen), part.share).cpu().numpy()
    return prediction + Prediction(r2, holdout.tile[holdout.track])


def unseen_misses(vector: Array, pairs: EyePairs, rig: Rig) -> Array:
    """Misses (m,), source px, of eye pairs under a parameter vector; NaN outside its lenses."""
    turned = rig_from_vector(vector, rig)
    left, right = turned.directions(0, pairs.pixel_left), turned.directions(1, pairs.pixel_right)
    return sampson_miss(left, right) * 0.5 * (turned.left.focal_px + turned.right.focal_px)
