"""Points moved to where they fit best, each by itself, while the rig and its poses stay."""

from __future__ import annotations

from dataclasses import replace

import torch
from torch import Tensor

from autocal.solver.bundle import (
    GLOBAL_SIZE,
    POSE_SIZE,
    State,
    linearise_points,
    point_prior,
    point_residual,
    retract,
)
from autocal.solver.levenberg import Problem, squared_misfit
from autocal.solver.loss import Loss
from autocal.solver.normal import point_blocks, solve_points

_DAMPING, _LEAST_DAMPING, _EASING, _STIFFENING = 1e-4, 1e-9, 5.0, 8.0


def placed(problem: Problem, state: State, loss: Loss, *, steps: int, tolerance: float) -> State:
    """The state with every point where it fits best; rig and poses stay.

    Levenberg and Marquardt with a damping for each point; what does not help a point is not done to it. Stops
    when a step lowers the cost of all together by less than `tolerance` of it, or after `steps`.
    """
    seen, layout, share = problem.seen, problem.seen.layout, problem.share
    still = state.vector.new_zeros(GLOBAL_SIZE), state.vector.new_zeros(problem.frames, POSE_SIZE)

    def judged(state: State) -> tuple[Tensor, Tensor, Tensor]:
        """Residuals, their derivatives, and what each point costs, (a,)."""
        residual, by_point = linearise_points(state, seen)
        of_rows = share * loss.value(squared_misfit(residual, share))
        of_points = point_residual(state)[layout.point] ** 2
        return residual, by_point, of_points.index_add(0, layout.place, of_rows)

    residual, by_point, cost = judged(state)
    damping = torch.full_like(cost, _DAMPING)
    for _ in range(steps):
        root = loss.weight(squared_misfit(residual, share)).sqrt()
        blocks, rhs = point_blocks(by_point * root, residual * root, layout, point_prior(state))
        step = torch.zeros_like(state.point[:, :3])
        try:
            step[layout.point] = solve_points(blocks, rhs, damping).T
        except torch.linalg.LinAlgError:
            damping = damping * _STIFFENING
            continue
        new = retract(state, *still, step)
        new_residual, new_by_point, new_cost = judged(new)
        better = new_cost <= cost
        moves = torch.zeros(len(state.point), dtype=torch.bool, device=better.device)
        moves[layout.point] = better
        state = replace(state, point=torch.where(moves[:, None], new.point, state.point))
        of_row = better[layout.place]
        residual = torch.where(of_row, new_residual, residual)
        by_point = torch.where(of_row, new_by_point, by_point)
        damping = torch.where(better, damping / _EASING, damping * _STIFFENING).clamp_min(_LEAST_DAMPING)
        before, cost = cost.sum(), torch.where(better, new_cost, cost)
        if before - cost.sum() <= tolerance * before:
            break
    return state
