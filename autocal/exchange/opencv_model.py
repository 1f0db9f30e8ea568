"""The numbers of OpenCV's fisheye model (cv2.fisheye): K, D of two cameras, R, T.

    x_right = R x_left + T,  K = [[fx, alpha, cx], [0, fy, cy], [0, 0, 1]],  D = (k1, k2, k3, k4)

OpenCV's radial model is ours; its alpha is fx times our skew. Decentring and the image circle
have no place there. Source: OpenCV documentation, "Fisheye camera model".
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from autocal.calibration import Calibration
from autocal.errors import CalibrationFileError, LensError
from autocal.geometry.lens import Array, Lens
from autocal.geometry.rig import rig_from_relative
from autocal.geometry.rotation import nearest_rotation

Size = tuple[int, int]
# Text formats round to some digits; beyond this it is another matrix, not a rounded rotation.
_TOLERATED_ROUNDING = 1e-3


@dataclass(frozen=True, eq=False)
class OpenCvRig:
    """K: (3, 3), px; D: (4,); R: (3, 3) and T: (3,), mm, with x_right = R x_left + T."""

    K_left: Array
    D_left: Array
    K_right: Array
    D_right: Array
    R: Array
    T: Array


def calibration_from_opencv(
    K_left: ArrayLike,
    D_left: ArrayLike,
    K_right: ArrayLike,
    D_right: ArrayLike,
    R: ArrayLike,
    T: ArrayLike,
    size: Size,
    *,
    baseline_mm: float | None = None,
) -> Calibration:
    """A calibration, uncertainty not known, from plain numbers.

    K: (3, 3); D: (4,); R: (3, 3) or a rotation vector (3,), rad; T: (3,), in mm, or in any unit when
    `baseline_mm` is given; size: (width, height) of a half, px.

    Raises LensError or CalibrationFileError for numbers that make no lens or no rig.
    """
    t = np.asarray(T, dtype=np.float64).reshape(-1)
    rotation = _rotation(R)
    if t.shape != (3,) or not np.all(np.isfinite(t)) or not np.any(t):
        raise CalibrationFileError(f"T must be three numbers, not all zero, got {t.tolist()[:6]}")
    baseline = -rotation.T @ t  # where x_right = 0, in the left camera
    rig = rig_from_relative(
        lens_from_opencv(K_left, D_left, size),
        lens_from_opencv(K_right, D_right, size),
        rotation,
        baseline,
        float(np.linalg.norm(t)) if baseline_mm is None else baseline_mm,
    )
    return Calibration(rig)


def lens_from_opencv(K: ArrayLike, D: ArrayLike, size: Size) -> Lens:
    """The lens of a camera matrix (3, 3) and four fisheye distortion numbers."""
    k, d = np.asarray(K, dtype=np.float64), np.asarray(D, dtype=np.float64).reshape(-1)
    if k.shape != (3, 3) or not np.all(np.isfinite(k)):
        raise LensError(f"a camera matrix must be 3 x 3 finite numbers, got shape {k.shape}")
    if not (np.allclose(k[[1, 2, 2], [0, 0, 1]], 0.0) and np.isclose(k[2, 2], 1.0)):
        raise LensError(f"no camera matrix of the form [[fx, s, cx], [0, fy, cy], [0, 0, 1]]: {k.tolist()}")
    if d.shape != (4,):
        raise LensError(
            f"the fisheye model has 4 distortion numbers, got {d.size}: 5 and more are a pinhole model, "
            "which cannot describe a 180-degree lens"
        )
    fx, fy = float(k[0, 0]), float(k[1, 1])
    if fx <= 0 or fy <= 0:
        raise LensError(f"focal lengths must be positive, got fx = {fx:g}, fy = {fy:g}")
    return Lens(
        size,
        fx,
        (float(k[0, 2]), float(k[1, 2])),
        tuple(map(float, d)),  # type: ignore[arg-type]
        aspect=fy / fx,
        skew=float(k[0, 1]) / fx,
    )


def opencv_from_calibration(calibration: Calibration) -> OpenCvRig:
    """The same rig in OpenCV's numbers; decentring is left out (`cannot_express` says so)."""
    rig = calibration.rig
    (K_left, D_left), (K_right, D_right) = _matrices(rig.left), _matrices(rig.right)
    return OpenCvRig(
        K_left, D_left, K_right, D_right, rig.relative_rotation, -rig.R_right[:, 0] * rig.baseline_mm
    )


def cannot_express(calibration: Calibration) -> list[str]:
    """What is lost on the way into OpenCV's fisheye model, in words, largest displacement in px."""
    lost = []
    for name, lens in (("left", calibration.rig.left), ("right", calibration.rig.right)):
        if any(lens.decentring):
            theta = min(lens.max_angle, np.pi / 2)
            reach = float(lens.radius_px(theta)) / lens.focal_px
            shift = lens.focal_px * 3 * reach**2 * float(np.hypot(*lens.decentring))
            lost.append(f"decentring of the {name} lens (moves pixels near the rim by up to {shift:.2f} px)")
    if np.any(calibration.covariance):
        lost.append("the sigmas and the covariance")
    if calibration.far.shift_deg:
        lost.append(f"the convergence ({calibration.far.shift_deg:+.3f} degrees of horizontal disparity)")
    if calibration.rig.left.circle or calibration.rig.right.circle:
        lost.append("the image circles")
    if calibration.swapped:
        lost.append("that the left eye's picture lies in the right half of the frame")
    return lost


def _matrices(lens: Lens) -> tuple[Array, Array]:
    cx, cy = lens.principal_point
    f = lens.focal_px
    K = np.array([[f, f * lens.skew, cx], [0.0, f * lens.aspect, cy], [0.0, 0.0, 1.0]])
    return K, np.array(lens.k)


def _rotation(R: ArrayLike) -> Array:
    r = np.asarray(R, dtype=np.float64)
    if not np.all(np.isfinite(r)):
        raise CalibrationFileError("R holds numbers that are not finite")
    if r.size == 3:
        from autocal.geometry.rotation import matrix_from_rotation_vector

        return matrix_from_rotation_vector(r.reshape(3))
    if r.shape != (3, 3) or np.linalg.det(r) < 0 or np.abs(r @ r.T - np.eye(3)).max() > _TOLERATED_ROUNDING:
        raise CalibrationFileError(f"R is no rotation matrix: {r.tolist()[:3]}")
    return nearest_rotation(r)
