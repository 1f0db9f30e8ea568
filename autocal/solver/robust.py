"""From a coarse start to clean inliers: the loss annealed, the noise re-estimated, the rest let go."""

from __future__ import annotations

from dataclasses import dataclass, replace

import torch
from torch import Tensor

from autocal.geometry.rig import Rig
from autocal.solver.bundle import Observations, State
from autocal.solver.influence import overbearing
from autocal.solver.levenberg import NEAR, Outcome, Problem, optimise, squared_misfit
from autocal.solver.loss import GemanMcClure, Squares
from autocal.solver.placing import placed
from autocal.solver.triangulate import retriangulated

#: A quantile below the median, so that wrong matches and the good ones they pull along may be the
#: majority, and its value for chi-square with two degrees of freedom; a lone pair's misfit, all of it
#: across the epipolar line, is twice chi-square with one. The value three in ten thousand exceed.
_QUANTILE, _AT_QUANTILE, _AT_QUANTILE_PAIR, _GATE = 0.4, 1.02165, 0.54994, 16.0
_LONE_PAIR_SHARE = 0.25
#: Observations are never taken to be much better than their matcher says: a flexible model fits the
#: best of them ever closer and would leave the rest behind.
_LEAST_NOISE = 0.7
_CONFIRMED_SIGHTS, _ENOUGH_CONFIRMED = 4, 100
_BEYOND_INFINITY, _TOO_NEAR = -0.02, 0.35  # inverse distances, per baseline
_STEPS, _ANNEALING_ROUNDS = 6, 14
_RESTING = 3e-3  # of the cost: what the last step may take off it in a round that has come to rest
_TAKING_IN_SCALE, _TAKING_IN_STEPS = 10.0, 2  # sigmas; few, as settling goes on from there
_PASSING, _SETTLED = 3e-2, 1e-6  # of the cost: where a round ends whose inliers are chosen anew, and the last
_LAST_STEPS = 40  # two are usual; where the footage says little of some parameters, many small ones
_NARROWEST, _LEAST_SCALE = 3.0, 2.7  # of the misfit, and sigmas: where annealing ends and the gate takes over
_WIDE, _WIDEST = 3.0, 400.0  # where it begins: so many times the misfit, and so many sigmas at the most
_NARROWING = 2.5  # at most, from one round to the next


@dataclass(frozen=True, eq=False)
class Settled:
    """noise: the observations' sigmas must be multiplied by this. inlier: (n,) of the problem given."""

    outcome: Outcome
    noise: float
    inlier: Tensor


def observation_share(seen: Observations, points: int) -> Tensor:
    """(n,): (2 k - 3) / 2 k for the k observations of each row's point; 1/4 at the least."""
    count = torch.bincount(seen.point, minlength=points)[seen.point].to(seen.sigma.dtype)
    return ((2 * count - 3) / (2 * count)).clamp_min(0.25)


def noise_of(problem: Problem, state: State) -> float:
    """Robust factor by which residuals exceed their sigmas; half the observations may be wrong."""
    r2 = squared_misfit(problem.residuals(state), problem.share)
    pair = problem.share <= _LONE_PAIR_SHARE
    ratio = r2 / torch.where(pair, _AT_QUANTILE_PAIR, _AT_QUANTILE)
    rank = max(int(_QUANTILE * len(ratio)), 1)
    return max(float(ratio.kthvalue(rank).values.sqrt()), _LEAST_NOISE)


def anneal(
    problem: Problem, state: State, free: Tensor, rig: Rig, generator: torch.Generator | None = None
) -> State:
    """Minimise under a loss that begins wider than the misfit and narrows to three sigmas of what is left.

    It narrows where a round has come to rest, and step by step: sooner, and good matches that the lens does
    not describe yet would be left behind. A round that has not come to rest is followed by a wide one. With a
    generator, points are placed anew on the way, so that those dragged off by wrong matches come back. rig:
    whose lenses the state's vector moves.
    """
    scale = min(max(_WIDE * noise_of(problem, state), _NARROWEST), _WIDEST)
    for _ in range(_ANNEALING_ROUNDS):
        if generator is not None:
            state = retriangulated(state, problem.seen, problem.share, rig, scale, generator)
        outcome = optimise(problem, state, GemanMcClure(scale), free, steps=_STEPS, tolerance=1e-3)
        state = outcome.state
        wanted = max(_NARROWEST * noise_of(problem, state), _LEAST_SCALE)
        resting = outcome.last_gain < _RESTING
        if resting and scale <= 1.1 * wanted:
            break
        scale = max(scale / _NARROWING, wanted if resting else _WIDE * wanted)
    return state


def taken_in(problem: Problem, state: State, free: Tensor, rig: Rig, generator: torch.Generator) -> State:
    """A state that only part of the observations made, brought near to what all of them say.

    No narrower: good sights at the loss's edge would be let go for good, and their share of the answer.
    """
    state = retriangulated(state, problem.seen, problem.share, rig, _TAKING_IN_SCALE, generator)
    loss = GemanMcClure(_TAKING_IN_SCALE * noise_of(problem, state))
    return optimise(problem, state, loss, free, steps=_TAKING_IN_STEPS, tolerance=1e-4, damping=NEAR).state


def settle(
    problem: Problem, state: State, free: Tensor, *, rounds: int = 3, last_steps: int = _LAST_STEPS
) -> Settled:
    """Least squares over the inliers, twice re-chosen; state must be near the answer (`anneal`)."""
    noise = noise_of(problem, state)
    let_go = torch.zeros(len(state.point), dtype=torch.bool, device=free.device)
    for number in range(rounds):
        inlier = inliers(problem, state, noise) & ~let_go[problem.seen.point]
        inner = restrict(problem, inlier, len(state.point)).with_noise(noise)
        steps = _STEPS if number + 1 < rounds else last_steps
        tolerance = _PASSING if number + 1 < rounds else _SETTLED
        outcome = optimise(inner, state, Squares(), free, steps=steps, tolerance=tolerance, damping=NEAR)
        state = outcome.state
        r2 = squared_misfit(inner.residuals(state), inner.share)
        left = float(((r2 * inner.share).sum() / (2 * inner.share).sum()).sqrt())
        noise *= left
        if number + 1 < rounds:
            let_go |= overbearing(inner, state, free, left)
    # Parts of the footage that share nothing but the sky lie anywhere to each other: no number of steps
    # brings the cameras to rest then. The sigmas ask only that each point is where they see it best.
    state = placed(inner, state, Squares(), steps=8, tolerance=1e-9)
    return Settled(replace(outcome, state=state), noise, inlier)


def inliers(problem: Problem, state: State, noise: float) -> Tensor:
    """(n,): the observations that a state explains, of points it can believe in and that keep company."""
    r2 = squared_misfit(problem.residuals(state), problem.share)
    inlier = r2 < _GATE * noise**2
    inlier &= _believable(problem.seen, inlier, state)[problem.seen.point]
    return inlier & _with_company(problem.seen, inlier, len(state.point))


def restrict(problem: Problem, keep: Tensor, points: int) -> Problem:
    """The problem with only the observations marked in `keep` (n,)."""
    seen = problem.seen.where(keep)
    return replace(problem, seen=seen, share=observation_share(seen, points))


def _believable(seen: Observations, inlier: Tensor, state: State) -> Tensor:
    """(points,): not nearer than a few baselines nor clearly beyond infinity.

    A wrong match along its own epipolar line leaves no residual, yet at an odd distance it would
    decide the baseline's direction: points seen too few times to contradict themselves must lie
    within the distances of those that could have.
    """
    inverse = state.point[:, 3] / state.point[:, :3].norm(dim=1).clamp_min(1e-12)
    believable = (inverse > _BEYOND_INFINITY) & (inverse < _TOO_NEAR)
    sights = torch.bincount(seen.point[inlier], minlength=len(state.point))
    confirmed = believable & (sights >= _CONFIRMED_SIGHTS)
    if int(confirmed.sum()) >= _ENOUGH_CONFIRMED:
        low, high = torch.quantile(inverse[confirmed], inverse.new_tensor([0.01, 0.99]))
        # The nearest things are soon out of sight, and it is they that decide the baseline's direction.
        margin = (high - low) / 2
        within = (inverse >= low - margin) & (inverse <= high + margin)
        believable &= (sights >= _CONFIRMED_SIGHTS) | within
    return believable


def _with_company(seen: Observations, keep: Tensor, points: int) -> Tensor:
    """(n,): whether a row's point keeps at least two observations, and more than a third of all it has.

    Of many sights two that agree on a place are easily found, along each other's epipolar line, when the
    rest are wrong.
    """
    kept = torch.bincount(seen.point[keep], minlength=points)
    return ((kept >= 2) & (3 * kept > torch.bincount(seen.point, minlength=points)))[seen.point]
