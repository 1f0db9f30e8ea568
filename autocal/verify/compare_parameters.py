"""Two calibrations number by number: differences in sigmas, and tests of all at once.

The test of several at once is d^T (C_A + C_B)^-1 d, chi-square with as many degrees of freedom as
numbers are tested (Hansen et al., CVPR 2012, use it for stereo drift).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from autocal.calibration import Calibration
from autocal.geometry.lens import Array
from autocal.geometry.parameters import LENS_NAMES, NAMES, RIG_NAMES, vector_from_rig

_ROTATION: Final = RIG_NAMES[:3]
_SMALLEST_EIGENVALUE: Final = 1e-10  # of a correlation matrix: below, the combination is not known apart


@dataclass(frozen=True)
class ParameterDifference:
    """One number in people's units. sigma_*: NaN where not known; in_sigmas: NaN where neither is."""

    name: str
    unit: str
    a: float
    b: float
    sigma_a: float
    sigma_b: float

    @property
    def difference(self) -> float:
        """B minus A."""
        return self.b - self.a

    @property
    def in_sigmas(self) -> float:
        """The difference over the sigma of the difference; an unknown sigma counts as none."""
        sigma = float(np.hypot(np.nan_to_num(self.sigma_a), np.nan_to_num(self.sigma_b)))
        return self.difference / sigma if sigma > 0 else float("nan")


@dataclass(frozen=True)
class JointTest:
    """Whether a group of numbers differs by more than their covariances explain."""

    name: str
    chi_square: float
    degrees_of_freedom: int
    p_value: float

    @property
    def differs(self) -> bool:
        """At the 1 % level."""
        return self.p_value < 0.01


def parameter_table(a: Calibration, b: Calibration) -> tuple[ParameterDifference, ...]:
    """Every number of both, eye by eye."""
    values_a, values_b = people_values(a), people_values(b)
    return tuple(
        ParameterDifference(name, unit, value_a, value_b, sigma_a, sigma_b)
        for (name, unit, value_a, sigma_a), (_, _, value_b, sigma_b) in zip(values_a, values_b, strict=True)
    )


def joint_tests(a: Calibration, b: Calibration) -> tuple[JointTest, ...]:
    """Tests of the rotation, the rig and everything that both have solved; none without covariances.

    Numbers that either holds to a prior are left out: two calibrations held to the same prior agree
    there without saying anything. Where the file does not say what was solved, all count.
    """
    if not (np.any(a.covariance) or np.any(b.covariance)):
        return ()
    solved = [name for name in NAMES if all(not c.solved or name in c.solved for c in (a, b))]
    groups = (
        ("relative rotation", [n for n in _ROTATION if n in solved]),
        ("rotation and baseline direction", [n for n in RIG_NAMES if n in solved]),
        ("everything solved in both", solved),
    )
    d = vector_from_rig(b.rig) - vector_from_rig(a.rig)
    tests = [_test(name, names, d, a.covariance + b.covariance) for name, names in groups if names]
    return tuple(test for test in tests if test is not None)


def _test(name: str, names: Sequence[str], d: Array, covariance: Array) -> JointTest | None:
    from scipy.stats import chi2

    index = [i for i, each in enumerate(NAMES) if each in names and covariance[i, i] > 0]
    if not index:
        return None
    scale = 1.0 / np.sqrt(np.diag(covariance)[index])
    correlation = covariance[np.ix_(index, index)] * scale * scale[:, None]
    eigenvalues, vectors = np.linalg.eigh(correlation)
    known = eigenvalues > _SMALLEST_EIGENVALUE * len(index)
    z = (vectors.T @ (d[index] * scale))[known] / np.sqrt(eigenvalues[known])
    value, freedom = float(z @ z), int(known.sum())
    return JointTest(name, value, freedom, float(chi2.sf(value, freedom)))


def people_values(calibration: Calibration) -> list[tuple[str, str, float, float]]:
    """(name, unit, value, sigma) of all numbers, the lenses eye by eye."""
    rig = calibration.rig
    covariance = calibration.covariance
    known = bool(np.any(covariance))
    vector = vector_from_rig(rig)
    yaw, pitch, roll = map(float, rig.yaw_pitch_roll_deg)
    sigma_yaw, sigma_pitch, sigma_roll = map(float, calibration.yaw_pitch_roll_sigma_deg)
    sigma = calibration.sigma
    degree = 180.0 / np.pi
    rows = [
        ("yaw", "deg", yaw, sigma_yaw),
        ("pitch", "deg", pitch, sigma_pitch),
        ("roll", "deg", roll, sigma_roll),
        ("baseline yaw", "deg", degree * float(vector[3]), degree * sigma["baseline_yaw"]),
        ("baseline roll", "deg", degree * float(vector[4]), degree * sigma["baseline_roll"]),
    ]
    for eye, sign, lens in (("left", -0.5, rig.left), ("right", 0.5, rig.right)):
        deviations = {name: _eye_sigma(covariance, name, sign) for name in LENS_NAMES}
        rows += [
            (f"{eye} focal length", "px", lens.focal_px, lens.focal_px * deviations["focal"]),
            (f"{eye} centre x", "px", lens.principal_point[0], deviations["centre_x"]),
            (f"{eye} centre y", "px", lens.principal_point[1], deviations["centre_y"]),
            *((f"{eye} k{i + 1}", "", lens.k[i], deviations[f"k{i + 1}"]) for i in range(4)),
            (f"{eye} aspect", "", lens.aspect, lens.aspect * deviations["aspect"]),
            (f"{eye} skew", "", lens.skew, float("nan")),
            (f"{eye} decentring 1", "", lens.decentring[0], deviations["decentring_1"]),
            (f"{eye} decentring 2", "", lens.decentring[1], deviations["decentring_2"]),
        ]
    return [(n, u, float(v), s if known else float("nan")) for n, u, v, s in rows]


def _eye_sigma(covariance: Array, name: str, sign: float) -> float:
    """Sigma of one eye's number, which is the common one minus or plus half the difference."""
    row = np.zeros(len(NAMES))
    row[NAMES.index(name)], row[NAMES.index(f"{name}_difference")] = 1.0, sign
    return float(np.sqrt(max(float(row @ covariance @ row), 0.0)))
