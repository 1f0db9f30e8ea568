"""What single points do to the answer: those that decide it alone, by two sights, are let go.

A wrong match along its own epipolar line leaves no residual, and two sights of a point cannot contradict
each other about how near it is. That does not matter unless the answer hangs on them.
"""

from __future__ import annotations

import torch
from torch import Tensor

from autocal.solver.bundle import CAMERA_SIZE, GLOBAL_SIZE, POINT_SIZE, POSE_SIZE, State, linearise
from autocal.solver.levenberg import Problem, information_at

_PULL = 1.0  # sigmas by which a point may move any parameter of the rig


def overbearing(problem: Problem, state: State, free_globals: Tensor, noise: float = 1.0) -> Tensor:
    """(points,): marks points of two sights that alone move a parameter of the rig by more than a sigma.

    problem: what is used, at its least squares optimum. noise: by what the real residuals exceed its sigmas.
    """
    point, moved = pulls_of_pairs(problem, state, free_globals)
    found = torch.zeros(len(state.point), dtype=torch.bool, device=point.device)
    found[point[(moved.abs() > _PULL * noise).any(dim=1)]] = True
    return found


def pulls_of_pairs(problem: Problem, state: State, free_globals: Tensor) -> tuple[Tensor, Tensor]:
    """By how much each point of two sights moves the rig: (m,) points, and (m, free) sigmas.

    To first order, what the parameters lose when the point is left out: Cook, Technometrics 19(1), 1977,
    parameter by parameter, the point's own place eliminated.
    """
    pair = torch.bincount(problem.seen.point, minlength=len(state.point)) == 2
    seen = problem.seen.where(pair[problem.seen.point])
    count, rows = int(free_globals.sum()), len(seen)
    free = problem.free_index(free_globals)
    inverse = torch.linalg.inv(information_at(problem, state, free))
    planes = linearise(state, seen).planes.permute(2, 1, 0)  # (rows, 2, 35)
    by_camera = planes.new_zeros(rows, 2, GLOBAL_SIZE + POSE_SIZE * problem.frames)
    by_camera[:, :, :GLOBAL_SIZE] = planes[:, :, :GLOBAL_SIZE]
    first = GLOBAL_SIZE + POSE_SIZE * seen.frame[:, None, None]
    columns = first + torch.arange(POSE_SIZE, device=first.device)
    by_camera.scatter_(2, columns.expand(-1, 2, -1), planes[:, :, GLOBAL_SIZE:CAMERA_SIZE])
    # Rows are sorted by point: two sights of two residuals each.
    points, residuals = rows // 2, 4
    by_camera = by_camera[:, :, free].reshape(points, residuals, len(free))
    by_point = planes[:, :, CAMERA_SIZE:-1].reshape(points, residuals, POINT_SIZE)
    residual = planes[:, :, -1].reshape(points, residuals, 1)
    # Three of the four the point takes up; what is left is one number, across the epipolar line.
    across = torch.linalg.qr(by_point, mode="complete")[0][:, :, POINT_SIZE:].transpose(1, 2)
    slope = torch.bmm(across, by_camera)[:, 0]
    miss = torch.bmm(across, residual)[:, 0, 0]
    towards = slope @ inverse
    leverage = (towards * slope).sum(dim=1)
    change = -towards[:, :count] * (miss / (1 - leverage).clamp_min(1e-6))[:, None]
    return seen.point[::2].contiguous(), change / inverse.diagonal()[:count].sqrt()
