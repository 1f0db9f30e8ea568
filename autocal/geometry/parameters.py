"""The numbers that describe a rig, in one vector: what a solve moves and a covariance speaks of.

Each lens quantity is split into what both eyes share (their mean) and what differs (right minus
left): footage tells the two apart with very different certainty.

    rotation_x, _y, _z      rotation vector of R_right @ R_left.T, rad
    baseline_yaw, _roll     direction of the baseline against the mean camera, rad
    NAME                    mean of both lenses: focal (log px), centre_x, centre_y (px), k1..k4,
                            aspect (log), decentring_1, decentring_2
    NAME_difference         right minus left of the same

The mean camera is turned half of the relative rotation from each eye:
``R_left = exp(-w/2) B``, ``R_right = exp(w/2) B``, ``B = Rz(baseline_roll) Ry(baseline_yaw)``.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from autocal.geometry.lens import Array, Lens
from autocal.geometry.rig import Rig
from autocal.geometry.rotation import (
    matrix_from_rotation_vector,
    rotation_about,
    rotation_vector_from_matrix,
)

RIG_NAMES: Final = ("rotation_x", "rotation_y", "rotation_z", "baseline_yaw", "baseline_roll")
LENS_NAMES: Final = (
    "focal", "centre_x", "centre_y", "k1", "k2", "k3", "k4", "aspect", "decentring_1", "decentring_2",
)  # fmt: skip
DIFFERENCE_NAMES: Final = tuple(f"{name}_difference" for name in LENS_NAMES)
NAMES: Final = RIG_NAMES + LENS_NAMES + DIFFERENCE_NAMES
_RIG, _LENS = len(RIG_NAMES), len(LENS_NAMES)
COMMON: Final = slice(_RIG, _RIG + _LENS)
DIFFERENCE: Final = slice(_RIG + _LENS, _RIG + 2 * _LENS)


def vector_from_rig(rig: Rig) -> Array:
    """The parameter vector (25,) of a rig, in the order of `NAMES`."""
    w = rotation_vector_from_matrix(rig.relative_rotation)
    baseline = (matrix_from_rotation_vector(w / 2) @ rig.R_left)[:, 0]
    left, right = _vector_from_lens(rig.left), _vector_from_lens(rig.right)
    # B x = (cos yaw cos roll, cos yaw sin roll, -sin yaw)
    yaw, roll = -np.arcsin(np.clip(baseline[2], -1.0, 1.0)), np.arctan2(baseline[1], baseline[0])
    return np.concatenate([w, [yaw, roll], (left + right) / 2, right - left])


def rig_from_vector(vector: Array, like: Rig) -> Rig:
    """The rig of a parameter vector (25,), levelled; what the vector does not say is taken from `like`."""
    common, difference = vector[COMMON], vector[DIFFERENCE]
    R_left, R_right = eye_rotations(vector[:_RIG])
    return Rig(
        _lens_from_vector(common - difference / 2, like.left),
        _lens_from_vector(common + difference / 2, like.right),
        R_left,
        R_right,
        like.baseline_mm,
    ).levelled()


def eye_rotations(rig_part: Array) -> tuple[Array, Array]:
    """R_left, R_right (3, 3) of the first five parameters, before levelling."""
    B = rotation_about("z", rig_part[4]) @ rotation_about("y", rig_part[3])
    half = matrix_from_rotation_vector(rig_part[:3] / 2)
    return half.T @ B, half @ B


def _vector_from_lens(lens: Lens) -> Array:
    return np.array(
        [np.log(lens.focal_px), *lens.principal_point, *lens.k, np.log(lens.aspect), *lens.decentring]
    )


def _lens_from_vector(values: Array, like: Lens) -> Lens:
    focal, cx, cy, k1, k2, k3, k4, aspect, p1, p2 = (float(v) for v in values)
    return replace(
        like,
        focal_px=float(np.exp(focal)),
        principal_point=(cx, cy),
        k=(k1, k2, k3, k4),
        aspect=float(np.exp(aspect)),
        decentring=(p1, p2),
    )
