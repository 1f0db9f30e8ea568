"""The normal equations, with the points eliminated (Triggs et al. 2000, sec. 6: Schur complement).

Every point touches few unknowns of its own and is eliminated in a block of three; what remains is
one dense system over the rig's parameters and the poses, small enough for a Cholesky factor.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from autocal.solver.bundle import (
    CAMERA_SIZE,
    GLOBAL_SIZE,
    POINT_SIZE,
    POSE_SIZE,
    Linearised,
    Observations,
)

_POINTS_AT_ONCE = 4096  # bounds the memory of the elimination, whatever the size of the clip

#: Keeps points and poses without any observation factorable; a thousand radians' worth of prior.
_RIDGE = 1e-6


@dataclass(frozen=True, eq=False)
class Normal:
    """J'J and -J'r in blocks. cameras: the (c, c) block of global parameters and poses, 25 first;
    points: (p, 3, 3); and the right-hand sides (c,) and (p, 3). The mixed block stays in `mixed`."""

    cameras: Tensor
    points: Tensor
    rhs_cameras: Tensor
    rhs_points: Tensor
    mixed: Mixed


@dataclass(frozen=True, eq=False)
class Mixed:
    """The block between cameras and points, kept as the weighted rows it is a sum of."""

    by_camera: Tensor  # (n, 2, 31): global parameters, then the pose of the row's frame
    by_point: Tensor  # (n, 2, 3)
    frame: Tensor
    point: Tensor  # sorted
    active: Tensor  # (a,), the points that have rows at all
    slot: Tensor  # (n,), which of the active points each row is of; sorted

    def dense(self, first: int, last: int, frames: int, free: Tensor) -> Tensor:
        """(last - first, 3, m): the block of active points first..last-1 and of m free camera unknowns."""
        bounds = torch.searchsorted(self.slot, self.slot.new_tensor([first, last]))
        rows = slice(int(bounds[0]), int(bounds[1]))
        place = self.slot[rows] - first
        globals_ = free[free < GLOBAL_SIZE]
        by_point = self.by_point[rows].transpose(1, 2)
        product = torch.bmm(by_point, self.by_camera[rows][:, :, globals_])
        block = product.new_zeros(last - first, POINT_SIZE, len(globals_)).index_add_(0, place, product)
        product = torch.bmm(by_point, self.by_camera[rows][:, :, GLOBAL_SIZE:])
        poses = product.new_zeros((last - first) * frames, POINT_SIZE, POSE_SIZE)
        poses.index_add_(0, place * frames + self.frame[rows], product)
        poses = poses.view(last - first, frames, POINT_SIZE, POSE_SIZE).permute(0, 2, 1, 3)
        poses = poses.reshape(last - first, POINT_SIZE, -1)
        return torch.cat([block, poses[:, :, free[len(globals_) :] - GLOBAL_SIZE]], dim=2)

    def apply(self, d_camera: Tensor, points: int) -> Tensor:
        """(points, 3): the block's transpose times a camera step."""
        poses = d_camera[GLOBAL_SIZE:].view(-1, POSE_SIZE)
        step = torch.cat([d_camera[:GLOBAL_SIZE].expand(len(self.frame), -1), poses[self.frame]], dim=1)
        moved = torch.bmm(self.by_camera, step[:, :, None])
        product = torch.bmm(self.by_point.transpose(1, 2), moved)[:, :, 0]
        return product.new_zeros(points, POINT_SIZE).index_add_(0, self.point, product)


def normal_equations(
    lin: Linearised,
    seen: Observations,
    weight: Tensor,
    frames: int,
    global_prior: tuple[Tensor, Tensor],
    point_prior: tuple[Tensor, Tensor],
) -> Normal:
    """Sum up weighted rows and priors.

    weight: (n,) of each observation. global_prior: residual (25,) and derivative (25, 25).
    point_prior: residual (p,) and derivative (p, 3).
    """
    weighted = Linearised(lin.rows * weight.sqrt()[:, None, None])
    size = GLOBAL_SIZE + POSE_SIZE * frames
    cameras = weight.new_zeros(size, size)
    rhs_cameras = weight.new_zeros(size)
    per_frame = _sums_by_frame(weighted.rows, seen, frames)
    total = per_frame.sum(dim=0)
    g, c = GLOBAL_SIZE, CAMERA_SIZE
    cameras[:g, :g] = total[:g, :g]
    rhs_cameras[:g] = -total[:g, -1]
    blocks = cameras[g:, g:].view(frames, POSE_SIZE, frames, POSE_SIZE)
    index = torch.arange(frames, device=cameras.device)
    blocks[index, :, index, :] = per_frame[:, g:c, g:c]
    cameras[:g, g:] = per_frame[:, :g, g:c].permute(1, 0, 2).reshape(g, -1)
    cameras[g:, :g] = cameras[:g, g:].T
    rhs_cameras[g:] = -per_frame[:, g:c, -1].reshape(-1)
    prior_residual, prior_slope = global_prior
    cameras[:g, :g] += prior_slope.T @ prior_slope
    rhs_cameras[:g] -= prior_slope.T @ prior_residual

    point_residual, point_slope = point_prior
    points = point_slope[:, :, None] * point_slope[:, None, :]
    rhs_points = -point_slope * point_residual[:, None]
    sums = torch.bmm(weighted.by_point.transpose(1, 2), weighted.rows[:, :, c:])
    points = points.index_add(0, seen.point, sums[:, :, :POINT_SIZE])
    points.diagonal(dim1=1, dim2=2).add_(_RIDGE)
    rhs_points = rhs_points.index_add(0, seen.point, -sums[:, :, POINT_SIZE])
    mixed = Mixed(weighted.by_camera, weighted.by_point, seen.frame, seen.point, *seen.active)
    return Normal(cameras, points, rhs_cameras, rhs_points, mixed)


def _sums_by_frame(rows: Tensor, seen: Observations, frames: int) -> Tensor:
    """(frames, c, c): J'J of each frame's rows (n, 2, c), one matrix product a frame."""
    order, counts = seen.by_frame
    sums = rows.new_zeros(frames, rows.shape[2], rows.shape[2])
    for frame, part in enumerate(rows[order].split(counts)):
        flat = part.flatten(0, 1)
        torch.mm(flat.T, flat, out=sums[frame])
    return sums


def _lower_inverse(L: Tensor) -> Tensor:
    """Inverses of lower triangular matrices (n, 3, 3), written out: batched solvers are slow at this size."""
    a, b, c = L[:, 0, 0], L[:, 1, 1], L[:, 2, 2]
    out = torch.zeros_like(L)
    out[:, 0, 0], out[:, 1, 1], out[:, 2, 2] = 1 / a, 1 / b, 1 / c
    out[:, 1, 0] = -L[:, 1, 0] / (a * b)
    out[:, 2, 1] = -L[:, 2, 1] / (b * c)
    out[:, 2, 0] = (L[:, 1, 0] * L[:, 2, 1] - b * L[:, 2, 0]) / (a * b * c)
    return out


def reduced(normal: Normal, damping: float, free: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """The system over the free camera unknowns after the points are eliminated.

    damping: Marquardt's factor on the diagonal. free: indices of the camera unknowns that move.
    Returns the matrix (m, m), the right-hand side (m,) and the points' Cholesky factors (p, 3, 3).
    """
    points = normal.points + damping * torch.diag_embed(torch.diagonal(normal.points, dim1=1, dim2=2))
    factor = torch.linalg.cholesky(points)
    matrix = normal.cameras[free][:, free].clone()
    matrix.diagonal().mul_(1 + damping).add_(_RIDGE)
    rhs = normal.rhs_cameras[free].clone()
    if not len(free):
        return matrix, rhs, factor
    frames = (len(normal.rhs_cameras) - GLOBAL_SIZE) // POSE_SIZE
    active = normal.mixed.active
    inverse, rhs_points = _lower_inverse(factor[active]), normal.rhs_points[active]
    for first in range(0, len(active), _POINTS_AT_ONCE):
        last = min(first + _POINTS_AT_ONCE, len(active))
        mixed = normal.mixed.dense(first, last, frames, free)
        both = torch.cat([mixed, rhs_points[first:last, :, None]], dim=2)
        white = torch.bmm(inverse[first:last], both).reshape(-1, len(free) + 1)
        product = white[:, :-1].T @ white
        matrix -= product[:, :-1]
        rhs -= product[:, -1]
    return matrix, rhs, factor


def solve_step(normal: Normal, damping: float, free: Tensor) -> tuple[Tensor, Tensor]:
    """The damped step of cameras (c,), zero where not free, and points (p, 3).

    Raises torch.linalg.LinAlgError where the damped system is not positive definite.
    """
    matrix, rhs, factor = reduced(normal, damping, free)
    d_camera = torch.zeros_like(normal.rhs_cameras)
    d_camera[free] = torch.cholesky_solve(rhs[:, None], torch.linalg.cholesky(matrix))[:, 0]
    rest = normal.rhs_points - normal.mixed.apply(d_camera, len(factor))
    return d_camera, torch.cholesky_solve(rest[:, :, None], factor)[:, :, 0]
