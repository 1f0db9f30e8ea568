"""The solver against the Cramer-Rao bound, on simulated matches of random rigs, without pictures.

The bound is computed here by finite differences of the plain numpy geometry (`Lens.project`), apart
from the code under test: Kay, Fundamentals of Statistical Signal Processing: Estimation Theory,
1993, ch. 3; points and poses are nuisance parameters and eliminated (Triggs et al., 2000, sec. 6.1).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial

import numpy as np
import pytest
import torch
from scipy.stats import chi2

from autocal.geometry import ImageCircle, Lens, Rig, matrix_from_rotation_vector
from autocal.geometry.lens import Array
from autocal.geometry.parameters import NAMES, eye_rotations, rig_from_vector, vector_from_rig
from autocal.solver.bundle import Observations, State
from autocal.solver.levenberg import Problem
from autocal.solver.prior import unit_covariance
from autocal.solver.robust import anneal, observation_share, restrict, settle, taken_in
from autocal.solver.start import relative_start, start
from autocal.solver.uncertainty import covariance
from tests.simulation import (
    SHAPE_DIFFERENCE_SPREAD,
    SHAPE_SPREAD,
    Simulated,
    random_points,
    random_rig,
    simulate,
    walk,
)

pytestmark = [pytest.mark.slow, pytest.mark.timeout(900)]

#: A sample; `python -m benchmarks.bench_statistics` draws a hundred and judges every parameter by itself.
RIGS = 16
FRAMES, POINTS, RUN = 5, 700, 4
#: Everything the simulated lenses have; pixel aspect and decentring are held at their true zero.
FREE = np.array(["aspect" not in name and "decentring" not in name for name in NAMES])
#: What such a clip pins down to better than three tenths of what was known before.
WELL_DETERMINED = 0.3


Trial = tuple[Array, Array, Array, Array, Array]


@dataclass(frozen=True, eq=False)
class Trials:
    """Errors, reported sigmas and bounds, (rigs, free parameters); prior sigmas (free parameters,).

    efficient: the errors that an estimate at the bound makes of the very same noise, to first order.
    """

    error: Array
    sigma: Array
    bound: Array
    efficient: Array
    prior: Array

    @property
    def well_determined(self) -> np.ndarray:
        return np.median(self.bound, axis=0) < WELL_DETERMINED * self.prior


@contextmanager
def one_thread() -> Iterator[None]:
    threads = torch.get_num_threads()
    torch.set_num_threads(1)
    yield
    torch.set_num_threads(threads)


def nominal(rig: Rig) -> Rig:
    def lens(of: Lens) -> Lens:
        circle = of.circle or ImageCircle(767.5, 767.5, 735.0)
        return Lens(of.size, 465.0, (circle.x, circle.y), (-0.01, 0.0, 0.0, 0.0), circle=circle)

    return Rig(lens(rig.left), lens(rig.right), np.eye(3), np.eye(3), rig.baseline_mm)


def run_trials(outliers: float, rigs: int = RIGS, in_order: Callable[..., Iterable[Trial]] = map) -> Trials:
    """in_order: like `map`; a pool's, where many rigs are drawn."""
    trials = list(in_order(partial(trial, outliers), range(rigs)))
    error, sigma, bound, efficient, prior = (np.array(r)[:, FREE] for r in zip(*trials, strict=True))
    return Trials(error=error, sigma=sigma, bound=bound, efficient=efficient, prior=prior[-1])


def trial(outliers: float, seed: int) -> Trial:
    """Error, sigma, bound, efficient error and prior sigma, each (25,), of one random rig."""
    with one_thread():
        rng = np.random.default_rng(seed)
        rig = random_rig(rng)
        made = simulate(rng, rig, walk(FRAMES), random_points(rng, POINTS), outliers=outliers, run=RUN)
        known = unit_covariance(nominal(rig), scale_sigma=0.05, circles_found=False, rim_known=False)
        prior = as_drawn(np.sqrt(np.diag(known)))
        error, sigma = solved(made, prior, rng, seed)
        return error, sigma, *cramer_rao_bound(made, prior), prior


def as_drawn(prior: Array) -> Array:
    """The prior's sigmas (25,), the lenses' shapes' as the simulation draws them.

    What the clip leaves half open of the shapes goes by the prior. Real pairs may be much less alike than
    these; sigmas can be judged by errors only where what is assumed is how the rigs were drawn.
    """
    drawn = prior.copy()
    for k, (own, apart) in enumerate(zip(SHAPE_SPREAD, SHAPE_DIFFERENCE_SPREAD, strict=True), start=1):
        # The mean of both lenses; k1 is drawn about a mean one spread away from `nominal`.
        drawn[NAMES.index(f"k{k}")] = np.sqrt(own**2 * (2 if k == 1 else 1) + apart**2 / 4)
        drawn[NAMES.index(f"k{k}_difference")] = apart
    return drawn


def solved(made: Simulated, prior: Array, rng: np.random.Generator, seed: int) -> tuple[Array, Array]:
    """Errors and sigmas (25,). prior: (25,), sigmas of what is known beforehand."""
    matches, begin = made.matches, nominal(made.rig)
    begun = start(matches, relative_start(matches.eye_pairs(), begin, rng), rng)
    tensor = torch.as_tensor
    seen = Observations(
        *(tensor(a) for a in (matches.frame, matches.eye, matches.track, matches.pixel, matches.sigma_px))
    )
    problem = Problem(
        seen,
        tensor(vector_from_rig(begin)),
        torch.diag(1 / tensor(prior)),
        tensor(begun.fixed),
        observation_share(seen, len(begun.point)),
        lambda vector: True,
    )
    state = State(
        *(tensor(a) for a in (vector_from_rig(begun.rig), begun.R_rig, begun.position, begun.point))
    )
    free = tensor(FREE)
    generator = torch.Generator().manual_seed(seed)
    near = free & tensor(np.isin(NAMES, [*NAMES[:3], "focal", "k1"]))
    state = anneal(problem, state, near, begin, generator)
    state = anneal(problem, state, free, begin)
    state = taken_in(problem, state, free, begin, generator)
    settled = settle(problem, state, free, rounds=4)
    inner = restrict(problem, settled.inlier, len(state.point)).with_noise(settled.noise)
    found = settled.outcome.state
    cov = covariance(inner, found, free, np.zeros((len(NAMES), len(NAMES))))
    return found.vector.numpy() - vector_from_rig(made.rig), np.sqrt(np.diag(cov))


def cramer_rao_bound(made: Simulated, prior: Array) -> tuple[Array, Array]:
    """(25,): lowest possible sigmas from the good observations at the truth, with the prior's information;
    and (25,): what an efficient estimate's error would be with the noise that these observations have, and
    with a prior that is off as it is (Kay, 1993, sec. 10.5: the Bayesian linear model)."""
    m, rig = made.matches, made.rig
    good = ~made.outlier
    good &= np.bincount(m.track[good], minlength=m.track.max() + 1)[m.track] >= 2
    track, frame, eye = np.unique(m.track[good], return_inverse=True)[1], m.frame[good], m.eye[good]
    truth = vector_from_rig(rig)
    half = 0.5e-3 * rig.baseline_mm
    points = made.points[np.unique(m.track[good])]

    def pixels(vector: Array, turn: Array, shift: Array, point: Array) -> Array:
        """turn, shift, point: (n, 3), (n, 3), (n, 4), as each observation sees them."""
        turned = rig_from_vector(vector, rig)
        R_eye = np.stack(eye_rotations(vector[:5]))[eye]
        g = np.einsum("nij,nj->ni", turn, point[:, :3] - point[:, 3:] * shift)
        g = g - point[:, 3:] * np.where(eye == 0, -half, half)[:, None] * [1.0, 0.0, 0.0]
        d = np.einsum("nij,nj->ni", R_eye, g)
        out = np.empty((len(d), 2))
        for side in (0, 1):
            out[eye == side] = turned.lens(side).project(d[eye == side])
        return out

    R, p = level_world(made, truth)
    turn, shift, point = R[frame], p[frame], points[track]

    def slope(change) -> Array:  # type: ignore[no-untyped-def]
        return (change(1.0) - change(-1.0)) / 2

    columns = []
    for i in np.flatnonzero(FREE):
        step = np.zeros(len(truth))
        step[i] = 1e-4 * prior[i]
        columns.append(slope(lambda s, step=step: pixels(truth + s * step, turn, shift, point)) / step[i])
    by_rig = np.stack(columns, axis=2)
    e = 1e-6
    by_pose = np.stack(
        [
            slope(lambda s, v=v: pixels(truth, matrix_from_rotation_vector(s * e * v) @ turn, shift, point))
            / e
            for v in np.eye(3)
        ]
        + [slope(lambda s, v=v: pixels(truth, turn, shift + s * e * v, point)) / e for v in np.eye(3)],
        axis=2,
    )
    by_point = np.stack(
        [slope(lambda s, v=v: pixels(truth, turn, shift, moved(point, s * e * v))) / e for v in np.eye(3)],
        axis=2,
    )
    k, frames, tracks = by_rig.shape[2], m.frames, track.max() + 1
    J = np.zeros((len(track), 2, k + 6 * (frames - 1)))
    J[:, :, :k] = by_rig
    rows = np.flatnonzero(frame > 0)  # the first pose holds the gauge
    place = k + 6 * (frame[rows, None] - 1) + np.arange(6)
    J[rows[:, None, None], np.arange(2)[:, None], place[:, None, :]] = by_pose[rows]
    sigma = m.sigma_px[good][:, None, None]
    J, by_point = J / sigma, by_point / sigma
    noise = (m.pixel[good] - pixels(truth, turn, shift, point)) / sigma[:, :, 0]
    information = np.einsum("nic,nid->cd", J, J)
    V = np.zeros((tracks, 3, 3))
    W = np.zeros((tracks, 3, J.shape[2]))
    np.add.at(V, track, np.einsum("nia,nib->nab", by_point, by_point))
    np.add.at(W, track, np.einsum("nia,nic->nac", by_point, J))
    # The same wide prior on inverse distance that the solver states, in baselines.
    V[:, 2, 2] += (2 * half) ** 2
    by_noise = np.zeros((tracks, 3, 1))
    np.add.at(by_noise, track, np.einsum("nia,ni->na", by_point, noise)[:, :, None])
    without = np.linalg.solve(V + 1e-9 * np.eye(3), W)  # what the points take up of each column
    information -= np.einsum("tac,tad->cd", W, without)
    score = np.einsum("nic,ni->c", J, noise) - np.einsum("tac,tai->c", without, by_noise)
    information[np.arange(k), np.arange(k)] += 1 / prior[FREE] ** 2
    score[:k] += (vector_from_rig(nominal(rig)) - truth)[FREE] / prior[FREE] ** 2
    covariance = np.linalg.inv(information)
    bound, efficient = np.full(len(truth), np.nan), np.full(len(truth), np.nan)
    bound[FREE] = np.sqrt(np.diag(covariance)[:k])
    efficient[FREE] = (covariance @ score)[:k]
    return bound, efficient


def moved(point: Array, step: Array) -> Array:
    """Points (n, 4) moved by two turns of their direction and a change of their inverse distance."""
    d = point[:, :3]
    axis = np.where(np.abs(d[:, :1]) < 0.5, [[1.0, 0.0, 0.0]], [[0.0, 1.0, 0.0]])
    a = np.cross(d, axis)
    a /= np.linalg.norm(a, axis=1, keepdims=True)
    b = np.cross(d, a)
    return np.concatenate([d + step[0] * a + step[1] * b, point[:, 3:] + step[2]], axis=1)


def level_world(made: Simulated, truth: Array) -> tuple[Array, Array]:
    """The true poses for the rig frame that the parameter vector stands for (not yet levelled)."""
    R_left, _ = eye_rotations(truth[:5])
    change = R_left.T @ made.rig.R_left
    return change @ made.R_rig, made.position


@pytest.fixture(scope="module")
def clean() -> Trials:
    return run_trials(0.0)


@pytest.fixture(scope="module")
def with_outliers() -> Trials:
    return run_trials(0.4)


def above_bound(trials: Trials) -> Array:
    """(free parameters,): rms error over bound, by how much an efficient estimate was lucky taken out.

    The efficient errors' mean square over the bound's is one by definition, so their excess over one is
    luck that both share: a control variate (Owen, Monte Carlo theory, methods and examples, 2013, ch. 8;
    from memory).
    """
    luck = np.mean((trials.efficient / trials.bound) ** 2, axis=0) - 1
    return np.sqrt(np.maximum(np.mean((trials.error / trials.bound) ** 2, axis=0) - luck, 0.0))


def pooled(ratio: Array) -> float:
    """Root of the mean square over rigs and parameters: one parameter of so few rigs is mostly luck."""
    return float(np.sqrt(np.mean(np.square(ratio))))


def test_errors_without_outliers_are_within_a_tenth_of_the_cramer_rao_bound(clean: Trials) -> None:
    determined = clean.well_determined
    assert determined[:3].all()
    assert determined.sum() >= 8
    assert pooled((clean.error / clean.bound)[:, determined]) < 1.1


def test_errors_with_forty_per_cent_outliers_are_within_three_tenths_of_the_bound(
    with_outliers: Trials,
) -> None:
    determined = with_outliers.well_determined
    assert pooled((with_outliers.error / with_outliers.bound)[:, determined]) < 1.3


def test_reported_sigmas_are_the_bound(clean: Trials) -> None:
    determined = clean.well_determined
    np.testing.assert_allclose(np.mean(clean.sigma / clean.bound, axis=0)[determined], 1.0, atol=0.06)


def test_errors_over_sigmas_pass_a_chi_square_test(clean: Trials) -> None:
    """Relative rotation and focal length, each by itself, at 99 % over the four together (Bonferroni)."""
    names = np.array(NAMES)[FREE]
    z = (clean.error / clean.sigma)[:, np.isin(names, [*NAMES[:3], "focal"])]
    low, high = chi2.ppf([0.005 / z.shape[1], 1 - 0.005 / z.shape[1]], len(z))
    total = np.sum(z**2, axis=0)
    assert np.all((total > low) & (total < high)), np.round(total / len(z), 3)
