"""The bundle: what is unknown, what each observation says of it, and the derivatives.

One rigid world, one rig pose a frame, two eyes rigidly joined (Triggs et al., Bundle Adjustment:
A Modern Synthesis, 2000). Points are homogeneous, (direction, inverse distance) on the unit
sphere of four dimensions, so that the sky needs no special case (Civera, Davison, Montiel,
IEEE T-RO 24(5), 2008; Hartley and Zisserman, 2nd ed., sec. A6.9). Lengths are in baselines.

    g = R_frame (x - w p_frame)      the point in the rig frame
    d = R_eye (g - w c_eye)          in the eye's camera frame, c_eye = -+ 1/2 along x
    residual = (project(d) - pixel) / sigma
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import torch
from torch import Tensor

from autocal.geometry.lens import Array
from autocal.geometry.parameters import COMMON, DIFFERENCE, NAMES, eye_rotations
from autocal.geometry.rotation import rotation_about, skew_matrix
from autocal.solver.projection import project, project_only

RIG_SIZE = 5
GLOBAL_SIZE = len(NAMES)
POSE_SIZE = 6
CAMERA_SIZE = GLOBAL_SIZE + POSE_SIZE
POINT_SIZE = 3
#: Inverse distances are of order 0 to 0.2 per baseline; a prior this wide only keeps points that
#: nothing else places (one eye, no motion) from making the equations singular.
INVERSE_DISTANCE_SIGMA = 1.0


@dataclass(frozen=True, eq=False)
class State:
    """Everything that moves.

    vector: (25,), `autocal.geometry.parameters`. rotation: (frames, 3, 3), rig from world.
    position: (frames, 3), of the rig in the world, baselines. point: (points, 4), unit length.
    """

    vector: Tensor
    rotation: Tensor
    position: Tensor
    point: Tensor


@dataclass(frozen=True, eq=False)
class Observations:
    """Rows of what was seen, sorted by point.

    frame, eye, point: (n,) long; pixel: (n, 2); sigma: (n,), px.
    """

    frame: Tensor
    eye: Tensor
    point: Tensor
    pixel: Tensor
    sigma: Tensor

    def __len__(self) -> int:
        return len(self.frame)

    @cached_property
    def by_frame(self) -> tuple[Tensor, list[int]]:
        """The rows (n,) frame by frame, and how many each has, up to the last that has any."""
        return torch.argsort(self.frame, stable=True), torch.bincount(self.frame).tolist()

    @cached_property
    def active(self) -> tuple[Tensor, Tensor]:
        """The points (a,) that have rows at all, and which of them each row (n,) is of."""
        return torch.unique_consecutive(self.point, return_inverse=True)

    def where(self, keep: Tensor) -> Observations:
        """Only the rows marked in `keep` (n,); points keep their numbers."""
        return Observations(
            self.frame[keep], self.eye[keep], self.point[keep], self.pixel[keep], self.sigma[keep]
        )


@dataclass(frozen=True, eq=False)
class Linearised:
    """Whitened residuals and their derivatives, side by side as they are summed up.

    rows: (n, 2, 35), by the global parameters (25), the frame's pose (6: turn, then position) and the
    point (3); the residual last.
    """

    rows: Tensor

    @property
    def by_camera(self) -> Tensor:
        """(n, 2, 31): by the global parameters and the pose."""
        return self.rows[:, :, :CAMERA_SIZE]

    @property
    def by_global(self) -> Tensor:
        """(n, 2, 25)."""
        return self.rows[:, :, :GLOBAL_SIZE]

    @property
    def by_pose(self) -> Tensor:
        """(n, 2, 6)."""
        return self.rows[:, :, GLOBAL_SIZE:CAMERA_SIZE]

    @property
    def by_point(self) -> Tensor:
        """(n, 2, 3)."""
        return self.rows[:, :, CAMERA_SIZE:-1]

    @property
    def residual(self) -> Tensor:
        """(n, 2)."""
        return self.rows[:, :, -1]


def residuals(state: State, seen: Observations) -> Tensor:
    """Whitened residuals (n, 2)."""
    g, _ = _in_rig(state, seen)
    R_eye = _eye_matrices(state.vector)
    _, d = _in_eye(state, seen, g, R_eye)
    pixels = project_only(d, _lens_rows(state.vector, seen.eye))
    return (pixels - seen.pixel) / seen.sigma[:, None]


def linearise(state: State, seen: Observations) -> Linearised:
    """Residuals with their derivatives; `retract` says what a step along them means."""
    g, R_frame = _in_rig(state, seen)
    R_eye = _eye_matrices(state.vector)
    h, d = _in_eye(state, seen, g, R_eye)
    pixels, by_direction, by_lens = project(d, _lens_rows(state.vector, seen.eye))

    by_h = torch.bmm(by_direction, R_eye[seen.eye])  # (n, 2, 3)
    by_rig = torch.bmm(by_direction, _turned(state.vector, seen.eye, h).transpose(1, 2))
    sign = (seen.eye.to(by_lens.dtype) - 0.5)[:, None, None]  # left: mean - difference / 2

    w = state.point[seen.point, 3]
    by_turn = torch.linalg.cross(g[:, None, :].expand(-1, 2, -1), by_h, dim=2)  # -by_h [g]x
    by_x = torch.bmm(by_h, R_frame)
    by_position = -w[:, None, None] * by_x
    # x - w p, turned into the rig, less w c: the derivative by w is -(R p + c).
    offset = _applied(R_frame, state.position[seen.frame]) + _eye_centres(state.vector)[seen.eye]
    by_w = -torch.bmm(by_h, offset[:, :, None])
    by_point = torch.bmm(torch.cat([by_x, by_w], dim=2), _tangents(state.point)[seen.point])
    miss = (pixels - seen.pixel)[:, :, None]
    rows = torch.cat([by_rig, by_lens, sign * by_lens, by_turn, by_position, by_point, miss], dim=2)
    return Linearised(rows / seen.sigma[:, None, None])


def retract(state: State, d_global: Tensor, d_pose: Tensor, d_point: Tensor) -> State:
    """The state a step away. d_global: (25,); d_pose: (frames, 6); d_point: (points, 3)."""
    step = torch.einsum("pij,pj->pi", _tangents(state.point), d_point)
    return replace(
        state,
        vector=state.vector + d_global,
        rotation=_matrix_exp(d_pose[:, :3]) @ state.rotation,
        position=state.position + d_pose[:, 3:],
        point=torch.nn.functional.normalize(state.point + step, dim=1),
    )


def point_prior(state: State) -> tuple[Tensor, Tensor]:
    """Residual (points,) and derivative (points, 3) of the wide prior on inverse distance."""
    return (
        state.point[:, 3] / INVERSE_DISTANCE_SIGMA,
        _tangents(state.point)[:, 3, :] / INVERSE_DISTANCE_SIGMA,
    )


def _in_rig(state: State, seen: Observations) -> tuple[Tensor, Tensor]:
    x = state.point[seen.point]
    R = state.rotation[seen.frame]
    return _applied(R, x[:, :3] - x[:, 3:] * state.position[seen.frame]), R


def _in_eye(state: State, seen: Observations, g: Tensor, R_eye: Tensor) -> tuple[Tensor, Tensor]:
    h = g - state.point[seen.point, 3:] * _eye_centres(state.vector)[seen.eye]
    return h, _applied(R_eye[seen.eye], h)


def _applied(matrices: Tensor, vectors: Tensor) -> Tensor:
    """Matrices (n, i, j) times vectors (n, j)."""
    return torch.bmm(matrices, vectors[:, :, None])[:, :, 0]


def _turned(vector: Tensor, eye: Tensor, h: Tensor) -> Tensor:
    """(n, 5, 3): how camera rays of h (n, 3) turn with the rig's five parameters."""
    slopes = vector.new_tensor(eye_derivatives(vector[:RIG_SIZE].cpu().numpy()))
    both = h @ slopes.permute(3, 0, 1, 2).reshape(3, -1)
    return both.view(-1, 2, RIG_SIZE, 3)[torch.arange(len(h), device=h.device), eye]


def _eye_centres(like: Tensor) -> Tensor:
    return like.new_tensor([[-0.5, 0.0, 0.0], [0.5, 0.0, 0.0]])


def _lens_rows(vector: Tensor, eye: Tensor) -> Tensor:
    common, half = vector[COMMON], vector[DIFFERENCE] / 2
    return torch.stack([common - half, common + half])[eye]


def _eye_matrices(vector: Tensor) -> Tensor:
    """R_eye (2, 3, 3)."""
    return vector.new_tensor(np.stack(eye_rotations(vector[:RIG_SIZE].cpu().numpy())))


def eye_derivatives(rig_part: Array) -> Array:
    """Derivatives (2, 5, 3, 3) of R_eye by the first five parameters, before levelling."""
    both = zip(eye_rotations(rig_part), (-1, 1), strict=True)
    return np.stack([_rotation_derivatives(rig_part, R, sign) for R, sign in both])


def _rotation_derivatives(rig: Array, R: Array, sign: int) -> Array:
    """d (exp(sign w / 2) Rz(roll) Ry(yaw)) by w (3), yaw, roll: (5, 3, 3)."""
    half = sign * rig[:3] / 2
    by_w = sign / 2 * skew_matrix(_left_jacobian(half).T) @ R
    by_yaw = R @ skew_matrix([0.0, 1.0, 0.0])
    before_roll = rotation_about("z", rig[4]) @ rotation_about("y", rig[3])
    by_roll = R @ before_roll.T @ skew_matrix([0.0, 0.0, 1.0]) @ before_roll
    return np.concatenate([by_w, by_yaw[None], by_roll[None]])


def _left_jacobian(v: Array) -> Array:
    """J with exp(v + dv) = exp(J dv) exp(v): Sola et al., arXiv 1812.01537, eq. 145."""
    angle = float(np.linalg.norm(v))
    cross = skew_matrix(v)
    if angle < 1e-5:
        return np.eye(3) + cross / 2 + cross @ cross / 6
    first = (1 - np.cos(angle)) / angle**2
    second = (angle - np.sin(angle)) / angle**3
    return np.eye(3) + first * cross + second * cross @ cross


def _matrix_exp(v: Tensor) -> Tensor:
    """Rotation matrices (n, 3, 3) of rotation vectors (n, 3)."""
    x, y, z = v.unbind(1)
    zero = torch.zeros_like(x)
    cross = torch.stack([zero, -z, y, z, zero, -x, -y, x, zero], dim=1).reshape(-1, 3, 3)
    angle = v.norm(dim=1)[:, None, None] / torch.pi
    first, second = torch.sinc(angle), 0.5 * torch.sinc(angle / 2) ** 2
    return torch.eye(3, dtype=v.dtype, device=v.device) + first * cross + second * (cross @ cross)


def _tangents(point: Tensor) -> Tensor:
    """Orthonormal bases (n, 4, 3) of the tangent spaces of the unit sphere at `point` (n, 4).

    The last three columns of the Householder reflection that takes the first axis to the point.
    """
    v = point.clone()
    v[:, 0] += torch.where(point[:, 0] >= 0, 1.0, -1.0)
    scale = 2 / (v * v).sum(dim=1)
    eye = torch.eye(4, dtype=point.dtype, device=point.device)[:, 1:]
    return eye - scale[:, None, None] * v[:, :, None] * v[:, None, 1:]
