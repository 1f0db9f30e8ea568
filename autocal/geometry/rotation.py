"""Rotations: matrices, rotation vectors, and yaw, pitch, roll.

Conventions: `autocal.geometry`. Rotation vector: axis times angle in rad; the exponential
and its Jacobians after Sola, Deray, Atchuthan, arXiv 1812.01537, eqs. 132 to 145.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from autocal.geometry.lens import Array


def skew_matrix(v: ArrayLike) -> Array:
    """[v]x with [v]x u = v x u, for v (..., 3)."""
    v = np.asarray(v, dtype=np.float64)
    matrix = np.zeros((*v.shape, 3))
    x, y, z = v[..., 0], v[..., 1], v[..., 2]
    matrix[..., 2, 1], matrix[..., 0, 2], matrix[..., 1, 0] = x, y, z
    matrix[..., 1, 2], matrix[..., 2, 0], matrix[..., 0, 1] = -x, -y, -z
    return matrix


def matrix_from_rotation_vector(vector: ArrayLike) -> Array:
    """Rotation matrices (..., 3, 3) of rotation vectors (..., 3), rad (Rodrigues' formula)."""
    v = np.asarray(vector, dtype=np.float64)
    # So small an angle is its own sine: both ratios are smooth through zero.
    half = np.maximum(0.5 * np.sqrt((v * v).sum(axis=-1)), 1e-100)[..., None, None]
    first = np.sin(2 * half) / (2 * half)
    second = 0.5 * (np.sin(half) / half) ** 2
    cross = skew_matrix(v)
    return np.eye(3) + first * cross + second * (cross @ cross)


def rotation_vector_from_matrix(matrix: ArrayLike) -> Array:
    """Rotation vectors (..., 3), rad, of rotation matrices (..., 3, 3)."""
    from scipy.spatial.transform import Rotation

    m = np.asarray(matrix, dtype=np.float64)
    return Rotation.from_matrix(m.reshape(-1, 3, 3)).as_rotvec().reshape(*m.shape[:-2], 3)


def rotation_about(axis: str, angle: float) -> Array:
    """Right-handed rotation matrix (3, 3) by `angle` rad about "x", "y" or "z"."""
    first = "xyz".index(axis)
    second, third = (first + 1) % 3, (first + 2) % 3
    matrix = np.eye(3)
    matrix[second, second] = matrix[third, third] = np.cos(angle)
    matrix[third, second] = np.sin(angle)
    matrix[second, third] = -matrix[third, second]
    return matrix


def matrix_from_yaw_pitch_roll(yaw: float, pitch: float, roll: float) -> Array:
    """R_right @ R_left.T, (3, 3), of a right eye turned by yaw, pitch, roll rad against the left."""
    orientation = rotation_about("y", yaw) @ rotation_about("x", pitch) @ rotation_about("z", roll)
    return orientation.T


def yaw_pitch_roll_from_matrix(relative: ArrayLike) -> Array:
    """Yaw, pitch, roll (3,), rad, of R_right @ R_left.T; the inverse of `matrix_from_yaw_pitch_roll`."""
    orientation = np.asarray(relative, dtype=np.float64).T
    yaw = np.arctan2(orientation[0, 2], orientation[2, 2])
    pitch = np.arcsin(np.clip(-orientation[1, 2], -1.0, 1.0))
    roll = np.arctan2(orientation[1, 0], orientation[1, 1])
    return np.array([yaw, pitch, roll])


def nearest_rotation(matrix: ArrayLike) -> Array:
    """The rotation (3, 3) closest to a matrix, by its singular value decomposition."""
    u, _, vt = np.linalg.svd(np.asarray(matrix, dtype=np.float64))
    return u @ np.diag([1.0, 1.0, np.sign(np.linalg.det(u @ vt))]) @ vt
