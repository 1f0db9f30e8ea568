"""The solve as a whole: start, release freedom in stages, settle, and say how sure it is.

A stage is kept only if it predicts matches that it did not see better, and if the footage pins its
parameters down well inside what was known before. What is not kept stays at its prior and is
reported as held.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace

import numpy as np
import torch
from numpy.typing import NDArray

from autocal.errors import SolveError
from autocal.geometry.lens import Array
from autocal.geometry.parameters import NAMES, rig_from_vector, vector_from_rig
from autocal.geometry.rig import Rig
from autocal.matches import EyePairs, Matches
from autocal.solver.bundle import Observations, State
from autocal.solver.freedom import (
    BASELINE,
    FOCAL,
    ROTATION,
    STAGES,
    Stage,
    physically_possible,
)
from autocal.solver.holdout import hold_out, unseen_misses
from autocal.solver.levenberg import Problem
from autocal.solver.prior import Prior, still_prior
from autocal.solver.release import Judged, Progress, release, thinned
from autocal.solver.robust import observation_share, restrict, settle, taken_in
from autocal.solver.start import Start, eyes_swapped, relative_start, start
from autocal.solver.still import release_still
from autocal.solver.uncertainty import (
    covariance_of,
    inflated,
    information,
    shared_cause_inflation,
    still_inflation,
)

#: Called with the eye pairs kept out, the rig found without them, and whether the eyes were exchanged.
Unseen = Callable[[EyePairs, Rig, bool], None]

_MOVING = np.deg2rad(2.0)  # how far tracks must travel across the field for the rig to count as moving
_MOST_ROWS = 24_000  # observations beyond which nothing is gained: errors of the model remain


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
    judged: Unseen | None = None,
) -> Solution:
    """Solve a rig from matches.

    eyes: "left-right", "right-left" (what the matches call eye 0 is the right one) or "auto": decided
    by where near points lie. prior: of the true left and right eye; with "auto", as if the matches'
    eye 0 were the left one.
    hold_lenses: only rotation and baseline direction move.
    judged: is told of a moving rig, before it settles, what the solution will have as `unseen`, `unseen_rig`
    and `swapped`.

    Raises SolveError where the matches do not determine a relative rotation.
    """
    tell = progress or (lambda stage, done, total: None)
    with _one_thread():
        return _solve(matches, prior, rng, eyes, hold_lenses, device, tell, judged)


@contextmanager
def _one_thread() -> Iterator[None]:
    """A second thread saves a quarter on a quiet machine; beside another solve both take four times as long:
    the bundle's many small operations make threads wait for each other, and they do it spinning."""
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
    judged_by: Unseen | None,
) -> Solution:
    tell("start", 0, 1)
    everything = np.ones(len(matches), dtype=bool)
    matches = matches.where(thinned(matches.track, everything, _MOST_ROWS, rng))
    matches = replace(matches, track=np.unique(matches.track, return_inverse=True)[1])
    matches, prior, turned, swapped = _ordered(matches, prior, eyes, rng)
    begun = start(matches, turned, rng)
    moving = _is_moving(matches, turned)
    tell("start", 1, 1)
    generator = torch.Generator().manual_seed(int(rng.integers(2**31)))
    problem, state = _problem(matches, prior, begun, moving, device)
    always, stages = _what_moves(hold_lenses, moving)
    if moving:
        holdout = hold_out(matches, frames_too=False)
        released = release(problem, state, always, stages, holdout, prior, rng, generator, tell)
        free, judged, unseen, state = released.free, released.judged, holdout.pairs, released.state
        unseen_vector = state.vector.cpu().numpy()
        if judged_by is not None:
            judged_by(unseen, rig_from_vector(unseen_vector, prior.rig), swapped)
    else:
        fit = release_still(matches, vector_from_rig(begun.rig), always, stages, prior, tell)
        free, judged, unseen, unseen_vector = (
            torch.as_tensor(fit.free, device=device),
            fit.judged,
            fit.unseen,
            fit.unseen_vector,
        )
        state = replace(state, vector=torch.as_tensor(fit.vector, device=device))

    tell("settle", 0, 1)
    state = taken_in(problem, state, free, prior.rig, generator)
    settled = settle(problem, state, free)
    inner = restrict(problem, settled.inlier, len(state.point)).with_noise(settled.noise)
    # What is known apart from the footage, not how firmly it was held: the inflation stands for that.
    inner = replace(inner, prior_root=inner.prior_root.new_tensor(prior.root))
    final = settled.outcome.state
    # What was tried and not kept is uncertain by what the footage says of it, not by all that was
    # thinkable before; what could not be tried is.
    tried = [ROTATION.mask, *(j.stage.mask for j in judged if j.tried)]
    known = free | torch.as_tensor(np.any(tried, axis=0), device=free.device)
    alone = information(inner, final)
    shared = (shared_cause_inflation if moving else still_inflation)(inner, final, free, alone)
    cov = covariance_of(inflated(alone, inner, shared), known, prior.covariance)
    if not np.all(np.isfinite(cov)):
        raise SolveError("the matches do not determine the rig: film a scene with texture all around")
    tell("settle", 1, 1)
    return Solution(
        rig=rig_from_vector(final.vector.cpu().numpy(), prior.rig),
        covariance=cov,
        solved=_solved(free, judged),
        judged=judged,
        swapped=swapped,
        moving=moving,
        noise=settled.noise,
        inlier=settled.inlier.cpu().numpy(),
        matches=matches,
        unseen=unseen,
        unseen_rig=rig_from_vector(unseen_vector, prior.rig),
        iterations=settled.outcome.iterations,
        costs=settled.outcome.costs,
        converged=settled.outcome.converged,
    )


def _solved(free: torch.Tensor, judged: tuple[Judged, ...]) -> tuple[str, ...]:
    """Names of what moved and is not said to be held: a still rig may move what stays in doubt."""
    held = {name for stage in judged if not stage.kept for name in stage.stage.names}
    return tuple(n for n, moved in zip(NAMES, free.tolist(), strict=True) if moved and n not in held)


def _what_moves(hold_lenses: bool, moving: bool) -> tuple[list[Stage], list[Stage]]:
    """Stages that move in any case, and those to be judged."""
    if hold_lenses:
        return [ROTATION, BASELINE], []
    if moving:
        return [ROTATION], list(STAGES)
    # Under its firm prior the focal length cannot run away, and a wrong one spoils all other judgements.
    return [ROTATION, FOCAL], [stage for stage in STAGES if stage is not FOCAL]


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
    return (
        replace(
            matches,
            track=matches.track[order],
            frame=matches.frame[order],
            eye=1 - matches.eye[order],
            pixel=matches.pixel[order],
            sigma_px=matches.sigma_px[order],
        ),
        replace(prior, rig=prior.rig.exchanged()),
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
    root = prior.root if moving else still_prior(prior.root, len(matches))
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


__all__ = ["Judged", "Prior", "Solution", "solve_matches", "unseen_misses"]
