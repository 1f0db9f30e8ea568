"""What is known of a rig before its footage is seen, as a mean and a covariance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from autocal.geometry.lens import WIDEST_ANGLE_RAD, Array, Lens
from autocal.geometry.parameters import COMMON, DIFFERENCE, NAMES
from autocal.geometry.rig import Rig

#: Priors on how a unit is built: a healthy one needs less than a degree of pan and tilt (common
#: practice, no source); three leaves room for a knock. The baseline is along the sensor rows to
#: within a degree or two.
ROTATION_SIGMA = np.deg2rad(3.0)
BASELINE_SIGMA = np.deg2rad(2.0)

#: In how many places of the picture a lens can be wrong independently; a judgement, no source.
INDEPENDENT_CAUSES: Final = 60
#: How far k1..k4 of real lenses lie from a nominal projection's: k1 reaches most of the way from the
#: equidistant projection to the equisolid one (-1/24) and half the way to the stereographic one (1/12), the
#: others are what a maker adds. Common practice, no source.
_SHAPE_SIGMAS = (0.025, 0.006, 0.002, 0.0005)


@dataclass(frozen=True, eq=False)
class Prior:
    """What is known before the footage: a rig, and the covariance (25, 25) of its parameters about it."""

    rig: Rig
    covariance: Array

    @property
    def root(self) -> Array:
        """(25, 25): times a change of the parameters, it has the squared length that the change costs."""
        return np.linalg.cholesky(np.linalg.inv(self.covariance)).T


def unit_covariance(rig: Rig, *, scale_sigma: float, circles_found: bool, rim_known: bool = True) -> Array:
    """Covariance (25, 25) of what is known of any rig before footage is seen, about its nominal lenses.

    scale_sigma: relative, of the rim's radius where `rim_known` (a field of view was stated, or
    assumed), else of the focal length. A lens whose rim is known may have another projection and then
    another focal length with it: the two are correlated.
    circles_found: whether the image circles were seen; between the eyes, the centres of what the lenses
    light tell their axes apart to a pixel or two, even where both are off by more. Manufacturing spreads
    are common practice, no source; they are wide.
    """
    radius = np.mean([_radius(lens) for lens in (rig.left, rig.right)])
    centre_difference = (0.003 if circles_found else 0.012) * radius
    common = [scale_sigma, 0.015 * radius, 0.015 * radius, *_SHAPE_SIGMAS, 0.003, 0.002, 0.002]
    difference = [0.01, centre_difference, centre_difference, 0.01, 0.005, 0.002, 5e-4, 0.001, 0.001, 0.001]
    root = np.diag([*[ROTATION_SIGMA] * 3, *[BASELINE_SIGMA] * 2, *common, *difference])
    if rim_known:
        focal = COMMON.start
        shape = slice(focal + 3, focal + 7)
        root[focal, shape] = -_scale_by_shape(rig) * _SHAPE_SIGMAS
    return root @ root.T


def still_prior(root: Array, observations: int) -> Array:
    """A prior's root (25, 25) with what a lens's misfit would drive away on still footage held as firmly
    as if each of the few dozen places in which a lens can be wrong independently were one observation:
    what both lenses share, and the direction of the baseline."""
    doubtful = np.zeros(len(NAMES), dtype=bool)
    doubtful[3 : DIFFERENCE.start] = True
    firm = root.copy()
    firm[:, doubtful] *= np.sqrt(sights_a_cause(observations))
    return firm


def sights_a_cause(observations: int) -> float:
    """How many observations of a still rig share one independent cause of misfit; 1 at the least."""
    return max(observations / INDEPENDENT_CAUSES, 1.0)


def _radius(lens: Lens) -> float:
    return lens.circle.radius if lens.circle else min(lens.size) / 2


def _scale_by_shape(rig: Rig) -> Array:
    """By how much (4,), relative, the rim's radius grows with k1..k4: mean of both lenses."""
    theta = np.linspace(0.0, WIDEST_ANGLE_RAD, 1000)
    powers = theta[:, None] ** np.array([1, 3, 5, 7, 9])
    growth = []
    for lens in (rig.left, rig.right):
        reach = powers @ np.r_[1.0, lens.k]
        rim = min(int(np.searchsorted(reach, _radius(lens) / lens.focal_px)), len(theta) - 1)
        growth.append(powers[rim, 1:] / reach[rim])
    return np.mean(growth, axis=0)
