"""Freedom released in stages: each stage must predict matches kept out of the solve better, and the
footage must pin it down well inside what was known before.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import torch
from numpy.typing import NDArray
from scipy.linalg import eigh

from autocal.geometry.lens import Array
from autocal.geometry.parameters import vector_from_rig
from autocal.solver.bundle import State
from autocal.solver.freedom import Stage, mask_of
from autocal.solver.holdout import Holdout, Prediction, predict, tracks_kept_out
from autocal.solver.levenberg import NEAR, Problem, cost_of, optimise
from autocal.solver.loss import GemanMcClure
from autocal.solver.prior import Prior
from autocal.solver.robust import anneal, inliers, noise_of, restrict
from autocal.solver.uncertainty import covariance

#: A stage is kept if its sigma is below this part of its prior's.
_WELL_INSIDE = 0.5
_FURTHEST = 4.0  # sigmas of the prior that a parameter may move
_SCALE = 3.0  # of the loss, sigmas of the misfit
_STEPS = 4  # of a round
#: Of the first, from where parameters were put back: one makes up for that, as far as the others can, and of
#: more there is no use while the loss is as wide as the misfit was.
_STEPS_BACK = 2
_STEADY = 0.97  # of the misfit before: another round with a narrower loss would be the same again
_HOPELESS = 2.0  # of the misfit with a parameter: no second round makes up for that
#: The same as the normal equations have it, by which no round need be tried: what then came of one was 0.7 to
#: 1.2 times as much in 180 trials.
_FORESEEN = 4.0
#: Observations that are enough to choose stages by: of clean footage, and at the most of noisy footage. Twice
#: the sigma asks for four times as many.
_ROWS, _MOST_ROWS = 5_000, 9_600
_CLEAN = np.deg2rad(0.005)  # sigma of an observation

#: Why a stage is not kept whose parameters move to no purpose.
NO_BETTER = "it does not predict matches kept out of the solve any better"

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class Judged:
    """What became of a stage: kept or not, why in words, and whether the footage could speak of it.

    contradicts: the footage asks for values that were as good as ruled out beforehand.
    """

    stage: Stage
    kept: bool
    reason: str
    tried: bool = True
    contradicts: bool = False


@dataclass(frozen=True, eq=False)
class Released:
    """state: of the training part, never shown what was kept out; points that it did not use are where
    they began. free: (25,), what moves from here on."""

    state: State
    free: torch.Tensor
    judged: tuple[Judged, ...]


def release(
    problem: Problem,
    state: State,
    always: Sequence[Stage],
    stages: Sequence[Stage],
    holdout: Holdout,
    prior: Prior,
    rng: np.random.Generator,
    generator: torch.Generator,
    tell: Progress,
) -> Released:
    """Release stage after stage of a moving rig on what is not kept out.

    always: stages that move without being judged. stages: those that are judged, in order.
    """
    judge = _Judge.of(problem, holdout, prior, len(state.point), rng)
    device = problem.seen.sigma.device
    # A moving rig's lenses may be far from nominal, and no part of them can be judged while the others
    # are wrong: its first stages begin released and must show that they are needed.
    first = [stage for stage in stages if stage.opens]
    free = _mask([*always, *first], device)
    state = anneal(judge.part, state, free, prior.rig, generator)
    judged = {}
    for number, stage in enumerate([*(s for s in stages if s not in first), *first]):
        tell("stages", number, len(stages))
        released = _mask([stage], device)
        if stage in first:
            without = judge.refined_without(state, free, released)
            if judge.fits_better(without, state):
                # What may move more fits no worse, unless it was found from a wrong place.
                state = judge.refined(without, free)
            with_it = state
        else:
            with_it, without = judge.refined(state, free | released), state
        verdict = judged[stage.title] = judge.verdict(stage, with_it, free | released, without)
        state, free = (with_it, free | released) if verdict.kept else (without, free & ~released)
    tell("stages", len(stages), len(stages))
    return Released(state, free, tuple(judged[stage.title] for stage in stages))


def _refined(
    problem: Problem, state: State, free: torch.Tensor, *, first: int = _STEPS, worst: float = np.inf
) -> State:
    """A few steps with a loss at three sigmas of what the misfit is now; again, if it became less.

    first: steps the first time. worst: misfit (`noise_of`) beyond which it need not be tried again.
    """

    def stepped(state: State, noise: float, steps: int) -> State:
        loss = GemanMcClure(_SCALE * noise)
        return optimise(problem, state, loss, free, steps=steps, tolerance=1e-3, damping=NEAR).state

    noise = noise_of(problem, state)
    state = stepped(state, noise, first)
    left = noise_of(problem, state)
    return stepped(state, left, _STEPS) if left <= min(_STEADY * noise, worst) else state


def thinned(track: NDArray, rows: NDArray, most: int, rng: np.random.Generator) -> NDArray[np.bool_]:
    """The marked rows, or those of a random part of their tracks where there are more than `most`."""
    number = int(rows.sum())
    if number <= most:
        return rows
    chosen = rng.random(int(track.max()) + 1) < most / number
    return rows & chosen[track]


def _mask(stages: Sequence[Stage], device: torch.device) -> torch.Tensor:
    return torch.as_tensor(mask_of(stages), device=device)


@dataclass(frozen=True, eq=False)
class _Judge:
    """Decides on a stage: solves what is not kept out with and without it, compares predictions.

    part: the problem of what is used. tracks: of what is not (`tracks_kept_out`).
    """

    part: Problem
    holdout: Holdout
    tracks: tuple[Problem, torch.Tensor]
    prior: Prior
    judged: dict[int, tuple[State, Prediction]] = field(default_factory=dict)
    measured: dict[tuple[int, bytes], tuple[State, Array, int]] = field(default_factory=dict)

    @staticmethod
    def of(problem: Problem, holdout: Holdout, prior: Prior, points: int, rng: np.random.Generator) -> _Judge:
        track, sigma = problem.seen.point.cpu().numpy(), problem.seen.sigma
        angle = float((sigma**-2).mean() ** -0.5) / prior.rig.left.focal_px
        most = int(np.clip(_ROWS * (angle / _CLEAN) ** 2, _ROWS, _MOST_ROWS))
        rows = torch.as_tensor(thinned(track, holdout.train, most, rng), device=sigma.device)
        unseen = replace(holdout, track=thinned(track, holdout.track, most // 2, rng))
        tracks = tracks_kept_out(problem, unseen, points)
        return _Judge(restrict(problem, rows, points), unseen, tracks, prior)

    def refined(self, state: State, free: torch.Tensor) -> State:
        """The part solved on from where it is."""
        return _refined(self.part, state, free)

    def refined_without(self, state: State, free: torch.Tensor, held: torch.Tensor) -> State:
        """The same with the marked parameters (25,) back at their prior and held there; no more than that
        where it is plain beforehand that it leaves far too much."""
        returned = replace(state, vector=torch.where(held, self.part.prior_mean, state.vector))
        found, rows = self.measure(state, free)
        own = np.ix_(*[held.cpu().numpy()] * 2)
        back = (returned.vector - state.vector)[held].cpu().numpy()
        if back @ np.linalg.solve(found[own], back) > 2 * rows * (_FORESEEN**2 - 1):
            return returned
        worst = _HOPELESS * noise_of(self.part, state)
        return _refined(self.part, returned, free & ~held, first=_STEPS_BACK, worst=worst)

    def fits_better(self, one: State, other: State) -> bool:
        """Whether a state fits the part better than another does, by a loss as wide as the other asks for."""
        loss = GemanMcClure(_SCALE * noise_of(self.part, other))
        costs = [cost_of(self.part, s, self.part.residuals(s), loss) for s in (one, other)]
        return costs[0] < costs[1]

    def measure(self, state: State, free: torch.Tensor) -> tuple[Array, int]:
        """Covariance (25, 25) of a state by the footage alone, and by how many inliers; worked out once."""
        key = id(state), free.cpu().numpy().tobytes()
        if key not in self.measured:
            noise = noise_of(self.part, state)
            inner = restrict(self.part, inliers(self.part, state, noise), len(state.point))
            nothing_else = np.zeros_like(self.prior.covariance)  # what is still held is judged in its turn
            found = covariance(inner.with_noise(noise), state, free, nothing_else)
            self.measured[key] = state, found, len(inner.seen)
        return self.measured[key][1:]

    def prediction(self, state: State) -> Prediction:
        """How well a state predicts what was kept out; the same state is judged once."""
        if id(state) not in self.judged:
            self.judged[id(state)] = (state, predict(state, self.holdout, self.tracks, self.prior.rig))
        return self.judged[id(state)][1]

    def verdict(self, stage: Stage, with_it: State, free: torch.Tensor, without: State) -> Judged:
        """Whether a stage is kept. free: (25,), the stage included."""
        if not self.prediction(with_it).better_than(self.prediction(without), stage.clearly):
            return Judged(stage, False, NO_BETTER)
        found, _ = self.measure(with_it, free)
        vector = with_it.vector.cpu().numpy()
        return by_footage(stage, found, vector - vector_from_rig(self.prior.rig), self.prior)


def by_footage(stage: Stage, found: Array, moved: Array, prior: Prior) -> Judged:
    """Whether footage decides what a stage says.

    found: covariance (25, 25) by the footage. moved: (25,), how far from the prior's mean.
    """
    own = np.ix_(stage.mask, stage.mask)
    known = prior.covariance[own]
    narrowed = float(np.sqrt(eigh(found[own], known, eigvals_only=True)[0]))
    if narrowed > _WELL_INSIDE:
        return Judged(
            stage, False, f"the footage narrows it to {narrowed:.0%} of what was known before, at best"
        )
    far = float(np.max(np.abs(moved[stage.mask]) / np.sqrt(np.diag(known))))
    if far > _FURTHEST:
        reason = f"it would move {far:.1f} sigmas from what is known of such lenses"
        return Judged(stage, False, reason, contradicts=True)
    return Judged(stage, True, "")
