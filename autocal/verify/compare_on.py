"""Which of two calibrations fits a clip's matches better, and whether that is more than chance.

Neighbouring matches share their errors' cause, so matches are not counted as independent: whole
regions of the picture are drawn again and again (bootstrap over clusters: Efron, Tibshirani, An
Introduction to the Bootstrap, 1993).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from autocal.calibration import Calibration
from autocal.errors import MatchError
from autocal.geometry.epipolar import robust_spread, sampson_miss, vertical_disparity
from autocal.geometry.lens import Array
from autocal.matches import LEFT, RIGHT, EyePairs
from autocal.verify.field import azimuthal_deg

_RINGS_DEG: Final = (20.0, 40.0, 60.0, 75.0)
_SECTORS: Final = 8
_FEWEST_IN_REGION: Final = 5
_FEWEST_REGIONS: Final = 8
_CLIPPED_SPREADS: Final = 3.0  # a wrong match says nothing about a calibration, however wrong it is
_DRAWS: Final = 2000


@dataclass(frozen=True)
class ClipFit:
    """B against A on one clip.

    miss_a_px, miss_b_px: misses, source px, 1.48 x the median absolute; vertical_a_arcmin,
    vertical_b_arcmin: vertical disparity, likewise. matches, regions: how many. p_value: of the
    difference in misses, two-sided. better: "a" or "b", None where chance explains the difference.
    """

    miss_a_px: float
    miss_b_px: float
    vertical_a_arcmin: float
    vertical_b_arcmin: float
    matches: int
    regions: int
    p_value: float

    @property
    def better(self) -> str | None:
        """At the 1 % level."""
        if self.p_value >= 0.01:
            return None
        return "a" if self.miss_a_px < self.miss_b_px else "b"


def fit_on_clip(a: Calibration, b: Calibration, pairs: EyePairs, rng: np.random.Generator) -> ClipFit:
    """Compare how two calibrations of one size fit matches between the eyes that neither was made from.

    Raises MatchError when the matches cover too few regions of the picture.
    """
    miss_a, vertical_a = _misses(a, pairs)
    miss_b, vertical_b = _misses(b, pairs)
    both = np.isfinite(miss_a) & np.isfinite(miss_b)
    region = _regions(a, pairs)[both]
    miss_a, miss_b = miss_a[both], miss_b[both]
    limit = _CLIPPED_SPREADS * max(robust_spread(miss_a), robust_spread(miss_b))
    gain = np.minimum(np.abs(miss_b), limit) - np.minimum(np.abs(miss_a), limit)
    numbers, index, counts = np.unique(region, return_inverse=True, return_counts=True)
    enough = counts >= _FEWEST_IN_REGION
    if enough.sum() < _FEWEST_REGIONS:
        raise MatchError(
            f"matches are found in {int(enough.sum())} regions of the picture, at least {_FEWEST_REGIONS} "
            "are needed to compare calibrations: choose a clip with more texture"
        )
    means = (np.bincount(index, gain, len(numbers)) / counts)[enough]
    return ClipFit(
        robust_spread(miss_a),
        robust_spread(miss_b),
        robust_spread(vertical_a[both]),
        robust_spread(vertical_b[both]),
        int(both.sum()),
        int(enough.sum()),
        _p_value(means, rng),
    )


def _misses(calibration: Calibration, pairs: EyePairs) -> tuple[Array, Array]:
    """Misses, px of the source, and vertical disparities, arcmin; NaN outside the lenses."""
    rig = calibration.rig
    left, right = rig.directions(LEFT, pairs.pixel_left), rig.directions(RIGHT, pairs.pixel_right)
    focal = 0.5 * (rig.left.focal_px + rig.right.focal_px)
    return sampson_miss(left, right) * focal, np.rad2deg(vertical_disparity(left, right)) * 60.0


def _regions(calibration: Calibration, pairs: EyePairs) -> NDArray[np.int64]:
    """A number for the ring and sector of the field that each match lies in."""
    x, y = azimuthal_deg(calibration.rig.directions(LEFT, pairs.pixel_left)).T
    ring = np.searchsorted(_RINGS_DEG, np.nan_to_num(np.hypot(x, y)))
    sector = np.floor(np.nan_to_num(np.arctan2(y, x)) / (2 * np.pi) % 1.0 * _SECTORS).astype(np.int64)
    return np.asarray(ring * _SECTORS + sector % _SECTORS, dtype=np.int64)


def _p_value(means: Array, rng: np.random.Generator) -> float:
    """Two-sided, that the mean over regions is zero: studentised bootstrap over regions."""
    count = len(means)
    error = means.std(ddof=1) / np.sqrt(count)
    if error == 0:
        return 1.0 if means.mean() == 0 else 1.0 / (_DRAWS + 1)
    drawn = means[rng.integers(0, count, (_DRAWS, count))]
    spread = drawn.std(axis=1, ddof=1) / np.sqrt(count)
    t = (drawn.mean(axis=1) - means.mean()) / np.maximum(spread, 1e-300)
    beyond = int(np.sum(np.abs(t) >= abs(means.mean() / error)))
    return (beyond + 1) / (_DRAWS + 1)
