"""The bundle: what is unknown, what each observation says of it, and the derivatives.

One rigid world, one rig pose a frame, two eyes rigidly joined (Triggs et al., Bundle Adjustment:
A Modern Synthesis, 2000). Points are homogeneous, (direction, inverse distance) on the unit
sphere of four dimensions, so that the sky needs no special case (Civera, Davison, Montiel,
IEEE T-RO 24(5), 2008; Hartley and Zisserman, 2nd ed., sec. A6.9). Lengths are in baselines.

    g = R_frame (x - w p_frame)      the point in the rig frame
    d = R_eye (g - w c_eye)          in the eye's camera frame, c_eye = -+ 1/2 along x
    residual = (project(d) - pixel) / sigma

What there is of every observation is kept component by component, (..., n).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import NamedTuple

import numpy as np
import torch
from torch import Tensor

from autocal.geometry.lens import Array
from autocal.geometry.parameters import COMMON, DIFFERENCE, LENS_NAMES, NAMES, RIG_NAMES, eye_rotations
from autocal.geometry.rotation import rotation_about, skew_matrix
from autocal.solver.layout import Layout, layout_of
from autocal.solver.projection import project, project_by_direction, project_only

RIG_SIZE, LENS_SIZE = len(RIG_NAMES), len(LENS_NAMES)
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
    def layout(self) -> Layout:
        """How the rows are summed up."""
        return layout_of(self.point, self.frame)

    @cached_property
    def _by_eye(self) -> tuple[Tensor, Tensor]:
        """What does not move, (n,): whether a row is the right eye's, and the eye's place, -+ 1/2 along x."""
        return self.eye == 1, self.eye.to(self.sigma.dtype) - 0.5

    @cached_property
    def _measured(self) -> tuple[Tensor, Tensor]:
        """Pixels (2, n) and 1 / sigma (n,)."""
        return self.pixel.T.contiguous(), 1 / self.sigma

    def of_eyes(self, left: Tensor, right: Tensor) -> Tensor:
        """(..., n): each row's own of two tensors (...)."""
        return torch.where(self._by_eye[0], right[..., None], left[..., None])

    def where(self, keep: Tensor | slice) -> Observations:
        """Only the rows marked in `keep` (n,), or those of a slice; points keep their numbers."""
        return Observations(
            self.frame[keep], self.eye[keep], self.point[keep], self.pixel[keep], self.sigma[keep]
        )


@dataclass(frozen=True, eq=False)
class Linearised:
    """Whitened residuals and their derivatives.

    planes: (35, 2, n), by the global parameters (25), the frame's pose (6: turn, then position) and the
    point (3); the residual last.
    """

    planes: Tensor

    @property
    def by_camera(self) -> Tensor:
        """(31, 2, n): by the global parameters and the pose."""
        return self.planes[:CAMERA_SIZE]

    @property
    def by_point(self) -> Tensor:
        """(3, 2, n)."""
        return self.planes[CAMERA_SIZE:-1]

    @property
    def residual(self) -> Tensor:
        """(2, n)."""
        return self.planes[-1]


def residuals(state: State, seen: Observations) -> Tensor:
    """Whitened residuals (2, n)."""
    return residuals_of(state.point[None], state, seen)[:, 0]


def residuals_of(points: Tensor, state: State, seen: Observations) -> Tensor:
    """Whitened residuals (2, k, n) with each of k sets of points (k, points, 4) in place of the state's."""
    R_frame, position, centre, R_eye = _cameras(state, seen)
    R = _dot(R_eye[:, :, None].unbind(1), R_frame[None].unbind(1))  # world to camera
    *x, w = points.permute(2, 0, 1).gather(2, seen.point.expand(4, len(points), len(seen)))
    eye_at = _applied(R, position) + centre * R_eye[:, 0]
    d = _dot(R[:, :, None].unbind(1), x) - w * eye_at[:, None]
    pixel, per_sigma = seen._measured
    return (project_only(d, _lenses(state.vector, seen)) - pixel[:, None]) * per_sigma


def linearise(state: State, seen: Observations) -> Linearised:
    """Residuals with their derivatives; `retract` says what a step along them means."""
    ray = _Ray.of(state, seen)
    pixel, per_sigma = seen._measured
    projected, by_direction, by_lens = project(ray.d, _lenses(state.vector, seen))
    by_direction = by_direction * per_sigma
    turned = _turned(state.vector, seen, ray.h)
    by_g, by_x = ray.turned_back(by_direction)
    x, y, z = ray.g

    planes = projected.new_empty(CAMERA_SIZE + POINT_SIZE + 1, 2, len(seen))
    by_rig, by_common, by_difference, by_turn, by_position, by_point, _ = planes.split(
        [RIG_SIZE, LENS_SIZE, LENS_SIZE, 3, 3, POINT_SIZE, 1]
    )
    by_rig[:] = _dot(by_direction.unbind(1), turned[:, :, None].unbind(1))
    torch.mul(by_lens, per_sigma, out=by_common)
    torch.mul(by_common, ray.centre, out=by_difference)  # left: mean - difference / 2
    by_turn[0] = by_g[2] * y - by_g[1] * z
    by_turn[1] = by_g[0] * z - by_g[2] * x
    by_turn[2] = by_g[1] * x - by_g[0] * y
    torch.mul(by_x, -ray.point[3], out=by_position)
    by_point[:] = ray.by_point(by_g, by_x)
    planes[-1] = (projected - pixel) * per_sigma
    return Linearised(planes)


def linearise_points(state: State, seen: Observations) -> tuple[Tensor, Tensor]:
    """Residuals (2, n) and their derivatives by the point alone, (3, 2, n), as `linearise` has them."""
    ray = _Ray.of(state, seen)
    pixel, per_sigma = seen._measured
    projected, by_direction = project_by_direction(ray.d, _lenses(state.vector, seen))
    return (projected - pixel) * per_sigma, ray.by_point(*ray.turned_back(by_direction * per_sigma))


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


def point_residual(state: State) -> Tensor:
    """Residual (points,) of the wide prior on inverse distance."""
    return state.point[:, 3] / INVERSE_DISTANCE_SIGMA


def point_prior(state: State) -> tuple[Tensor, Tensor]:
    """`point_residual` and its derivative (points, 3)."""
    return point_residual(state), _tangents(state.point)[:, 3, :] / INVERSE_DISTANCE_SIGMA


class _Ray(NamedTuple):
    """Where each row looks, component by component.

    point: (4, n); R_frame, R_eye: (3, 3, n); position: (3, n), the rig's; centre: (n,), the eye's along x;
    g: three of (n,), the point in the rig frame; h: (3, n), from the eye; d: (3, n), in the camera frame.
    """

    point: Tensor
    R_frame: Tensor
    position: Tensor
    centre: Tensor
    R_eye: Tensor
    g: Sequence[Tensor]
    h: Tensor
    d: Tensor

    @classmethod
    def of(cls, state: State, seen: Observations) -> _Ray:
        point = state.point.T.contiguous().gather(1, seen.point.expand(4, len(seen)))
        R_frame, position, centre, R_eye = _cameras(state, seen)
        g = _applied(R_frame, point[:3] - point[3] * position)
        h = g.clone()
        h[0] -= point[3] * centre
        return cls(point, R_frame, position, centre, R_eye, g.unbind(0), h, _applied(R_eye, h))

    def turned_back(self, by_d: Tensor) -> tuple[Sequence[Tensor], Tensor]:
        """Derivatives by the point in the rig frame, three of (2, n), and in the world, (3, 2, n), of what
        has these (2, 3, n) by d."""
        by_g = _dot(by_d[:, :, None].unbind(1), self.R_eye.unbind(0)).unbind(1)
        return by_g, _dot(by_g, self.R_frame[:, :, None].unbind(0))

    def by_point(self, by_g: Sequence[Tensor], by_x: Tensor) -> Tensor:
        """(3, 2, n): along the point's `_tangents`, from what `turned_back` gives."""
        # x - w p, turned into the rig, less w c: the derivative by w is -(R p + c).
        offset = _applied(self.R_frame, self.position)
        offset[0] += self.centre
        by_w = -_dot(by_g, offset.unbind(0))
        return _along_sphere(torch.cat([by_x, by_w[None]]), self.point)


def _cameras(state: State, seen: Observations) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """Each row's R_frame, position, centre and R_eye, as `_Ray` has them."""
    poses = torch.cat([state.rotation.flatten(1), state.position], dim=1).T.contiguous()
    pose = poses.gather(1, seen.frame.expand(len(poses), len(seen)))
    R_eye = seen.of_eyes(*_eye_matrices(state.vector))
    return pose[:9].view(3, 3, -1), pose[9:], seen._by_eye[1], R_eye


def _dot(a: Sequence[Tensor], b: Sequence[Tensor]) -> Tensor:
    """a[0] b[0] + a[1] b[1] + a[2] b[2]."""
    return torch.addcmul(torch.addcmul(a[0] * b[0], a[1], b[1]), a[2], b[2])


def _applied(matrices: Tensor, vectors: Tensor) -> Tensor:
    """Matrices (i, j, n) times vectors (j, n)."""
    return _dot(matrices.unbind(1), vectors.unbind(0))


def _along_sphere(by_point: Tensor, point: Tensor) -> Tensor:
    """(3, 2, n): derivatives (4, 2, n) by the point's four coordinates (4, n), along its `_tangents`."""
    v = point.clone()
    v[0] += torch.where(point[0] >= 0, 1.0, -1.0)
    along = 2 / (v * v).sum(dim=0) * (by_point * v[:, None]).sum(dim=0)
    return by_point[1:] - along * v[1:, None]


def _turned(vector: Tensor, seen: Observations, h: Tensor) -> Tensor:
    """(5, 3, n): how camera rays of h (3, n) turn with the rig's five parameters."""
    slopes = vector.new_tensor(_known_eyes(*vector[:RIG_SIZE].tolist())[1])
    left, right = (slope.reshape(-1, 3) @ h for slope in slopes)
    return torch.where(seen._by_eye[0], right, left).view(RIG_SIZE, 3, -1)


def _lenses(vector: Tensor, seen: Observations) -> Tensor:
    """(10, n): each row's lens."""
    common, half = vector[COMMON], vector[DIFFERENCE] / 2
    return seen.of_eyes(common - half, common + half)


def _eye_matrices(vector: Tensor) -> Tensor:
    """R_eye (2, 3, 3)."""
    return vector.new_tensor(_known_eyes(*vector[:RIG_SIZE].tolist())[0])


@lru_cache(maxsize=4)  # points are moved many times while the rig stays
def _known_eyes(*rig_part: float) -> tuple[Array, Array]:
    """R_eye (2, 3, 3) and `eye_derivatives`; to be read only."""
    known = np.array(rig_part)
    return np.stack(eye_rotations(known)), eye_derivatives(known)


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
