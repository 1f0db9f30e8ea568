"""Where tracks were seen in one eye of one frame."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from autocal.geometry import Lens
from autocal.geometry.lens import Array
from autocal.matches import LEFT, RIGHT, Ints
from autocal.matching.consistency import fit_epipolar
from autocal.matching.features import spread_over_sphere
from autocal.matching.guided import FEWEST_CONSISTENT

_EPIPOLAR_SPREADS, _EPIPOLAR_LEAST_PX = 5.0, 0.6
_NEIGHBOURS = 10
#: Bounds on what noise does not explain, px: interpolation at best; at worst a wrong lens is to blame.
_LEAST_FLOOR_PX, _LARGEST_FLOOR_PX = 0.008, 0.05


@dataclass(frozen=True, eq=False)
class Sights:
    """One eye's measurements, row by row.

    track: (n,) numbers. source: (n,) rows of whatever led there. pixel: (n, 2), full resolution.
    shape: (n, 2, 2), picture offsets per offset in the track's patch, and bend: (n, 2), as
    `autocal.matching.views.predicted_warp` has them. sigma_px, correlation: (n,).
    """

    track: Ints
    source: Ints
    pixel: Array
    shape: Array
    bend: Array
    sigma_px: Array
    correlation: Array

    def __len__(self) -> int:
        return len(self.track)

    def where(self, keep: NDArray[np.bool_] | Ints) -> Sights:
        """Only the rows marked, or listed, in `keep`."""
        return Sights(
            self.track[keep],
            self.source[keep],
            self.pixel[keep],
            self.shape[keep],
            self.bend[keep],
            self.sigma_px[keep],
            self.correlation[keep],
        )

    def of(self, tracks: Ints) -> Sights:
        """Only those of the given tracks."""
        return self.where(np.isin(self.track, tracks))

    def and_also(self, other: Sights) -> Sights:
        """Both, one after the other."""
        return Sights(
            np.concatenate([self.track, other.track]),
            np.concatenate([self.source, other.source]),
            np.concatenate([self.pixel, other.pixel]),
            np.concatenate([self.shape, other.shape]),
            np.concatenate([self.bend, other.bend]),
            np.concatenate([self.sigma_px, other.sigma_px]),
            np.concatenate([self.correlation, other.correlation]),
        )


def references(tracks: Ints, source: Ints, pixel: Array) -> Sights:
    """Sights that define their tracks: their sigma follows from those measured against them."""
    n, unknown = len(tracks), np.full(len(tracks), np.nan)
    return Sights(tracks, source, pixel, np.tile(np.eye(2), (n, 1, 1)), np.zeros((n, 2)), unknown, unknown)


EyeSights = tuple[Sights, Sights]
Lenses = tuple[Lens, Lens]


def common_rows(sights: EyeSights) -> tuple[Ints, Ints]:
    """Rows of the left and the right sights that are of one track."""
    _, left, right = np.intersect1d(sights[LEFT].track, sights[RIGHT].track, return_indices=True)
    return left, right


def epipolar_inliers(left: Array, right: Array, lenses: Lenses, R_eyes: Array) -> Ints:
    """Rows of pixels (n, 2) that keep to one loose epipolar geometry. R_eyes: (3, 3), coarse."""
    if len(left) < FEWEST_CONSISTENT:
        return np.arange(len(left))
    a, b = lenses[LEFT].unproject(left), lenses[RIGHT].unproject(right)
    fit = fit_epipolar(a, b, R_eyes)
    limit = max(_EPIPOLAR_SPREADS * fit.spread, _EPIPOLAR_LEAST_PX / lenses[LEFT].focal_px)
    return np.flatnonzero(np.abs(fit.miss(a, b)) < limit)


def without_disagreement(sights: EyeSights, lenses: Lenses, R_eyes: Array) -> EyeSights:
    """Less both sights of every track whose two eyes disagree in this frame."""
    left, right = common_rows(sights)
    inliers = epipolar_inliers(sights[LEFT].pixel[left], sights[RIGHT].pixel[right], lenses, R_eyes)
    bad = np.delete(sights[LEFT].track[left], inliers)
    kept = [s.where(~np.isin(s.track, bad)) for s in sights]
    return kept[LEFT], kept[RIGHT]


def eye_misses(sights: EyeSights, lenses: Lenses, R_eyes: Array) -> tuple[Array, Array]:
    """What one frame's matches between the eyes miss by, (n,), px per ray, and their sigmas by noise.

    Less the median of their neighbours, which removes what a wrong nominal lens adds; scaled so
    that the spread stays that of a single miss.
    """
    from scipy.spatial import cKDTree

    left, right = common_rows(sights)
    if len(left) < FEWEST_CONSISTENT:
        return np.zeros(0), np.zeros(0)
    sigma = np.fmax(sights[LEFT].sigma_px[left], sights[RIGHT].sigma_px[right])  # a reference has none
    a = lenses[LEFT].unproject(sights[LEFT].pixel[left])
    b = lenses[RIGHT].unproject(sights[RIGHT].pixel[right])
    miss = fit_epipolar(a, b, R_eyes).miss(a, b) * lenses[LEFT].focal_px
    _, near = cKDTree(b).query(b, k=_NEIGHBOURS + 1)
    # The median of n values of variance 1 has variance pi / (2 n), for normal values and n not small.
    return (miss - np.median(miss[near[:, 1:]], axis=1)) / np.sqrt(1 + np.pi / (2 * _NEIGHBOURS)), sigma


def sigma_floor(miss: Array, sigma: Array) -> float:
    """What to add to sigmas, in squares, px, so that misses (n,) over sigmas (n,) have a spread of one.

    Compression, interpolation and shapes that are not affine move positions beyond what noise does.
    """
    known = np.isfinite(sigma)
    miss, sigma = np.abs(miss[known]), sigma[known]
    if not len(miss):
        return _LARGEST_FLOOR_PX
    low, high = _LEAST_FLOOR_PX, _LARGEST_FLOOR_PX
    for _ in range(30):
        middle = (low + high) / 2
        too_small = 1.4826 * np.median(miss / np.hypot(sigma, middle)) > 1.0
        low, high = (middle, high) if too_small else (low, middle)
    return float((low + high) / 2)


def thinned(sights: EyeSights, lenses: Lenses, most: int) -> EyeSights:
    """At most so many tracks, spread over the sphere, those seen by both eyes first."""
    left, right = sights
    track = np.union1d(left.track, right.track)
    eyes = np.isin(track, left.track).astype(np.float64) + np.isin(track, right.track)
    bearing = np.zeros((len(track), 3))
    for eye in (RIGHT, LEFT):
        bearing[np.searchsorted(track, sights[eye].track)] = lenses[eye].unproject(sights[eye].pixel)
    chosen = track[spread_over_sphere(bearing, eyes, most)]
    return left.of(chosen), right.of(chosen)
