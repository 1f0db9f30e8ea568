"""What a solve may move, in which order, how far, and what to film so that it may move more.

Still footage fixes how the eyes differ, hardly what their lenses share: thousands of matches whose
errors share a cause would outvote any prior on it. Stages marked `needs_motion` are therefore only
tried on footage in which the same things were seen from different poses, and on still footage the
prior of what both lenses share is weighed against the number of independent causes
(`autocal.solver.prior.still_prior`).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from autocal.geometry.lens import WIDEST_ANGLE_RAD, Array
from autocal.geometry.parameters import COMMON, DIFFERENCE, NAMES
from autocal.geometry.rig import Rig

_NARROWEST_RIM, _WIDEST_RIM = np.deg2rad(55.0), np.deg2rad(118.0)
_FLATTEST_SLOPE = 0.05  # of r(theta) / f anywhere inside the circle: keeps the lens from folding
#: Standard errors by which a release must pay.
CLEARLY: Final = 1.0
_MOVE = "film while turning the rig by 60 degrees or more and walking a metre or two, far things in view"
_RIM = "film a scene with texture all the way to the rim, top and bottom included"


@dataclass(frozen=True)
class Stage:
    """A group of parameters released together.

    opens: a moving rig's solve begins with it released. clearly: standard errors by which such a solve must
    then predict better what was kept out.
    """

    title: str
    names: tuple[str, ...]
    needs_motion: bool
    film: str
    opens: bool = False
    clearly: float = CLEARLY

    @property
    def mask(self) -> NDArray[np.bool_]:
        """(25,) bool over the parameter vector."""
        return mask_of([self])


ROTATION: Final = Stage("rotation", ("rotation_x", "rotation_y", "rotation_z"), False, _RIM)
# As much a part of the pose as the rotation, and pinned down a hundred times better than it was known. But it
# shows on near things alone, in so few parts of the picture that their gain is never far beyond chance.
BASELINE: Final = Stage(
    "baseline direction",
    ("baseline_yaw", "baseline_roll"),
    False,
    "film things within two metres",
    opens=True,
    clearly=0.0,
)
FOCAL: Final = Stage("focal length", ("focal",), False, _MOVE, opens=True)
STAGES: Final = (
    BASELINE,
    FOCAL,
    Stage("lens shape", ("k1", "k2"), False, _MOVE, opens=True),
    Stage(
        "difference in focal length and centre",
        ("focal_difference", "centre_x_difference", "centre_y_difference"),
        False,
        _RIM,
        opens=True,
    ),
    Stage("centre", ("centre_x", "centre_y"), True, _MOVE, opens=True),
    Stage("difference in lens shape", ("k1_difference", "k2_difference"), False, _RIM),
    Stage("outer lens shape", ("k3", "k4"), False, _RIM + "; " + _MOVE),
    Stage("difference in outer lens shape", ("k3_difference", "k4_difference"), True, _RIM),
    Stage("pixel aspect", ("aspect", "aspect_difference"), True, _MOVE + "; tilt and roll it too"),
    Stage(
        "decentring",
        ("decentring_1", "decentring_2", "decentring_1_difference", "decentring_2_difference"),
        True,
        _MOVE + "; tilt and roll it too",
    ),
)


def mask_of(stages: Iterable[Stage]) -> NDArray[np.bool_]:
    """(25,) bool over the parameter vector: what any of the stages moves."""
    return np.isin(NAMES, [name for stage in stages for name in stage.names])


def physically_possible(vector: Array, rig: Rig) -> bool:
    """Whether both lenses of a parameter vector rise all the way to their circle's rim, and the rim
    lies at a believable angle. rig: for the circles."""
    theta = np.linspace(0.0, WIDEST_ANGLE_RAD, 232)
    powers = np.stack([theta ** (2 * i + 1) for i in range(5)])
    slopes = np.stack([(2 * i + 1) * theta ** (2 * i) for i in range(5)])
    common, half = vector[COMMON], vector[DIFFERENCE] / 2
    for lens, values in ((rig.left, common - half), (rig.right, common + half)):
        circle = lens.circle
        if circle is None:
            continue
        focal, cx, cy = np.exp(values[0]), values[1], values[2]
        if np.hypot(cx - circle.x, cy - circle.y) > 0.15 * circle.radius:
            return False
        k = np.r_[1.0, values[3:7]]
        outside = np.flatnonzero(focal * (k @ powers) > circle.radius)
        rim = int(outside[0]) if outside.size else len(theta) - 1
        if (k @ slopes)[: rim + 1].min() < _FLATTEST_SLOPE:
            return False
        if not _NARROWEST_RIM <= theta[rim] <= _WIDEST_RIM:
            return False
    return True
