"""Invented lenses and rigs: radial profiles of several families, and two eyes joined with small errors.

A profile gives the radius, in units where it is about the angle in rad near the axis, of an angle off axis.
Families: equidistant, equisolid angle, stereographic (Ray, Applied Photographic Optics, 3rd ed., 2002: from
memory), each with a small extra term; and one where the angle is a cubic in the radius.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from samples.truth import Array, EyeTruth, Truth

Profile = Callable[[Array], Array]
TABLE_STEP_DEG = 0.25
#: The tables go on past the rim, so that whatever looks a little further still has an answer.
TABLE_MARGIN_DEG = 2.0


def equidistant(extra: float = 0.0) -> Profile:
    """r = theta (1 + extra theta^2)."""
    return lambda theta: theta * (1 + extra * theta**2)


def equisolid(extra: float = 0.0) -> Profile:
    """r = 2 sin(theta / 2) (1 + extra theta^2)."""
    return lambda theta: 2 * np.sin(theta / 2) * (1 + extra * theta**2)


def stereographic(extra: float = 0.0) -> Profile:
    """r = 2 tan(theta / 2) (1 + extra theta^2)."""
    return lambda theta: 2 * np.tan(theta / 2) * (1 + extra * theta**2)


def angle_cubic_in_radius(square: float, cube: float) -> Profile:
    """The inverse of theta = r + square r^2 + cube r^3: no polynomial in the angle is that."""
    dense = np.linspace(0.0, 4.0, 4001)

    def profile(theta: Array) -> Array:
        angles = dense + square * dense**2 + cube * dense**3
        radius = np.interp(theta, angles, dense)
        for _ in range(4):
            miss = radius + square * radius**2 + cube * radius**3 - theta
            radius = radius - miss / (1 + 2 * square * radius + 3 * cube * radius**2)
        return radius

    return profile


@dataclass(frozen=True)
class EyeSpec:
    """One eye before it is placed: its profile, what it covers, and where its centre falls.

    circle_radius_px: radius of the image circle at half the field of view.
    offset_px: principal point minus the centre of the half.
    """

    profile: Profile
    circle_radius_px: float
    offset_px: tuple[float, float] = (0.0, 0.0)
    pixel_aspect: float = 1.0


def make_rig(
    left: EyeSpec,
    right: EyeSpec,
    eye_size: tuple[int, int],
    fov_deg: float,
    yaw_pitch_roll_deg: tuple[float, float, float],
    common_yaw_roll_deg: tuple[float, float] = (0.0, 0.0),
    baseline_m: float = 0.064,
) -> Truth:
    """A rig without a path.

    yaw_pitch_roll_deg: of the right eye against the left, composed as `autocal.geometry` says, half to each
    eye. common_yaw_roll_deg: how both eyes are turned in the rig frame: where the baseline lies in the
    cameras. Both have no common pitch, which is how the rig frame's forward is defined.
    """
    yaw, pitch, roll = np.deg2rad(yaw_pitch_roll_deg)
    orientation = Rotation.from_euler("YXZ", [yaw, pitch, roll])  # intrinsic: about the turned axes
    half = Rotation.from_rotvec(orientation.as_rotvec() / 2)
    common = Rotation.from_euler("YZ", np.deg2rad(common_yaw_roll_deg))
    axes = (common * half).as_matrix()[:, 2] + (common * half.inv()).as_matrix()[:, 2]
    level = Rotation.from_rotvec([np.arctan2(axes[1], axes[2]), 0.0, 0.0])
    eyes = []
    for spec, turn, side in ((left, half.inv(), -1), (right, half, 1)):
        theta_deg = np.arange(0.0, fov_deg / 2 + TABLE_MARGIN_DEG + 1e-9, TABLE_STEP_DEG)
        theta = np.deg2rad(theta_deg)
        scale = spec.circle_radius_px / float(spec.profile(np.deg2rad(np.array([fov_deg / 2])))[0])
        eyes.append(
            EyeTruth(
                theta=theta,
                radius_px=spec.profile(theta) * scale,
                principal_point=(
                    (eye_size[0] - 1) / 2 + spec.offset_px[0],
                    (eye_size[1] - 1) / 2 + spec.offset_px[1],
                ),
                R_eye_from_rig=(level * common * turn).as_matrix().T,
                centre_m=np.array([side * baseline_m / 2, 0.0, 0.0]),
                pixel_aspect=spec.pixel_aspect,
            )
        )
    return Truth(eyes[0], eyes[1], (2 * eye_size[0], eye_size[1]), fov_deg)


def random_rig(rng: np.random.Generator, eye_px: int = 1536) -> Truth:
    """A rig of a random family: 170 to 200 degrees, lenses alike but not equal, turned by up to a degree."""
    fov_deg = float(rng.uniform(170.0, 200.0))
    family = rng.integers(4)
    profiles: list[Profile] = []
    common = rng.uniform(-1.0, 1.0, 2)
    for _ in range(2):
        first, second = common + rng.normal(0.0, 0.05, 2)
        profiles.append(
            (
                equidistant(0.02 * first),
                equisolid(0.015 * first),
                stereographic(-0.06 + 0.015 * first),
                angle_cubic_in_radius(0.01 * first, 0.03 + 0.02 * second),
            )[family]
        )
    radius = float(rng.uniform(0.46, 0.49)) * eye_px
    specs = [
        EyeSpec(p, radius * (1 + rng.normal(0.0, 0.001)), (float(o[0]), float(o[1])))
        for p, o in zip(profiles, rng.uniform(-0.006, 0.006, (2, 2)) * eye_px, strict=True)
    ]
    yaw, pitch, roll = rng.uniform(-1.0, 1.0, 3)
    common_yaw, common_roll = rng.normal(0.0, 0.4, 2)
    return make_rig(
        specs[0],
        specs[1],
        (eye_px, eye_px),
        fov_deg,
        (float(yaw), float(pitch), float(roll)),
        (float(common_yaw), float(common_roll)),
        float(rng.uniform(0.058, 0.068)),
    )
