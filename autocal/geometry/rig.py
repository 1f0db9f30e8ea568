"""Two lenses joined rigidly: the thing that is calibrated. Conventions: `autocal.geometry`."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from autocal.errors import LensError
from autocal.geometry.lens import Array, Lens
from autocal.geometry.rotation import (
    matrix_from_rotation_vector,
    rotation_about,
    rotation_vector_from_matrix,
    yaw_pitch_roll_from_matrix,
)


@dataclass(frozen=True, eq=False)
class Rig:
    """Both lenses, how each is turned in the rig frame, and the distance between them."""

    left: Lens
    right: Lens
    R_left: Array
    R_right: Array
    baseline_mm: float = 60.0

    def __post_init__(self) -> None:
        for name in ("R_left", "R_right"):
            matrix = np.array(getattr(self, name), dtype=np.float64)
            if matrix.shape != (3, 3) or not np.allclose(matrix @ matrix.T, np.eye(3), atol=1e-6):
                raise LensError(f"{name} is no rotation matrix: {matrix.tolist()}")
            matrix.setflags(write=False)
            object.__setattr__(self, name, matrix)
        if not self.baseline_mm > 0:
            raise LensError(f"the baseline must be positive, got {self.baseline_mm} mm")

    @property
    def relative_rotation(self) -> Array:
        """R_right @ R_left.T, (3, 3): left-camera to right-camera coordinates."""
        return self.R_right @ self.R_left.T

    @property
    def yaw_pitch_roll_deg(self) -> Array:
        """Yaw, pitch, roll (3,) of the right eye against the left, degrees."""
        return np.rad2deg(yaw_pitch_roll_from_matrix(self.relative_rotation))

    def lens(self, eye: int) -> Lens:
        """Left lens for 0, right lens for 1."""
        return (self.left, self.right)[eye]

    def rotation(self, eye: int) -> Array:
        """R_left for 0, R_right for 1."""
        return (self.R_left, self.R_right)[eye]

    def directions(self, eye: int, pixels: ArrayLike) -> Array:
        """Rectified unit directions (..., 3) in the rig frame of an eye's pixels (..., 2)."""
        return self.lens(eye).unproject(pixels) @ self.rotation(eye)

    def pixels(self, eye: int, directions: ArrayLike) -> Array:
        """An eye's pixels (..., 2) of directions (..., 3) in the rig frame, for points at infinity."""
        return self.lens(eye).project(np.asarray(directions, dtype=np.float64) @ self.rotation(eye).T)

    def scaled(self, factor: float) -> Rig:
        """The same rig read out at another resolution (a proxy)."""
        return replace(self, left=self.left.scaled(factor), right=self.right.scaled(factor))

    def exchanged(self) -> Rig:
        """What was said of the left eye said of the right one, and the other way round."""
        return Rig(self.right, self.left, self.R_right, self.R_left, self.baseline_mm)

    def turned(self, R: ArrayLike) -> Rig:
        """The same rig with both eyes turned by one common rotation: d_new = R @ d_old."""
        R = np.asarray(R, dtype=np.float64)
        return replace(self, R_left=self.R_left @ R.T, R_right=self.R_right @ R.T)

    def converged(self, shift: float) -> Rig:
        """Both eyes turned towards each other so that horizontal disparity falls by `shift` rad.

        Half to each eye, about the vertical of the rig frame. A picture's convergence, not the
        unit's geometry: epipolar planes are no longer exactly horizontal after it.
        """
        half = rotation_about("y", shift / 2)
        return replace(self, R_left=self.R_left @ half, R_right=self.R_right @ half.T)

    def levelled(self) -> Rig:
        """The same rig with forward chosen so that the mean of the optical axes has no pitch."""
        mean_axis = self.R_left[2] + self.R_right[2]
        pitch = np.arctan2(-mean_axis[1], mean_axis[2])
        return self.turned(rotation_about("x", -pitch))


def rig_from_relative(left: Lens, right: Lens, relative: ArrayLike, baseline: ArrayLike, mm: float) -> Rig:
    """A rig from left-to-right camera rotation (3, 3) and the right eye's place in the left camera frame.

    baseline: (3,), any length: only its direction counts; `mm` is the distance.
    """
    relative = np.asarray(relative, dtype=np.float64)
    x_left = np.asarray(baseline, dtype=np.float64)
    x_left = x_left / np.linalg.norm(x_left)
    half = matrix_from_rotation_vector(rotation_vector_from_matrix(relative) / 2)
    axis = half.T @ np.array([0.0, 0.0, 1.0])  # between the two optical axes, in the left camera
    z_left = axis - (axis @ x_left) * x_left
    z_left /= np.linalg.norm(z_left)
    R_left = np.stack([x_left, np.cross(z_left, x_left), z_left], axis=1)
    return Rig(left, right, R_left, relative @ R_left, mm).levelled()
