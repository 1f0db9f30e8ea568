"""Every derivative of the bundle against automatic or finite differences; the fast lens, the slow one."""

from __future__ import annotations

import numpy as np
import pytest
import torch
from scipy.optimize import least_squares
from torch import Tensor

from autocal.geometry import Lens
from autocal.geometry.parameters import NAMES
from autocal.solver.bundle import (
    Observations,
    State,
    linearise,
    point_prior,
    residuals,
    residuals_of,
    retract,
)
from autocal.solver.levenberg import FAR, NEAR, Problem, information_at, normal_at, optimise
from autocal.solver.loss import GemanMcClure, Squares
from autocal.solver.normal import reduced, solve_step
from autocal.solver.projection import project, project_only
from autocal.solver.robust import observation_share

FRAMES, POINTS = 3, 14
LENS = [np.log(460.0), 767.0, 765.0, 0.02, -0.01, 0.003, -0.0005, 0.002, 1e-3, -2e-3]
DIFFERENCE = [0.003, 2.0, -3.0, 0.002, 0.001, 0.0, 0.0, 0.0005, 1e-4, 2e-4]


def scene(seed: int = 0) -> tuple[State, Observations]:
    g = torch.Generator().manual_seed(seed)

    def random(*shape: int) -> Tensor:
        return torch.randn(*shape, generator=g, dtype=torch.float64)

    vector = torch.tensor([0.01, -0.02, 0.015, 0.01, 0.02, *LENS, *DIFFERENCE], dtype=torch.float64)
    turn = torch.linalg.matrix_exp(torch.stack([cross(v) for v in 0.2 * random(FRAMES, 3)]))
    direction = random(POINTS, 3) * torch.tensor([1.0, 1.0, 0.4]) + torch.tensor([0.0, 0.0, 0.3])
    point = torch.nn.functional.normalize(torch.cat([direction, 0.1 * random(POINTS, 1)], dim=1), dim=1)
    state = State(vector, turn, random(FRAMES, 3), point)
    track = torch.arange(POINTS).repeat_interleave(2 * FRAMES)
    frame = torch.arange(FRAMES).repeat_interleave(2).repeat(POINTS)
    eye = torch.arange(2).repeat(FRAMES * POINTS)
    blank = Observations(frame, eye, track, torch.zeros(len(track), 2, dtype=torch.float64), sigma(track))
    pixel = residuals(state, blank).T * blank.sigma[:, None] + 0.3 * random(len(track), 2)
    return state, Observations(frame, eye, track, pixel, blank.sigma)


def sigma(track: Tensor) -> Tensor:
    return 0.2 + 0.1 * (track % 3).to(torch.float64)


def cross(v: Tensor) -> Tensor:
    x, y, z = v.tolist()
    return torch.tensor([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]], dtype=torch.float64)


@pytest.mark.parametrize("angle_deg", [0.01, 30.0, 85.0, 89.9, 90.0, 95.0, 110.0])
def test_projection_derivatives_agree_with_automatic_differentiation(angle_deg: float) -> None:
    turn = np.linspace(0.1, 6.0, 5)
    angle = np.deg2rad(angle_deg)
    rays = torch.as_tensor(
        2.5
        * np.stack(
            [np.sin(angle) * np.cos(turn), np.sin(angle) * np.sin(turn), np.full(5, np.cos(angle))], axis=1
        )
    )
    lens = torch.tensor(LENS, dtype=torch.float64)
    _, by_ray, by_lens = project(rays.T, lens[:, None].expand(-1, 5))
    for i in range(5):
        auto_ray, auto_lens = torch.func.jacrev(
            lambda d, q: project(d[:, None], q[:, None])[0][:, 0], argnums=(0, 1)
        )(rays[i], lens)
        torch.testing.assert_close(by_ray[:, :, i], auto_ray, rtol=1e-9, atol=1e-7)
        torch.testing.assert_close(by_lens[:, :, i].T, auto_lens, rtol=1e-9, atol=1e-7)


@pytest.mark.parametrize("angle_deg", [0.0, 45.0, 89.9, 90.0, 100.0])
def test_fast_projection_equals_the_plain_lens(angle_deg: float) -> None:
    f, cx, cy, *k, aspect, p1, p2 = LENS
    plain = Lens((1536, 1536), float(np.exp(f)), (cx, cy), tuple(k), float(np.exp(aspect)), 0.0, (p1, p2))
    turn = np.linspace(0.0, 6.0, 7)
    angle = np.deg2rad(angle_deg)
    rays = np.stack([np.sin(angle) * np.cos(turn), np.sin(angle) * np.sin(turn), np.cos(angle) + 0 * turn], 1)
    lens = torch.tensor(LENS, dtype=torch.float64)[:, None].expand(-1, 7)
    fast = project_only(torch.as_tensor(3.0 * rays).T, lens)
    np.testing.assert_allclose(fast.numpy().T, plain.project(rays), atol=1e-6)


def central(step: float, size: int, along, state: State, seen: Observations) -> Tensor:  # type: ignore[no-untyped-def]
    columns = []
    for i in range(size):
        e = torch.zeros(size, dtype=torch.float64)
        e[i] = step
        columns.append((residuals(along(e), seen) - residuals(along(-e), seen)) / (2 * step))
    return torch.stack(columns)


def zeros(*shape: int) -> Tensor:
    return torch.zeros(*shape, dtype=torch.float64)


def test_bundle_derivatives_agree_with_finite_differences() -> None:
    state, seen = scene()
    lin = linearise(state, seen)
    cases = {
        "global": (
            lin.by_camera[: len(NAMES)],
            len(NAMES),
            lambda e: retract(state, e, zeros(FRAMES, 6), zeros(POINTS, 3)),
        ),
        "pose": (
            lin.by_camera[len(NAMES) :],
            6,
            lambda e: retract(state, zeros(len(NAMES)), e.expand(FRAMES, 6), zeros(POINTS, 3)),
        ),
        "point": (
            lin.by_point,
            3,
            lambda e: retract(state, zeros(len(NAMES)), zeros(FRAMES, 6), e.expand(POINTS, 3)),
        ),
    }
    for name, (analytic, size, along) in cases.items():
        numeric = central(1e-6, size, along, state, seen)
        error = (analytic - numeric).abs() / (1 + numeric.abs())
        assert error.max() < 2e-6, name


def problem_of(seen: Observations, state: State) -> Problem:
    n = len(NAMES)
    fixed = torch.zeros(FRAMES, dtype=torch.bool)
    fixed[0] = True
    root = torch.eye(n, dtype=torch.float64) * 3.0
    root[0, 1] = 0.5  # a prior need not be diagonal
    return Problem(seen, state.vector + 0.001, root, fixed, observation_share(seen, POINTS), lambda v: True)


def dense_jacobian(state: State, seen: Observations) -> Tensor:
    lin = linearise(state, seen)
    n, size = len(seen), len(NAMES) + 6 * FRAMES + 3 * POINTS
    J = zeros(n, 2, size)
    for row in range(n):
        pose = len(NAMES) + 6 * int(seen.frame[row])
        point = len(NAMES) + 6 * FRAMES + 3 * int(seen.point[row])
        J[row, :, : len(NAMES)] = lin.by_camera[: len(NAMES), :, row].T
        J[row, :, pose : pose + 6] = lin.by_camera[len(NAMES) :, :, row].T
        J[row, :, point : point + 3] = lin.by_point[:, :, row].T
    return J.reshape(2 * n, size)


def test_sets_of_points_miss_as_each_of_them_does_alone() -> None:
    state, seen = scene()
    steps = torch.randn(3, POINTS, 3, generator=torch.Generator().manual_seed(5), dtype=torch.float64)
    states = [retract(state, zeros(len(NAMES)), zeros(FRAMES, 6), 0.1 * step) for step in steps]
    together = residuals_of(torch.stack([each.point for each in states]), state, seen)
    for number, each in enumerate(states):
        torch.testing.assert_close(together[:, number], linearise(each, seen).residual, rtol=0, atol=1e-8)


def test_schur_step_equals_the_dense_least_squares_step() -> None:
    state, seen = scene(1)
    problem = problem_of(seen, state)
    free = problem.free_index(torch.ones(len(NAMES), dtype=torch.bool))
    normal, lin = normal_at(problem, state, Squares(), free)
    d_camera, d_point = solve_step(normal, 1e-3)

    J = dense_jacobian(state, seen)
    cameras = len(NAMES) + 6 * FRAMES
    H = J.T @ J
    b = -J.T @ lin.residual.T.reshape(-1)
    H[: len(NAMES), : len(NAMES)] += problem.prior_root.T @ problem.prior_root
    b[: len(NAMES)] -= problem.prior_root.T @ problem.prior_root @ (state.vector - problem.prior_mean)
    residual, slope = point_prior(state)
    for p in range(POINTS):
        place = slice(cameras + 3 * p, cameras + 3 * p + 3)
        H[place, place] += slope[p][:, None] * slope[p]
        b[place] -= slope[p] * residual[p]
    keep = torch.cat([free, torch.arange(cameras, H.shape[0])])
    H, b = H[keep][:, keep], b[keep]
    step = torch.linalg.solve(H + 1e-3 * torch.diag(H.diagonal()), b)
    torch.testing.assert_close(d_camera[free], step[: len(free)], rtol=1e-5, atol=1e-7)
    torch.testing.assert_close(d_point.reshape(-1), step[len(free) :], rtol=1e-5, atol=1e-7)


def test_elimination_in_pieces_equals_elimination_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    state, seen = scene(2)
    problem = problem_of(seen, state)
    free = problem.free_index(torch.ones(len(NAMES), dtype=torch.bool))
    whole = reduced(normal_at(problem, state, GemanMcClure(2.0), free)[0], 1e-4)
    monkeypatch.setattr("autocal.solver.layout._POINTS_AT_ONCE", 5)
    state, seen = scene(2)
    pieces = reduced(normal_at(problem_of(seen, state), state, GemanMcClure(2.0), free)[0], 1e-4)
    torch.testing.assert_close(whole.matrix, pieces.matrix)
    torch.testing.assert_close(whole.rhs, pieces.rhs)


def test_halves_of_the_points_worked_out_side_by_side_end_where_the_whole_does(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    state, seen = scene(2)
    everything = torch.ones(len(NAMES), dtype=torch.bool)
    whole = optimise(problem_of(seen, state), state, GemanMcClure(2.0), everything, steps=4)
    monkeypatch.setattr("autocal.solver.levenberg._WORTH_SHARING", 1)
    monkeypatch.setattr("autocal.solver.levenberg.cores", lambda: 2)
    problem = problem_of(seen, state)
    first, second = (set(part.seen.point.tolist()) for part in problem.parts)
    assert not first & second
    assert sum(len(part.seen) for part in problem.parts) == len(seen)
    halves = optimise(problem, state, GemanMcClure(2.0), everything, steps=4)
    assert halves.costs == pytest.approx(whole.costs, rel=1e-9)
    torch.testing.assert_close(halves.state.vector, whole.state.vector, rtol=1e-7, atol=1e-9)
    torch.testing.assert_close(halves.state.point, whole.state.point, rtol=1e-7, atol=1e-9)


@pytest.mark.parametrize("parts", [1, 2])
def test_what_an_optimisation_ended_with_is_known_to_what_follows(
    parts: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    if parts == 2:
        monkeypatch.setattr("autocal.solver.levenberg._WORTH_SHARING", 1)
    state, seen = scene(2)
    problem = problem_of(seen, state)
    assert len(problem.parts) == parts
    everything = torch.ones(len(NAMES), dtype=torch.bool)
    ended = optimise(problem, state, GemanMcClure(2.0), everything, steps=3).state
    monkeypatch.setattr("autocal.solver.levenberg.residuals", None)  # so that it cannot be asked for anew
    torch.testing.assert_close(problem.residuals(ended), residuals(ended, seen), rtol=0, atol=1e-8)
    for part in problem.parts:
        assert part.linearised(ended) is part.linearised(ended)


def test_residuals_are_those_of_the_state_asked_for_and_of_the_noise() -> None:
    state, seen = scene(2)
    problem = problem_of(seen, state)
    other = retract(state, 1e-3 + zeros(len(NAMES)), zeros(FRAMES, 6), zeros(POINTS, 3))
    problem.linearised(state)
    torch.testing.assert_close(problem.residuals(other), residuals(other, seen))
    noisier = problem.with_noise(2.0)
    torch.testing.assert_close(noisier.residuals(state), residuals(state, seen) / 2)


def test_information_adds_up_over_halves_of_the_points(monkeypatch: pytest.MonkeyPatch) -> None:
    state, seen = scene()
    problem = problem_of(seen, state)
    free = problem.free_index(torch.ones(len(NAMES), dtype=torch.bool))
    whole = reduced(normal_at(problem, state, Squares(), free)[0], 0.0).matrix
    monkeypatch.setattr("autocal.solver.levenberg._WORTH_SHARING", 1)
    halves = problem_of(seen, state)
    assert len(halves.parts) == 2
    torch.testing.assert_close(information_at(halves, state, free), whole, rtol=1e-9, atol=1e-9)


def test_optimum_is_the_one_scipy_finds() -> None:
    """scipy.optimize.least_squares, an independent optimiser, on the same residuals."""
    state, seen = scene(3)
    problem = problem_of(seen, state)
    everything = torch.ones(len(NAMES), dtype=torch.bool)
    ours = optimise(problem, state, Squares(), everything, steps=60, tolerance=1e-14)
    start = ours.state

    def stacked(step: np.ndarray) -> np.ndarray:
        d = torch.as_tensor(step)
        poses = torch.cat([zeros(6), d[len(NAMES) : len(NAMES) + 6 * (FRAMES - 1)]]).view(FRAMES, 6)
        moved = retract(start, d[: len(NAMES)], poses, d[len(NAMES) + 6 * (FRAMES - 1) :].view(POINTS, 3))
        parts = [
            residuals(moved, seen).reshape(-1),
            problem.prior_root @ (moved.vector - problem.prior_mean),
            point_prior(moved)[0],
        ]
        return torch.cat(parts).numpy()

    size = len(NAMES) + 6 * (FRAMES - 1) + 3 * POINTS
    theirs = least_squares(stacked, np.zeros(size), method="trf", x_scale="jac", xtol=1e-12, ftol=1e-14)
    assert ours.converged
    assert ours.costs[-1] <= ours.costs[0]
    assert 2 * theirs.cost == pytest.approx(ours.costs[-1], rel=1e-6)


def test_near_the_answer_little_damping_comes_to_rest_sooner() -> None:
    state, seen = scene()
    problem, everything = problem_of(seen, state), torch.ones(len(NAMES), dtype=torch.bool)
    far, near = (
        optimise(problem, state, Squares(), everything, steps=60, tolerance=1e-10, damping=damping)
        for damping in (FAR, NEAR)
    )
    assert near.converged
    assert near.iterations < far.iterations
    assert near.costs[-1] <= far.costs[-1] * (1 + 1e-9)


@pytest.mark.parametrize("loss", [Squares(), GemanMcClure(2.5)])
def test_weight_is_the_derivative_of_the_loss(loss: Squares | GemanMcClure) -> None:
    r2 = torch.linspace(0.0, 60.0, 50, dtype=torch.float64, requires_grad=True)
    (slope,) = torch.autograd.grad(loss.value(r2).sum(), r2)
    torch.testing.assert_close(loss.weight(r2.detach()), slope)
