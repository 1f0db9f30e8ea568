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


@dataclass(frozen=True, eq=False)
class Sights:
    """One eye's measurements, row by row.

    track: (n,) numbers. source: (n,) rows of whatever led there. pixel: (n, 2), full resolution.
    shape: (n, 2, 2), picture offsets per offset in the track's patch. sigma_px, correlation: (n,).
    """

    track: Ints
    source: Ints
    pixel: Array
    shape: Array
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
            np.concatenate([self.sigma_px, other.sigma_px]),
            np.concatenate([self.correlation, other.correlation]),
        )


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
