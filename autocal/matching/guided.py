"""Two pictures matched in two passes: freely for the coarse motion, then within its reach.

The free pass must compare with everything and loses what repeats anywhere in the picture; the
guided pass compares only with what can be, and so keeps points on brickwork and near the rim.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from autocal.geometry.lens import Array
from autocal.matching.consistency import (
    EpipolarFit,
    coarse_rotation,
    essential_miss,
    fit_epipolar,
    moves_like_neighbours,
)
from autocal.matching.features import Features
from autocal.matching.pairs import Pairs, Reach, guided_pairs, mutual_pairs

#: Fewer matches than this that agree with each other prove nothing.
FEWEST_CONSISTENT = 25
_GUIDES = 5
_REACH_RAD = np.deg2rad(1.5)
_REACH_SHARE = 0.3
#: How much further off a look-alike may lie: between frames, and along an epipolar curve.
_RIVALS_RAD = (np.deg2rad(3.0), np.deg2rad(25.0))
_STRIP_RAD = np.deg2rad(0.25)  # least half width of the strip about an epipolar curve
_STRIP_SPREADS = 4.0


@dataclass(frozen=True, eq=False)
class Link:
    """How two pictures match. R: (3, 3), coarse, b ~ R a. epipolar: between eyes only."""

    pairs: Pairs
    R: Array
    epipolar: EpipolarFit | None = None
    free: int = 0  # matches of the free pass, before any check


def link_eyes(left: Features, right: Features, rng: np.random.Generator, device: str) -> Link:
    """Match the two eyes of one frame."""
    return _link(left, right, rng, device, between_eyes=True)


def link_frames(earlier: Features, later: Features, rng: np.random.Generator, device: str) -> Link:
    """Match one eye at two times."""
    return _link(earlier, later, rng, device, between_eyes=False)


def _link(a: Features, b: Features, rng: np.random.Generator, device: str, *, between_eyes: bool) -> Link:
    pairs = mutual_pairs(a.descriptor, b.descriptor, device)
    free = len(pairs)
    R, _ = coarse_rotation(a.bearing[pairs.a], b.bearing[pairs.b], rng)
    seeds, fit = _checked(a, b, pairs, R, between_eyes)
    if len(seeds) < FEWEST_CONSISTENT:
        return Link(seeds, R, fit, free)
    guided = guided_pairs(a.descriptor, b.descriptor, _within_reach(a, b, seeds, R, fit))
    pairs, fit = _checked(a, b, guided, R, between_eyes)
    return Link(pairs, R, fit, free)


def _checked(
    a: Features, b: Features, pairs: Pairs, R: Array, between_eyes: bool
) -> tuple[Pairs, EpipolarFit | None]:
    """The pairs that move like their neighbours and keep to an epipolar geometry."""
    pairs = pairs.where(moves_like_neighbours(a.bearing[pairs.a], b.bearing[pairs.b], R))
    if len(pairs) < FEWEST_CONSISTENT:
        return pairs, None
    bearing_a, bearing_b = a.bearing[pairs.a], b.bearing[pairs.b]
    if not between_eyes:
        miss = essential_miss(bearing_a, bearing_b, R)
        return pairs.where(np.abs(miss) < _tolerance(miss)), None
    fit = fit_epipolar(bearing_a, bearing_b, R)
    miss = fit.miss(bearing_a, bearing_b)
    return pairs.where(np.abs(miss) < _tolerance(miss)), fit


def _tolerance(miss: Array) -> float:
    return max(_STRIP_RAD, _STRIP_SPREADS * 1.4826 * float(np.median(np.abs(miss))))


def _within_reach(a: Features, b: Features, seeds: Pairs, R: Array, fit: EpipolarFit | None) -> Reach:
    """Where points of `a` may lie in `b`, going by the motion of the nearest seeds; and, wider, where a thing
    that only looks like them may lie: all along the epipolar curve.
    """
    from scipy.spatial import cKDTree

    turned = a.bearing @ R.T
    motion = b.bearing[seeds.b] - turned[seeds.a]
    _, near = cKDTree(turned[seeds.a]).query(turned, k=min(_GUIDES, len(seeds)))
    guides = motion[near]
    expected = np.median(guides, axis=1)
    spread = np.linalg.norm(guides - expected[:, None], axis=2).max(axis=1)
    reach = _REACH_RAD + spread + _REACH_SHARE * np.linalg.norm(expected, axis=1)
    centre = turned + expected
    normal, half_width = np.zeros_like(turned), np.inf
    if fit is not None:
        normal = np.cross(fit.baseline, a.bearing @ fit.R.T)
        normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-3)
        half_width = max(_STRIP_RAD, _STRIP_SPREADS * fit.spread) + np.deg2rad(0.25)
    # |centre - b| < r where 2 centre . b > |centre|^2 + 1 - r^2, for unit b.
    size = (centre**2).sum(axis=1) + 1.0
    return Reach(
        target=b.bearing.astype(np.float32),
        twice=(2.0 * centre).astype(np.float32),
        possible=(size - reach**2).astype(np.float32),
        alike=(size - (reach + _RIVALS_RAD[fit is not None]) ** 2).astype(np.float32),
        normal=normal.astype(np.float32),
        half_width=float(half_width),
    )
