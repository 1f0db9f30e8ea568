"""Points that decide the answer alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import torch

from autocal.geometry.parameters import NAMES, vector_from_rig
from autocal.solver.bundle import Observations, State, linearise, point_prior
from autocal.solver.influence import overbearing, pulls_of_pairs
from autocal.solver.levenberg import Problem, optimise
from autocal.solver.loss import Squares
from autocal.solver.robust import observation_share, restrict, settle
from autocal.solver.start import start
from autocal.solver.uncertainty import covariance
from tests.simulation import random_points, random_rig, simulate, walk

FREE = torch.as_tensor(np.isin(NAMES, NAMES[:5]))


@pytest.fixture(scope="module")
def settled() -> tuple[Problem, State]:
    """A small rig at its optimum, lenses known; half of its points are seen twice only."""
    rng = np.random.default_rng(4)
    rig = random_rig(rng)
    made = simulate(rng, rig, walk(3), random_points(rng, 90), outliers=0.0, run=3)
    matches = made.matches
    begun = start(matches, rig, rng)
    tensor = torch.as_tensor
    rows = np.arange(len(matches))
    twice = (matches.track % 2 == 0) | (rows < np.searchsorted(matches.track, matches.track) + 2)
    seen = Observations(
        *(tensor(a) for a in (matches.frame, matches.eye, matches.track, matches.pixel, matches.sigma_px))
    ).where(tensor(twice))
    problem = Problem(
        seen,
        tensor(vector_from_rig(rig)),
        torch.eye(len(NAMES), dtype=torch.float64),
        tensor(begun.fixed),
        observation_share(seen, len(begun.point)),
        lambda vector: True,
    )
    state = State(
        *(tensor(a) for a in (vector_from_rig(begun.rig), begun.R_rig, begun.position, begun.point))
    )
    outcome = optimise(problem, state, Squares(), FREE, steps=30, tolerance=1e-12)
    assert outcome.converged
    return problem, outcome.state


def _without(problem: Problem, state: State, point: int) -> State:
    inner = restrict(problem, problem.seen.point != point, len(state.point))
    return optimise(inner, state, Squares(), FREE, steps=30, tolerance=1e-13).state


def test_a_pairs_pull_is_what_leaving_it_out_changes(settled: tuple[Problem, State]) -> None:
    problem, state = settled
    point, pull = pulls_of_pairs(problem, state, FREE)
    sigma = np.sqrt(np.diag(covariance(problem, state, FREE, np.zeros((25, 25)))))[FREE.numpy()]
    strongest = torch.argsort(pull.abs().amax(dim=1), descending=True)[:4].tolist()
    for row in strongest:
        left_out = _without(problem, state, int(point[row])).vector - state.vector
        change = left_out[FREE].numpy() / sigma
        np.testing.assert_allclose(-pull[row].numpy(), change, atol=0.1 * np.abs(change).max())


def test_only_points_of_two_sights_are_weighed(settled: tuple[Problem, State]) -> None:
    problem, state = settled
    point, _ = pulls_of_pairs(problem, state, FREE)
    sights = torch.bincount(problem.seen.point, minlength=len(state.point))
    assert sorted(point.tolist()) == (sights == 2).nonzero()[:, 0].tolist()
    assert (sights > 2).any()


def test_a_near_pair_that_lies_about_its_distance_is_let_go(settled: tuple[Problem, State]) -> None:
    problem, state = settled
    seen = problem.seen
    point, _ = pulls_of_pairs(problem, state, FREE)
    first = torch.searchsorted(seen.point, point)
    between_eyes = point[(seen.frame[first] == seen.frame[first + 1]) & (seen.eye[first] == 0)]
    # Up in the picture a far thing drawn near and a little off its line pulls at the baseline's direction.
    chosen = between_eyes[torch.argmin(seen.pixel[torch.searchsorted(seen.point, between_eyes), 1])]
    row = int(torch.searchsorted(seen.point, chosen)) + 1
    pixel = seen.pixel.clone()
    pixel[row] += torch.tensor([-90.0, 6.0], dtype=torch.float64)
    wrong = replace(problem, seen=replace(seen, pixel=pixel))
    pulled = optimise(wrong, state, Squares(), FREE, steps=30, tolerance=1e-10).state
    assert overbearing(wrong, pulled, FREE)[chosen]
    kept = settle(wrong, state, FREE)
    assert not kept.inlier[wrong.seen.point == chosen].any()
    assert not overbearing(problem, state, FREE)[chosen]


def test_points_come_to_rest_also_where_the_cameras_do_not(settled: tuple[Problem, State]) -> None:
    """Sigmas weigh what pulls at the cameras; what still pulls at the points would pass for that."""
    problem, state = settled
    tangled = replace(state, position=state.position + 0.2 * torch.arange(3.0)[:, None])
    done = settle(problem, tangled, FREE, rounds=1, last_steps=1)
    assert not done.outcome.converged
    final = done.outcome.state
    inner = restrict(problem, done.inlier, len(final.point)).with_noise(done.noise)
    lin = linearise(final, inner.seen)
    prior, prior_slope = point_prior(final)
    slope = prior[:, None] * prior_slope
    slope.index_add_(0, inner.seen.point, (lin.by_point * lin.residual).sum(dim=1).T)
    curvature = prior_slope**2
    curvature.index_add_(0, inner.seen.point, (lin.by_point**2).sum(dim=1).T)
    assert len(inner.seen) > 100
    assert (slope.abs() / curvature.sqrt().clamp_min(1.0)).max() < 0.05
