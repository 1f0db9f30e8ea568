"""The normal equations, with the points eliminated (Triggs et al. 2000, sec. 6: Schur complement).

Every point touches few unknowns of its own and is eliminated in a block of three; what remains is
one dense system over the rig's parameters and the poses, small enough for a Cholesky factor.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import torch
from torch import Tensor

from autocal.solver.bundle import CAMERA_SIZE, GLOBAL_SIZE, POINT_SIZE, POSE_SIZE, Linearised
from autocal.solver.layout import Layout

#: Keeps points and poses without any observation factorable; a thousand radians' worth of prior.
_RIDGE = 1e-6


@dataclass(frozen=True, eq=False)
class Normal:
    """J'J and -J'r in blocks, over the g global parameters that are free, all poses, and the points seen.

    free_globals: (g,), indices of the former; free: indices of what moves among the c = g + 6 frames
    camera unknowns. cameras: (c, c), points: (3, 3, a), and the right-hand sides (c,) and (3, a). The block
    between cameras and points stays the rows it is a sum of, weighted: table (2 n, g + 7), by the globals
    and the pose, the residual last; by_point (3, 2, n). The a points seen, of p, are in the layout's order.
    """

    free_globals: Tensor
    free: Tensor
    cameras: Tensor
    points: Tensor
    rhs_cameras: Tensor
    rhs_points: Tensor
    table: Tensor
    by_point: Tensor
    layout: Layout
    p: int


@dataclass(frozen=True, eq=False)
class Reduced:
    """The system over the free camera unknowns once the points are eliminated: matrix (m, m), rhs (m,)."""

    matrix: Tensor
    rhs: Tensor


@dataclass(frozen=True, eq=False)
class _Eliminated:
    """Points taken out of a system, damped.

    matrix: (c, c), less its lower left block, and rhs: (c,): what that takes off the cameras' part.
    whitening: inverse Cholesky factors of the points' blocks, (3, 3, a). by_globals: (3, a, g) and by_pose:
    (3, q, 6), the block between points and cameras, whitened; white_rhs: (3, a), the points' right-hand side.
    """

    matrix: Tensor
    rhs: Tensor
    whitening: Tensor
    by_globals: Tensor
    by_pose: Tensor
    white_rhs: Tensor


#: Calls a function with each of some parts, one after the other or side by side, and gives what comes of it.
Each = Callable[..., Iterable[Any]]


def normal_equations(
    lin: Linearised,
    layout: Layout,
    weight: Tensor,
    free: Tensor,
    frames: int,
    global_prior: tuple[Tensor, Tensor],
    point_prior: tuple[Tensor, Tensor],
) -> Normal:
    """Sum up weighted rows and priors.

    weight: (n,) of each observation. free: indices of the camera unknowns that move, ascending.
    global_prior: residual (25,) and derivative (25, 25). point_prior: residual (p,), derivative (p, 3).
    """
    device, root = weight.device, weight.sqrt()
    moving = free[free < GLOBAL_SIZE]
    g = len(moving)
    kept = torch.cat([moving, torch.arange(GLOBAL_SIZE, CAMERA_SIZE, device=device)])
    last = torch.tensor([len(lin.planes) - 1], device=device)
    table = (lin.planes.index_select(0, torch.cat([kept, last])) * root).flatten(1).T.contiguous()
    by_point = lin.by_point * root

    cameras = weight.new_zeros(g + POSE_SIZE * frames, g + POSE_SIZE * frames)
    rhs_cameras = weight.new_zeros(len(cameras))
    per_frame = _products_by_frame(table, layout, frames)
    of_globals = per_frame[:, :g].sum(dim=0)
    cameras[:g, :g] = of_globals[:, :g]
    rhs_cameras[:g] = -of_globals[:, -1]
    index = torch.arange(frames, device=device)
    blocks = cameras[g:, g:].view(frames, POSE_SIZE, frames, POSE_SIZE)
    blocks[index, :, index, :] = per_frame[:, g:-1, g:-1]
    cameras[:g, g:] = per_frame[:, :g, g:-1].transpose(0, 1).reshape(g, POSE_SIZE * frames)
    cameras[g:, :g] = cameras[:g, g:].T
    rhs_cameras[g:] = -per_frame[:, g:-1, -1].flatten()
    prior_residual, prior_slope = global_prior[0], global_prior[1][:, moving]
    cameras[:g, :g] += prior_slope.T @ prior_slope
    rhs_cameras[:g] -= prior_slope.T @ prior_residual

    points, rhs_points = point_blocks(by_point, lin.residual * root, layout, point_prior)
    here = torch.cat([torch.arange(g, device=device), free[g:] - GLOBAL_SIZE + g])
    p = len(point_prior[0])
    return Normal(moving, here, cameras, points, rhs_cameras, rhs_points, table, by_point, layout, p)


def point_blocks(
    by_point: Tensor, residual: Tensor, layout: Layout, point_prior: tuple[Tensor, Tensor]
) -> tuple[Tensor, Tensor]:
    """J'J (3, 3, a) and -J'r (3, a) of each point seen, of weighted rows (3, 2, n) and (2, n)."""
    prior_residual, prior_slope = point_prior[0][layout.point], point_prior[1][layout.point].T
    operand = torch.cat([by_point, residual[None]]).flatten(1).T.contiguous()
    sums = layout.by_point.sums(by_point, operand).transpose(1, 2)  # (3, 4, a)
    blocks = sums[:, :POINT_SIZE] + prior_slope[:, None] * prior_slope
    blocks.diagonal().add_(_RIDGE)
    return blocks, -sums[:, POINT_SIZE] - prior_slope * prior_residual


def solve_points(blocks: Tensor, rhs: Tensor, damping: Tensor) -> Tensor:
    """Damped steps (3, a) of points by themselves. damping: (a,), of each.

    Raises torch.linalg.LinAlgError where a block is not positive definite.
    """
    whitening = _whitening(blocks, damping)
    return _times(whitening.transpose(0, 1), _times(whitening, rhs))


def _products_by_frame(table: Tensor, layout: Layout, frames: int) -> Tensor:
    """(frames, m, m): each frame's rows of the table (2 n, m), transposed, times themselves."""
    products = table.new_zeros(frames, table.shape[1], table.shape[1])
    ordered = table.index_select(0, layout.by_frame.order)
    for frame, rows in enumerate(ordered.split(layout.by_frame.sizes)):
        torch.mm(rows.T, rows, out=products[frame])
    return products


def _whitening(points: Tensor, damping: float | Tensor) -> Tensor:
    """Inverse Cholesky factors, lower, (3, 3, a), of damped blocks (3, 3, a); written out, as batched
    factorisations are slow at this size.

    Raises torch.linalg.LinAlgError where a block is not positive definite.
    """
    d0, d1, d2 = (1 + damping) * points.diagonal().T
    a = d0.sqrt()
    ba, ca = points[1, 0] / a, points[2, 0] / a
    b = (d1 - ba * ba).sqrt()
    cb = (points[2, 1] - ca * ba) / b
    c = (d2 - ca * ca - cb * cb).sqrt()
    if not bool((a * b * c > 0).all()):
        raise torch.linalg.LinAlgError("a point's block is not positive definite")
    zero = torch.zeros_like(a)
    first, second = [1 / a, zero, zero], [-ba / (a * b), 1 / b, zero]
    third = [(ba * cb - b * ca) / (a * b * c), -cb / (b * c), 1 / c]
    return torch.stack([*first, *second, *third]).view(3, 3, -1)


def _times(matrices: Tensor, vectors: Tensor) -> Tensor:
    """Matrices (3, 3, a) times vectors (3, ..., a)."""
    x, y, z = vectors
    return torch.stack([row[0] * x + row[1] * y + row[2] * z for row in matrices])


def reduced(normal: Normal, damping: float, *, others: Sequence[Normal] = (), each: Each = map) -> Reduced:
    """Eliminate the points. damping: Marquardt's factor on the diagonal; others: as `solve_step` has them.

    Raises torch.linalg.LinAlgError where a point's block is not positive definite.
    """
    return _reduced([normal, *others], damping, each)[0]


def _reduced(normals: Sequence[Normal], damping: float, each: Each) -> tuple[Reduced, list[_Eliminated]]:
    """The system of parts that share the cameras but no points, and the points taken out of each."""
    eliminated = list(each(partial(_eliminated, damping=damping), normals))
    free, g = normals[0].free, len(normals[0].free_globals)
    matrix = torch.stack([normal.cameras for normal in normals]).sum(dim=0)
    rhs = torch.stack([normal.rhs_cameras for normal in normals]).sum(dim=0)
    matrix.diagonal().mul_(1 + damping).add_(_RIDGE)
    for points in eliminated:
        matrix -= points.matrix
        rhs -= points.rhs
    matrix[g:, :g] = matrix[:g, g:].T
    return Reduced(matrix[free][:, free], rhs[free]), eliminated


def _eliminated(normal: Normal, damping: float) -> _Eliminated:
    layout, g = normal.layout, len(normal.free_globals)
    whitening = _whitening(normal.points, damping)
    white = _times(whitening.gather(2, layout.place.expand(3, 3, -1)), normal.by_point)
    white_rhs = _times(whitening, normal.rhs_points)
    by_globals = layout.by_point.sums(white, normal.table[:, :g].contiguous())
    by_pose = layout.by_sight.sums(white, normal.table[:, g:-1].contiguous())
    matrix, rhs = torch.zeros_like(normal.cameras), torch.zeros_like(normal.rhs_cameras)
    beside = torch.cat([by_globals, white_rhs[:, :, None]], dim=2)
    for piece in layout.pieces if len(normal.free) else ():
        points, frames = piece.shape
        poses = by_pose.new_zeros(POINT_SIZE, points * frames, POSE_SIZE)
        poses.index_copy_(1, piece.place, by_pose[:, piece.sights])
        poses = poses.view(POINT_SIZE, points, frames * POSE_SIZE)
        block = torch.cat([beside[:, piece.points], poses], dim=2).flatten(0, 1)
        product = block.T @ block
        here = slice(g + POSE_SIZE * piece.frames.start, g + POSE_SIZE * piece.frames.stop)
        matrix[here, here] += product[g + 1 :, g + 1 :]
        matrix[:g, here] += product[:g, g + 1 :]
        matrix[:g, :g] += product[:g, :g]
        rhs[here] += product[g, g + 1 :]
        rhs[:g] += product[g, :g]
    return _Eliminated(matrix, rhs, whitening, by_globals, by_pose, white_rhs)


def solve_step(
    normal: Normal, damping: float, *, others: Sequence[Normal] = (), each: Each = map
) -> tuple[Tensor, Tensor]:
    """The damped step of cameras (25 + 6 frames,), zero where not free, and of points (p, 3), where seen.

    others: what is to be added to the system, of the same cameras and other points.
    Raises torch.linalg.LinAlgError where the damped system is not positive definite.
    """
    normals = [normal, *others]
    system, eliminated = _reduced(normals, damping, each)
    step = torch.zeros_like(normal.rhs_cameras)
    step[normal.free] = torch.cholesky_solve(system.rhs[:, None], torch.linalg.cholesky(system.matrix))[:, 0]
    g = len(normal.free_globals)
    d_camera = step.new_zeros(GLOBAL_SIZE + len(step) - g)
    d_camera[normal.free_globals], d_camera[GLOBAL_SIZE:] = step[:g], step[g:]
    d_point = step.new_zeros(normal.p, POINT_SIZE)
    for part, points in zip(normals, eliminated, strict=True):
        layout = part.layout
        by_sight = (points.by_pose * step[g:].view(-1, POSE_SIZE)[layout.sight_frame]).sum(dim=2)
        rest = (points.white_rhs - points.by_globals @ step[:g]).index_add(1, layout.sight_place, -by_sight)
        d_point[layout.point] = _times(points.whitening.transpose(0, 1), rest).T
    return d_camera, d_point
