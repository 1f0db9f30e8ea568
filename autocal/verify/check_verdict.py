"""The verdict on a calibration: which differences are beyond chance, and which are large enough to matter."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from autocal.geometry.lens import Array
from autocal.verify.check_change import Change
from autocal.verify.check_result import AXES, Verdict

#: A difference counts when chance alone would show one on any of the four axes in one clip of a hundred.
SIGNIFICANCE: Final = 0.01
#: Hands move a calibration in steps of 0.1 degree; a third of a step is not worth a hand (common
#: practice, no source).
HAND_STEP_DEG: Final = 0.1
MATTERS_DEG: Final = HAND_STEP_DEG / 3
#: A difference in size of 0.3 % is 8' of vertical disparity at 45 degrees off axis; a third, likewise.
SIZE_STEP_PERCENT: Final = 0.3
MATTERS_SIZE_PERCENT: Final = SIZE_STEP_PERCENT / 3
#: What a turn and a difference in size leave unexplained, locally, before the lenses are doubted.
UNEXPLAINED_ARCMIN: Final = 4.0


def decide(
    values: Array, sigmas: Array, changes: Sequence[Change], unexplained: float
) -> tuple[Verdict, tuple[str, ...]]:
    """The verdict, and the axes that drifted. values, sigmas: (4,), yaw, pitch, roll (deg), size (%).

    A change within the take counts on its own: no calibration holds before and after it.
    """
    from scipy.stats import norm

    matters = np.array([MATTERS_DEG] * 3 + [MATTERS_SIZE_PERCENT])
    beyond_chance = norm.isf(SIGNIFICANCE / len(values) / 2)  # Bonferroni over the axes
    moved = (np.abs(values) > matters) & (np.abs(values) > beyond_chance * sigmas)
    for change in changes:
        size = np.abs(change.size_deg)
        moved[:3] |= (size > MATTERS_DEG) & (size > beyond_chance * change.sigma_deg)
    axes = [name for name, m in zip((*AXES, "size"), moved, strict=True) if m]
    if unexplained > UNEXPLAINED_ARCMIN:
        axes.append("lenses")
    if axes:
        return "drifted", tuple(axes)
    return ("cannot-tell" if _open(values, sigmas).any() else "holds"), ()


def _open(values: Array, sigmas: Array) -> NDArray[np.bool_]:
    """(4,): where a difference worth a hand step cannot be excluded, at 95 %."""
    step = np.array([HAND_STEP_DEG] * 3 + [SIZE_STEP_PERCENT])
    return np.abs(values) + 1.96 * sigmas > step


def what_is_missing(values: Array, sigmas: Array) -> tuple[str, ...]:
    """What the footage lacks, in words. values, sigmas: as for `decide`."""
    names = np.array([*AXES, "size"])[_open(values, sigmas)]
    units = {"size": "%"}
    table = dict(zip((*AXES, "size"), sigmas, strict=True))
    uncertain = ", ".join(f"{n} ± {table[n]:.3f} {units.get(n, '°')}" for n in names)
    return (
        f"too uncertain: {uncertain} (one sigma). Film more texture all over the picture, near things "
        "beside far ones, for longer; or use a calibration that is itself surer",
    )


def p_value(rotation: Array, covariance: Array) -> float:
    """Of three angles (3,) with covariance (3, 3), in units that go together, if all are zero."""
    from scipy.stats import chi2

    return float(chi2.sf(rotation @ np.linalg.solve(covariance, rotation), len(AXES)))
