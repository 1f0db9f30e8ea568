"""Freedom released in stages: each stage must predict matches kept out of the solve better, and the
footage must pin it down well inside what was known before.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import torch
from numpy.typing import NDArray

from autocal.geometry.parameters import vector_from_rig
from autocal.solver.bundle import State
from autocal.solver.freedom import Prior, Stage
from autocal.solver.holdout import Holdout, Prediction, predict
from autocal.solver.levenberg import Problem, optimise
from autocal.solver.loss import GemanMcClure
from autocal.solver.robust import anneal, inliers, noise_of, restrict
from autocal.solver.uncertainty import covariance, shared_cause_inflation

#: A stage is kept if its sigma is below this part of its prior's.
_WELL_INSIDE = 0.5
_FURTHEST = 4.0  # sigmas of the prior that a parameter may move
_ROWS = 8_000  # observations that are enough to choose stages by

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class Judged:
    """What became of a stage: kept or not, why in words, and whether the footage could speak of it."""

    stage: Stage
    kept: bool
    reason: str
    tried: bool = True


@dataclass(frozen=True, eq=False)
class Released:
    """state: of the first fold's training, never shown what that fold keeps out; points that it did not
    use are where they began. free: (25,), what moves from here on."""

    state: State
    free: torch.Tensor
    judged: tuple[Judged, ...]


def release(
    problem: Problem,
    state: State,
    always: Sequence[Stage],
    stages: Sequence[Stage],
    holdouts: Sequence[Holdout],
    prior: Prior,
    moving: bool,
    rng: np.random.Generator,
    generator: torch.Generator,
    tell: Progress,
) -> Released:
    """Release stage after stage on the training part of each fold.

    always: stages that move without being judged. stages: those that are judged, in order.
    """
    judge = _Judge(problem, _folds(problem, holdouts, len(state.point), rng), prior, moving)
    device = problem.seen.sigma.device
    tried = [stage for stage in stages if moving or not stage.needs_motion]
    # A moving rig's lenses may be far from nominal, and no part of them can be judged while the others
    # are wrong: its first stages begin released and must show that they are needed.
    first = [stage for stage in tried if moving and stage.opens]
    free = _mask([*always, *first], device)
    states = tuple(anneal(fold.part, state, free, prior.rig, generator) for fold in judge.folds)
    judged = {
        stage.title: Judged(stage, False, "the rig did not move", tried=False)
        for stage in stages
        if stage not in tried
    }
    for number, stage in enumerate([*(s for s in tried if s not in first), *first]):
        tell("stages", number, len(tried))
        released = _mask([stage], device)
        if stage in first:
            with_it, without = states, judge.refined(judge.returned(states, released), free & ~released)
        else:
            with_it, without = judge.refined(states, free | released), states
        reason = judge.why_not(stage, with_it, free | released, without)
        judged[stage.title] = Judged(stage, not reason, reason)
        states, free = (without, free & ~released) if reason else (with_it, free | released)
    tell("stages", len(tried), len(tried))
    return Released(states[0], free, tuple(judged[stage.title] for stage in stages))


def refined(problem: Problem, state: State, free: torch.Tensor) -> State:
    """A few steps with a loss at three sigmas of what the misfit is now, then of what it became."""
    for _ in range(2):
        loss = GemanMcClure(3 * noise_of(problem, state))
        state = optimise(problem, state, loss, free, steps=6, tolerance=1e-4).state
    return state


def thinned(track: NDArray, rows: NDArray, most: int, rng: np.random.Generator) -> NDArray[np.bool_]:
    """The marked rows, or those of a random part of their tracks where there are more than `most`."""
    number = int(rows.sum())
    if number <= most:
        return rows
    chosen = rng.random(int(track.max()) + 1) < most / number
    return rows & chosen[track]


@dataclass(frozen=True, eq=False)
class _Fold:
    """One way of keeping matches out: the problem of what is used, and what is not."""

    part: Problem
    holdout: Holdout


def _folds(
    problem: Problem, holdouts: Sequence[Holdout], points: int, rng: np.random.Generator
) -> tuple[_Fold, ...]:
    track = problem.seen.point.cpu().numpy()
    folds = []
    for holdout in holdouts:
        rows = torch.as_tensor(thinned(track, holdout.train, _ROWS, rng), device=problem.seen.sigma.device)
        unseen = replace(holdout, track=thinned(track, holdout.track, _ROWS // 2, rng))
        folds.append(_Fold(restrict(problem, rows, points), unseen))
    return tuple(folds)


def _mask(stages: Sequence[Stage], device: torch.device) -> torch.Tensor:
    return torch.as_tensor(np.any([stage.mask for stage in stages], axis=0), device=device)


States = tuple[State, ...]


@dataclass(frozen=True, eq=False)
class _Judge:
    """Decides on a stage: solves every fold's training part with and without it, compares predictions."""

    problem: Problem
    folds: tuple[_Fold, ...]
    prior: Prior
    moving: bool
    judged: dict[int, tuple[States, Prediction]] = field(default_factory=dict)

    def refined(self, states: States, free: torch.Tensor) -> States:
        """The training parts solved on from where they are."""
        return tuple(refined(f.part, s, free) for f, s in zip(self.folds, states, strict=True))

    def returned(self, states: States, held: torch.Tensor) -> States:
        """The states with the marked parameters (25,) back at their prior."""
        mean = self.problem.prior_mean
        return tuple(replace(s, vector=torch.where(held, mean, s.vector)) for s in states)

    def prediction(self, states: States) -> Prediction:
        """How well states predict what was kept out, over all folds; the same states are judged once."""
        if id(states) not in self.judged:
            total = Prediction(np.zeros(0), np.zeros(0))
            for fold, state in zip(self.folds, states, strict=True):
                total = total + predict(self.problem, state, fold.holdout, self.prior.rig, self.moving)
            self.judged[id(states)] = (states, total)
        return self.judged[id(states)][1]

    def why_not(self, stage: Stage, with_it: States, free: torch.Tensor, without: States) -> str:
        """Why a stage is not kept; empty if it is. free: (25,), the stage included."""
        before, after = self.prediction(without), self.prediction(with_it)
        if not after.better_than(before):
            return "it does not predict matches kept out of the solve any better"
        part, state = self.folds[0].part, with_it[0]
        noise = noise_of(part, state)
        inner = restrict(part, inliers(part, state, noise), len(state.point))
        scaled = replace(inner, seen=replace(inner.seen, sigma=inner.seen.sigma * noise))
        # Where nothing moves, the lens's misfit is the same in every frame and passes for evidence.
        shared = 1.0 if self.moving else shared_cause_inflation(scaled, state, free)
        nothing_else = np.zeros_like(self.prior.covariance)  # what is still held is judged in its turn
        sigma = np.sqrt(np.diag(covariance(scaled, state, free, nothing_else, inflation=shared)))
        known = np.sqrt(np.diag(self.prior.covariance))
        narrowed = float(np.min((sigma / known)[stage.mask]))
        if narrowed > _WELL_INSIDE:
            return f"the footage narrows it to {narrowed:.0%} of what was known before, at best"
        moved = np.abs(state.vector.cpu().numpy() - vector_from_rig(self.prior.rig))
        far = float(np.max((moved / known)[stage.mask]))
        if far > _FURTHEST:
            return f"it would move {far:.1f} sigmas from what is known of such lenses"
        return ""
