"""What a rendered clip really is: both lenses as dense tables, how the eyes sit in the rig, and where the
rig was.

Frames and pixels are those of `autocal.geometry` (rig frame x right, y down, z forward; integer pixel =
pixel centre), but nothing here uses its lens: the truth stays independent of what is tested against it.

The file is JSON:
    frame_size_px          [width, height] of the side-by-side frame
    swapped                true where the left eye's picture is in the right half
    baseline_m, fov_deg
    eyes.left|right        theta_deg, radius_px (the lens as a table), principal_point_px (in that
                           eye's half), R_eye_from_rig, centre_in_rig_m, and pixel_aspect (1 where absent)
    poses[i]               R_world_from_rig, position_m of frame i
Further keys are kept out of the way: a reader may ignore them.
"""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicSpline

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class EyeTruth:
    """One eye: a radially symmetric lens given by a table, and its place in the rig.

    theta: (N,), rad, rising from 0. radius_px: (N,), rising. Between the entries both ways are cubic
    splines. pixel_aspect: length of a unit along y over one along x, in px: stretches the picture along y.
    R_eye_from_rig: (3, 3). centre_m: (3,), rig frame, m.
    """

    theta: Array
    radius_px: Array
    principal_point: tuple[float, float]
    R_eye_from_rig: Array
    centre_m: Array
    pixel_aspect: float = 1.0

    def __post_init__(self) -> None:
        if np.any(np.diff(self.theta) <= 0) or np.any(np.diff(self.radius_px) <= 0):
            raise ValueError("angles and radii of a lens table must both rise all the way")

    @property
    def max_angle(self) -> float:
        """Angle off axis, rad, where the table ends."""
        return float(self.theta[-1])

    @cached_property
    def _radius_of_angle(self) -> CubicSpline:
        return CubicSpline(self.theta, self.radius_px)

    @cached_property
    def _angle_of_radius(self) -> CubicSpline:
        return CubicSpline(self.radius_px, self.theta)

    def radius_of_angle(self, theta: ArrayLike) -> Array:
        """Distance from the principal point, px, of rays `theta` rad off axis; NaN past the table."""
        angle = np.asarray(theta, dtype=np.float64)
        return np.where(
            angle <= self.max_angle, self._radius_of_angle(np.minimum(angle, self.max_angle)), np.nan
        )

    def angle_of_radius(self, radius_px: ArrayLike) -> Array:
        """Angle off axis, rad, `radius_px` from the principal point; NaN past the table."""
        radius = np.asarray(radius_px, dtype=np.float64)
        end = float(self.radius_px[-1])
        theta = np.asarray(self._angle_of_radius(np.minimum(radius, end)))
        # One Newton step on the other spline makes both ways agree beyond what either spline resolves.
        slope = self._radius_of_angle(theta, 1)
        theta = theta - (self._radius_of_angle(theta) - np.minimum(radius, end)) / slope
        return np.where(radius <= end, theta, np.nan)

    def project(self, directions: ArrayLike) -> Array:
        """Pixels (..., 2) in this eye's half of directions (..., 3) in the rig frame; NaN past the table."""
        d = np.asarray(directions, dtype=np.float64) @ self.R_eye_from_rig.T
        rho = np.hypot(d[..., 0], d[..., 1])
        radius = self.radius_of_angle(np.arctan2(rho, d[..., 2]))
        # On the axis the radius is zero, whatever the divisor.
        scale = radius / np.where(rho > 0, rho, 1.0)
        cx, cy = self.principal_point
        return np.stack([cx + d[..., 0] * scale, cy + self.pixel_aspect * d[..., 1] * scale], axis=-1)

    def directions(self, pixels: ArrayLike) -> Array:
        """Unit directions (..., 3) in the rig frame of this eye's pixels (..., 2); NaN past the table."""
        p = np.asarray(pixels, dtype=np.float64)
        x = p[..., 0] - self.principal_point[0]
        y = (p[..., 1] - self.principal_point[1]) / self.pixel_aspect
        radius = np.hypot(x, y)
        theta = self.angle_of_radius(radius)
        scale = np.sin(theta) / np.where(radius > 0, radius, 1.0)
        return np.stack([x * scale, y * scale, np.cos(theta)], axis=-1) @ self.R_eye_from_rig


@dataclass(frozen=True, eq=False)
class Pose:
    """Where the rig is: d_world = R_world_from_rig @ d_rig, and its origin in the world, m."""

    R_world_from_rig: Array
    position_m: Array


@dataclass(frozen=True, eq=False)
class Truth:
    """A rendered clip's rig and path. frame_size: (width, height) of the side-by-side frame, px."""

    left: EyeTruth
    right: EyeTruth
    frame_size: tuple[int, int]
    fov_deg: float
    poses: tuple[Pose, ...] = ()
    swapped: bool = False

    @property
    def eye_size(self) -> tuple[int, int]:
        """(width, height) of one eye's half, px."""
        return self.frame_size[0] // 2, self.frame_size[1]

    @property
    def baseline_m(self) -> float:
        """Distance between the eyes, m."""
        return float(np.linalg.norm(self.right.centre_m - self.left.centre_m))

    @property
    def relative_rotation(self) -> Array:
        """R_right @ R_left.T, (3, 3): left-camera to right-camera coordinates."""
        return self.right.R_eye_from_rig @ self.left.R_eye_from_rig.T

    def eye(self, eye: int) -> EyeTruth:
        """The left eye for 0, the right eye for 1."""
        return (self.left, self.right)[eye]

    def directions(self, eye: int, pixels: ArrayLike) -> Array:
        """Unit directions (..., 3) in the rig frame of an eye's pixels (..., 2)."""
        return self.eye(eye).directions(pixels)

    def project(self, eye: int, directions: ArrayLike) -> Array:
        """An eye's pixels (..., 2) of directions (..., 3) in the rig frame, for points at infinity."""
        return self.eye(eye).project(directions)

    def project_points(self, eye: int, points_m: ArrayLike, pose: Pose | None = None) -> Array:
        """An eye's pixels (..., 2) of points (..., 3) in the world, seen from `pose` (None: rig frame)."""
        points = np.asarray(points_m, dtype=np.float64)
        if pose is not None:
            points = (points - pose.position_m) @ pose.R_world_from_rig
        return self.project(eye, points - self.eye(eye).centre_m)


def load_truth(path: str | Path) -> Truth:
    """Read a truth file. Raises ValueError or KeyError, with the path in its notes, where it is none."""
    try:
        data = json.loads(Path(path).read_text())
        return Truth(
            left=_eye_from_json(data["eyes"]["left"]),
            right=_eye_from_json(data["eyes"]["right"]),
            frame_size=(int(data["frame_size_px"][0]), int(data["frame_size_px"][1])),
            fov_deg=float(data["fov_deg"]),
            poses=tuple(
                Pose(np.array(p["R_world_from_rig"], float), np.array(p["position_m"], float))
                for p in data["poses"]
            ),
            swapped=bool(data["swapped"]),
        )
    except (ValueError, KeyError) as error:
        error.add_note(f"while reading the truth file {path}")
        raise


def save_truth(truth: Truth, path: str | Path, notes: dict[str, Any] | None = None) -> None:
    """Write a truth file beside its place and rename it there; `notes` are further keys."""
    data = {
        "frame_size_px": list(truth.frame_size),
        "swapped": truth.swapped,
        "baseline_m": truth.baseline_m,
        "fov_deg": truth.fov_deg,
        "convention": "x right, y down, z forward; integer pixel = pixel centre; R_eye_from_rig: rig to eye",
        **(notes or {}),
        "eyes": {"left": _eye_to_json(truth.left), "right": _eye_to_json(truth.right)},
        "poses": [
            {"R_world_from_rig": p.R_world_from_rig.tolist(), "position_m": p.position_m.tolist()}
            for p in truth.poses
        ],
    }
    path = Path(path)
    beside = path.with_name(f".{path.name}.{os.getpid()}")
    beside.write_text(json.dumps(data) + "\n")
    beside.replace(path)


def _eye_from_json(data: dict[str, Any]) -> EyeTruth:
    return EyeTruth(
        theta=np.deg2rad(np.array(data["theta_deg"], float)),
        radius_px=np.array(data["radius_px"], float),
        principal_point=(float(data["principal_point_px"][0]), float(data["principal_point_px"][1])),
        R_eye_from_rig=np.array(data["R_eye_from_rig"], float),
        centre_m=np.array(data["centre_in_rig_m"], float),
        pixel_aspect=float(data.get("pixel_aspect", 1.0)),
    )


def _eye_to_json(eye: EyeTruth) -> dict[str, Any]:
    return {
        "theta_deg": np.rad2deg(eye.theta).tolist(),
        "radius_px": eye.radius_px.tolist(),
        "principal_point_px": list(eye.principal_point),
        "R_eye_from_rig": eye.R_eye_from_rig.tolist(),
        "centre_in_rig_m": eye.centre_m.tolist(),
        "pixel_aspect": eye.pixel_aspect,
    }
