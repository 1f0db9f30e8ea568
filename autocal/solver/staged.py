"""The solve as a whole: start, release freedom in stages, settle, and say how sure it is.

A stage is kept only if it predicts matches that it did not see better, and if the footage pins its
parameters down well inside what was known before. What is not kept stays at its prior and is
reported as held.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace

import numpy as np
import torch
from numpy.typing import NDArray

from autocal.errors import SolveError
from autocal.geometry.lens import Array
from autocal.geometry.parameters import NAMES, rig_from_vector, vector_from_rig
from autocal.geometry.rig import Rig
from autocal.matches import EyePairs, Matches, matches_from_rows
from autocal.solver.bundle import Observations, State
from autocal.solver.freedom import (
    INDEPENDENT_CAUSES,
    ROTATION,
    STAGES,
    Stage,
    physically_possible,
    still_prior,
)
from autocal.solver.holdout import Holdout, Prediction, hold_out, predict, unseen_misses
from autocal.solver.levenberg import Problem, optimise
from autocal.solver.loss import GemanMcClure
from autocal.solver.robust import anneal, inliers, noise_of, observation_share, restrict, settle
from autocal.solver.start import Start, eyes_swapped, relative_start, start
from autocal.solver.triangulate import retriangulated
from autocal.solver.uncertainty import covariance, shared_cause_inflation

#: A stage is kept if its sigma is below this part of its prior's.
_WELL_INSIDE = 0.5
_FURTHEST = 4.0  # sigmas of the prior that a parameter may move
_RESETTLE_SCALE = 10.0  # sigmas, for placing the points that the choice of stages did not use
_MOVING = np.deg2rad(2.0)  # how far tracks must travel across the field for the rig to count as moving
_SELECTION_ROWS = 8_000  # observations that are enough to choose stages by
_MOST_ROWS = 30_000  # observations beyond which nothing is gained: errors of the model remain

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, eq=False)
class Prior:
    """What is known before the footage: a rig, and the covariance (25, 25) of its parameters about it."""

    rig: Rig
    covariance: Array


@dataclass(frozen=True)
class Judged:
    """What became of a stage: kept or not, why in words, and whether the footage could speak of it."""

    stage: Stage
    kept: bool
    reason: str
    tried: bool = True


@dataclass(frozen=True, eq=False)
class Solution:
    """A solved rig, how sure, and what it rests on.

    covariance: (25, 25) of `autocal.geometry.parameters.NAMES`. noise: factor on the matches' sigmas.
    inlier: (n,) rows of the matches used. unseen: eye pairs that the judged solve did not use, and
    unseen_rig: the rig it found without them. moving: whether the rig moved.
    """

    rig: Rig
    covariance: Array
    solved: tuple[str, ...]
    judged: tuple[Judged, ...]
    swapped: bool
    moving: bool
    noise: float
    inlier: NDArray[np.bool_]
    matches: Matches
    unseen: EyePairs
    unseen_rig: Rig
    iterations: int
    costs: tuple[float, ...]
    converged: bool


def solve_matches(
    matches: Matches,
    prior: Prior,
    *,
    rng: np.random.Generator,
    eyes: str = "auto",
    hold_lenses: bool = False,
    device: str = "cpu",
    progress: Progress | None = None,
) -> Solution:
    """Solve a rig from matches.

    eyes: "left-right", "right-left" (what the matches call eye 0 is the right one) or "auto": decided
    by where near points lie. prior: of the true left and right eye; with "auto", as if the matches'
    eye 0 were the left one.
    hold_lenses: only rotation and baseline direction move.

    Raises SolveError where the matches do not determine a relative rotation.
    """
    tell = progress or (lambda stage, done, total: None)
    with _one_thread():
        return _solve(matches, prior, rng, eyes, hold_lenses, device, tell)


@contextmanager
def _one_thread() -> Iterator[None]:
    """The bundle's many small operations lose far more to threads waiting for each other than they gain."""
    threads = torch.get_num_threads()
    torch.set_num_threads(1)
    try:
        yield
    finally:
        torch.set_num_threads(threads)


def _solve(
    matches: Matches,
    prior: Prior,
    rng: np.random.Generator,
    eyes: str,
    hold_lenses: bool,
    device: str,
    tell: Progress,
) -> Solution:
    tell("start", 0, 1)
    everything = np.ones(len(matches), dtype=bool)
    matches = matches_from_rows(*_rows(matches, _thinned(matches.track, everything, _MOST_ROWS, rng)))
    matches, prior, turned, swapped = _ordered(matches, prior, eyes, rng)
    begun = start(matches, turned, rng)
    moving = _is_moving(matches, turned)
    tell("start", 1, 1)
    generator = torch.Generator().manual_seed(int(rng.integers(2**31)))
    problem, state = _problem(matches, prior, begun, moving, device)
    holdout = hold_out(matches, frames_too=not moving)

    stages = [s for s in STAGES if not (hold_lenses and s.title != "baseline direction")]
    state, free, judged, training = _release(
        problem, state, stages, holdout, prior, moving, rng, generator, tell
    )
    unseen_rig = rig_from_vector(training.vector.cpu().numpy(), prior.rig)

    tell("settle", 0, 1)
    state = retriangulated(state, problem.seen, problem.share, prior.rig, _RESETTLE_SCALE, generator)
    state = _refined(problem, state, free)
    settled = settle(problem, state, free)
    inner = restrict(problem, settled.inlier, len(state.point))
    inner = replace(inner, seen=replace(inner.seen, sigma=inner.seen.sigma * settled.noise))
    final = settled.outcome.state
    # What was tried and not kept is uncertain by what the footage says of it, not by all that was
    # thinkable before; what could not be tried is.
    known = free | _mask([ROTATION, *(j.stage for j in judged if j.tried)], free.device)
    shared = shared_cause_inflation(inner, final, free)
    if not moving:
        shared = max(shared, len(matches) / INDEPENDENT_CAUSES)
    cov = covariance(inner, final, known, prior.covariance, inflation=shared)
    if not np.all(np.isfinite(cov)):
        raise SolveError("the matches do not determine the rig: film a scene with texture all around")
    tell("settle", 1, 1)
    return Solution(
        rig=rig_from_vector(final.vector.cpu().numpy(), prior.rig),
        covariance=cov,
        solved=tuple(name for name, kept in zip(NAMES, free.tolist(), strict=True) if kept),
        judged=tuple(judged),
        swapped=swapped,
        moving=moving,
        noise=settled.noise,
        inlier=settled.inlier.cpu().numpy(),
        matches=matches,
        unseen=holdout.pairs,
        unseen_rig=unseen_rig,
        iterations=settled.outcome.iterations,
        costs=settled.outcome.costs,
        converged=settled.outcome.converged,
    )


def _ordered(
    matches: Matches, prior: Prior, eyes: str, rng: np.random.Generator
) -> tuple[Matches, Prior, Rig, bool]:
    """The matches with eye 0 truly left, the prior to go with them, and the rig turned to fit."""
    if eyes == "right-left":
        matches, _ = _exchanged(matches, prior)
        return matches, prior, relative_start(matches.eye_pairs(), prior.rig, rng), True
    turned = relative_start(matches.eye_pairs(), prior.rig, rng)
    if eyes == "auto" and eyes_swapped(matches.eye_pairs(), turned):
        matches, prior = _exchanged(matches, prior)
        return matches, prior, relative_start(matches.eye_pairs(), prior.rig, rng), True
    return matches, prior, turned, False


def _exchanged(matches: Matches, prior: Prior) -> tuple[Matches, Prior]:
    order = np.lexsort((1 - matches.eye, matches.frame, matches.track))
    rig = prior.rig
    return (
        replace(
            matches,
            track=matches.track[order],
            frame=matches.frame[order],
            eye=1 - matches.eye[order],
            pixel=matches.pixel[order],
            sigma_px=matches.sigma_px[order],
        ),
        replace(prior, rig=Rig(rig.right, rig.left, rig.R_right, rig.R_left, rig.baseline_mm)),
    )


def _rows(matches: Matches, keep: NDArray[np.bool_]) -> tuple:
    return (
        matches.track[keep],
        matches.frame[keep],
        matches.eye[keep],
        matches.pixel[keep],
        matches.sigma_px[keep],
        matches.frames,
        matches.size,
    )


def _is_moving(matches: Matches, rig: Rig) -> bool:
    """Whether what the eyes follow over time travels through the field: the rig turned or moved on."""
    seen = np.flatnonzero(matches.eye == 0)
    track = matches.track[seen]
    direction = rig.directions(0, matches.pixel[seen])
    starts = np.flatnonzero(np.r_[True, np.diff(track) > 0])
    lengths = np.diff(np.r_[starts, len(track)])
    long = lengths >= 2
    if long.sum() < 100:
        return False
    first = direction[starts[long]]
    last = direction[starts[long] + lengths[long] - 1]
    travel = np.linalg.norm(last - first, axis=1)
    return bool(np.nanmedian(travel) > _MOVING)


def _problem(
    matches: Matches, prior: Prior, begun: Start, moving: bool, device: str
) -> tuple[Problem, State]:
    def tensor(a: NDArray) -> torch.Tensor:
        return torch.as_tensor(np.ascontiguousarray(a), device=device)

    seen = Observations(
        tensor(matches.frame),
        tensor(matches.eye),
        tensor(matches.track),
        tensor(matches.pixel),
        tensor(matches.sigma_px),
    )
    root = np.linalg.cholesky(np.linalg.inv(prior.covariance)).T
    if not moving:
        root = still_prior(root, len(matches))
    problem = Problem(
        seen=seen,
        prior_mean=tensor(vector_from_rig(prior.rig)),
        prior_root=tensor(root),
        fixed_frames=tensor(begun.fixed),
        share=observation_share(seen, len(begun.point)),
        allowed=lambda vector: physically_possible(vector.cpu().numpy(), prior.rig),
    )
    state = State(
        tensor(vector_from_rig(begun.rig)), tensor(begun.R_rig), tensor(begun.position), tensor(begun.point)
    )
    return problem, state


def _release(
    problem: Problem,
    state: State,
    stages: list[Stage],
    holdout: Holdout,
    prior: Prior,
    moving: bool,
    rng: np.random.Generator,
    generator: torch.Generator,
    tell: Progress,
) -> tuple[State, torch.Tensor, list[Judged], State]:
    """Release stage after stage on the training part. Returns the state for all observations to start
    from, the free parameters (25,), what became of each stage, and the last state of the training."""
    device = problem.seen.sigma.device
    track = problem.seen.point.cpu().numpy()
    rows = torch.as_tensor(_thinned(track, holdout.train, _SELECTION_ROWS, rng), device=device)
    holdout = replace(holdout, track=_thinned(track, holdout.track, _SELECTION_ROWS // 2, rng))
    part = restrict(problem, rows, len(state.point))
    judge = _Judge(problem, part, holdout, prior, moving)
    tried = [stage for stage in stages if moving or not stage.needs_motion]
    # A moving rig's lenses may be far from nominal, and no part of them can be judged while the others
    # are wrong: its first stages begin released and must show that they are needed.
    first = [stage for stage in tried if moving and stage.opens]
    free = _mask([ROTATION, *first], rows.device)
    state = anneal(part, state, free, prior.rig, generator)
    judged = {
        s.title: Judged(s, False, "the rig did not move", tried=False) for s in stages if s not in tried
    }
    for number, stage in enumerate([*(s for s in tried if s not in first), *first]):
        tell("stages", number, len(tried))
        released = _mask([stage], rows.device)
        if stage in first:
            with_it, without = state, judge.refined(judge.returned(state, released), free & ~released)
        else:
            with_it, without = judge.refined(state, free | released), state
        reason = judge.why_not(stage, with_it, free | released, without)
        judged[stage.title] = Judged(stage, not reason, reason)
        state, free = (without, free & ~released) if reason else (with_it, free | released)
    tell("stages", len(tried), len(tried))
    return state, free, [judged[stage.title] for stage in stages], state


def _mask(stages: Sequence[Stage], device: torch.device) -> torch.Tensor:
    return torch.as_tensor(np.any([stage.mask for stage in stages], axis=0), device=device)


@dataclass(frozen=True, eq=False)
class _Judge:
    """Decides on a stage: solves the training part with and without it, and compares predictions."""

    problem: Problem
    part: Problem
    holdout: Holdout
    prior: Prior
    moving: bool
    judged: dict[int, tuple[State, Prediction]] = field(default_factory=dict)

    def refined(self, state: State, free: torch.Tensor) -> State:
        """The training part solved on from a state."""
        return _refined(self.part, state, free)

    def prediction(self, state: State) -> Prediction:
        """How well a state predicts what was kept out; a state is judged once."""
        if id(state) not in self.judged:
            found = predict(self.problem, state, self.holdout, self.prior.rig, self.moving)
            self.judged[id(state)] = (state, found)
        return self.judged[id(state)][1]

    def returned(self, state: State, held: torch.Tensor) -> State:
        """The state with the marked parameters (25,) back at their prior."""
        return replace(state, vector=torch.where(held, self.part.prior_mean, state.vector))

    def why_not(self, stage: Stage, with_it: State, free: torch.Tensor, without: State) -> str:
        """Why a stage is not kept; empty if it is. free: (25,), the stage included."""
        before, after = self.prediction(without), self.prediction(with_it)
        if not after.better_than(before, moving=self.moving):
            return "it does not predict matches kept out of the solve any better"
        noise = noise_of(self.part, with_it)
        inner = restrict(self.part, inliers(self.part, with_it, noise), len(with_it.point))
        scaled = replace(inner, seen=replace(inner.seen, sigma=inner.seen.sigma * noise))
        # Where nothing moves, the lens's misfit is the same in every frame and passes for evidence.
        shared = 1.0 if self.moving else shared_cause_inflation(scaled, with_it, free)
        nothing_else = np.zeros_like(self.prior.covariance)  # what is still held is judged in its turn
        sigma = np.sqrt(np.diag(covariance(scaled, with_it, free, nothing_else, inflation=shared)))
        known = np.sqrt(np.diag(self.prior.covariance))
        part = float(np.min((sigma / known)[stage.mask]))
        if part > _WELL_INSIDE:
            return f"the footage narrows it to {part:.0%} of what was known before, at best"
        moved = np.abs(with_it.vector.cpu().numpy() - vector_from_rig(self.prior.rig))
        far = float(np.max((moved / known)[stage.mask]))
        if far > _FURTHEST:
            return f"it would move {far:.1f} sigmas from what is known of such lenses"
        return ""


def _refined(problem: Problem, state: State, free: torch.Tensor) -> State:
    """A few steps with a loss at three sigmas of what the misfit is now, then of what it became."""
    for _ in range(2):
        loss = GemanMcClure(3 * noise_of(problem, state))
        state = optimise(problem, state, loss, free, steps=6, tolerance=1e-4).state
    return state


def _thinned(track: NDArray, rows: NDArray, most: int, rng: np.random.Generator) -> NDArray[np.bool_]:
    """The marked rows, or those of a random part of their tracks where there are more than `most`."""
    number = int(rows.sum())
    if number <= most:
        return rows
    chosen = rng.random(int(track.max()) + 1) < most / number
    return rows & chosen[track]


__all__ = ["Judged", "Prior", "Solution", "solve_matches", "unseen_misses"]
