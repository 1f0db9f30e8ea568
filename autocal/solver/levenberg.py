"""Levenberg and Marquardt over a bundle: steps, damping, when to stop. Knows no geometry.

Damping after Nielsen, IMM-REP-1999-05 (gain ratio). Lenses that fold inside the image circle, or
otherwise leave what is physically possible, are refused like a step that raises the cost.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cached_property

import torch
from torch import Tensor

from autocal.cores import cores
from autocal.solver.bundle import (
    GLOBAL_SIZE,
    POSE_SIZE,
    Linearised,
    Observations,
    State,
    linearise,
    point_prior,
    point_residual,
    residuals,
    retract,
)
from autocal.solver.loss import Loss, Squares
from autocal.solver.normal import Each, Normal, normal_equations, reduced, solve_step

#: Damping to begin with, far from the answer and near it, where more of it keeps what the footage says little
#: of from coming to rest.
FAR, NEAR = 1e-4, 1e-6
_WORTH_SHARING = 12_000  # observations: with fewer, threads wait for each other longer than they work


@dataclass(frozen=True, eq=False)
class Problem:
    """What is minimised, apart from the loss.

    prior_mean: (25,) and prior_root: (25, 25), a Gaussian prior on the global parameters; the root
    of its information matrix: the prior's residual is prior_root @ (vector - prior_mean).
    fixed_frames: (frames,) bool, poses that hold the gauge.
    share: (n,), the part of an observation's residual that its point cannot absorb,
    (2 k - 3) / 2 k for a track of k observations: residuals are judged by it.
    allowed: whether a parameter vector is physically possible.
    """

    seen: Observations
    prior_mean: Tensor
    prior_root: Tensor
    fixed_frames: Tensor
    share: Tensor
    allowed: Callable[[Tensor], bool]

    @cached_property
    def parts(self) -> tuple[Problem, ...]:
        """Problems whose costs add up to this one's, which share no points; the first has the prior.

        Halves, where there is so much to do that a second core helps: the same ones without a second core, so
        that the answer does not depend on it.
        """
        rows = len(self.seen)
        if rows < _WORTH_SHARING or self.seen.point.device.type != "cpu":
            return (self,)
        middle = int(torch.searchsorted(self.seen.point, self.seen.point[rows // 2]))
        first, second = slice(middle), slice(middle, None)
        return (
            replace(self, seen=self.seen.where(first), share=self.share[first]),
            replace(
                self,
                seen=self.seen.where(second),
                share=self.share[second],
                prior_root=torch.zeros_like(self.prior_root),
            ),
        )

    @cached_property
    def _met(self) -> deque[tuple[State, Linearised]]:
        return deque(maxlen=2)

    def linearised(self, state: State) -> Linearised:
        """Residuals and their derivatives; not worked out again where another optimisation has just ended."""
        lin = self._known(state)
        if lin is None:
            lin = linearise(state, self.seen)
            self._met.append((state, lin))
        return lin

    def residuals(self, state: State) -> Tensor:
        """Whitened residuals (2, n); those of `linearised` where that was asked for just before."""
        known = [part._known(state) for part in self.parts]
        found = [lin.residual for lin in known if lin is not None]
        return torch.cat(found, dim=1) if len(found) == len(known) else residuals(state, self.seen)

    def _known(self, state: State) -> Linearised | None:
        return next((lin for met, lin in self._met if met is state), None)

    @property
    def frames(self) -> int:
        return len(self.fixed_frames)

    def with_noise(self, factor: float) -> Problem:
        """The same with all sigmas times a factor."""
        return replace(self, seen=replace(self.seen, sigma=self.seen.sigma * factor))

    def free_index(self, free_globals: Tensor) -> Tensor:
        """Indices of the camera unknowns that move: free_globals (25,) bool, and all poses not fixed."""
        poses = (~self.fixed_frames).repeat_interleave(POSE_SIZE)
        return torch.cat([free_globals, poses]).nonzero()[:, 0]


@dataclass(frozen=True, eq=False)
class Outcome:
    """Where an optimisation ended. costs: after each accepted step, the start first."""

    state: State
    costs: tuple[float, ...]
    iterations: int
    converged: bool

    @property
    def last_gain(self) -> float:
        """What the last accepted step took off the cost, as a share of it."""
        return 1 - self.costs[-1] / max(self.costs[-2], 1e-300) if len(self.costs) > 1 else 0.0


def squared_misfit(residual: Tensor, share: Tensor) -> Tensor:
    """(n,), chi-square with two degrees of freedom where the model holds: |r|^2 / share."""
    return (residual**2).sum(dim=0) / share


def cost_of(problem: Problem, state: State, residual: Tensor, loss: Loss) -> float:
    """The robust cost, with priors, of a state that leaves residuals (2, n)."""
    r2 = squared_misfit(residual, problem.share)
    data = (problem.share * loss.value(r2)).sum()
    prior = ((problem.prior_root @ (state.vector - problem.prior_mean)) ** 2).sum()
    points = (point_residual(state)[problem.seen.layout.point] ** 2).sum()
    return float(data + prior + points)


def normal_at(problem: Problem, state: State, loss: Loss, free: Tensor) -> tuple[Normal, Linearised]:
    """The normal equations at a state, with the loss's weights. free: `Problem.free_index`."""
    lin = problem.linearised(state)
    return _normal(problem, state, lin, loss, free), lin


def information_at(problem: Problem, state: State, free: Tensor) -> Tensor:
    """Least squares: information (m, m) on the camera unknowns that move, points eliminated.

    free: `Problem.free_index`.
    """
    with _workers(len(problem.parts)) as each:
        normal, *others = each(lambda part: normal_at(part, state, Squares(), free)[0], problem.parts)
        return reduced(normal, 0.0, others=others, each=each).matrix


def _normal(problem: Problem, state: State, lin: Linearised, loss: Loss, free: Tensor) -> Normal:
    weight = loss.weight(squared_misfit(lin.residual, problem.share))
    prior = (problem.prior_root @ (state.vector - problem.prior_mean), problem.prior_root)
    layout = problem.seen.layout
    return normal_equations(lin, layout, weight, free, problem.frames, prior, point_prior(state))


def optimise(
    problem: Problem,
    state: State,
    loss: Loss,
    free_globals: Tensor,
    *,
    steps: int = 30,
    tolerance: float = 1e-7,
    damping: float = FAR,
) -> Outcome:
    """Minimise the robust cost over the free global parameters, the poses and the points.

    Points that nothing sees stay where they are. Stops when a step lowers the cost by less than `tolerance`
    of it, or after `steps` trials. damping: of the first, `FAR` or `NEAR`.
    """
    free, parts = problem.free_index(free_globals), problem.parts
    with _workers(len(parts)) as each:

        def linearised(at: State) -> tuple[list[Linearised], float]:
            # With derivatives at once: most steps are taken, and then they are needed.
            lins = list(each(lambda part: part.linearised(at), parts))
            return lins, sum(cost_of(p, at, lin.residual, loss) for p, lin in zip(parts, lins, strict=True))

        def normals_at(at: State, lins: list[Linearised]) -> list[Normal]:
            return list(each(lambda part, lin: _normal(part, at, lin, loss, free), parts, lins))

        lins, cost = linearised(state)
        costs = [cost]
        growth = 2.0
        normals: list[Normal] = []
        for trial in range(steps):
            normals = normals or normals_at(state, lins)
            try:
                d_camera, d_point = solve_step(normals[0], damping, others=normals[1:], each=each)
            except torch.linalg.LinAlgError:
                damping, growth = damping * growth, growth * 2
                continue
            new = retract(state, d_camera[:GLOBAL_SIZE], d_camera[GLOBAL_SIZE:].view(-1, POSE_SIZE), d_point)
            new_cost = float("inf")
            if problem.allowed(new.vector):
                new_lins, new_cost = linearised(new)
            if not new_cost <= cost:
                damping, growth = damping * growth, growth * 2
                if damping > 1e8:
                    return Outcome(state, tuple(costs), trial + 1, converged=True)
                continue
            gained = (cost - new_cost) / max(cost, 1e-300)
            state, lins, cost, normals = new, new_lins, new_cost, []
            costs.append(cost)
            if gained < tolerance:
                return Outcome(state, tuple(costs), trial + 1, converged=True)
            damping, growth = max(damping / 5, 1e-9), 2.0
        return Outcome(state, tuple(costs), steps, converged=False)


@contextmanager
def _workers(parts: int) -> Iterator[Each]:
    """Work on parts side by side, as far as there are cores."""
    workers = min(parts, cores())
    if workers == 1:
        yield map
        return
    with ThreadPoolExecutor(workers) as threads:
        yield threads.map
