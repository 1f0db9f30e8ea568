"""The staged solve on simulated matches: what it finds, holds, corrects and refuses."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import torch

from autocal.errors import SolveError
from autocal.geometry import Rig
from autocal.geometry.parameters import COMMON, vector_from_rig
from autocal.matches import EyePairs, Matches
from autocal.solver import release, staged
from autocal.solver.bundle import State
from autocal.solver.freedom import BASELINE, ROTATION, STAGES
from autocal.solver.prior import Prior, unit_covariance
from autocal.solver.staged import Solution, solve_matches
from tests.simulation import Simulated, random_points, random_rig, simulate, walk
from tests.test_solve_statistics import nominal


def made(seed: int = 5, *, frames: int = 8, points: int = 1200, moving: bool = True) -> Simulated:
    rng = np.random.default_rng(seed)
    poses = walk(frames) if moving else walk(frames, metres=0.0, turn_deg=0.0)
    return simulate(rng, random_rig(rng), poses, random_points(rng, points), outliers=0.05, run=5)


def prior_of(rig: Rig) -> Prior:
    begin = nominal(rig)
    return Prior(begin, unit_covariance(begin, scale_sigma=0.05, circles_found=False))


def solve(of: Simulated, matches: Matches | None = None, **options: object) -> Solution:
    return solve_matches(
        matches or of.matches,
        prior_of(of.rig),
        rng=np.random.default_rng(0),
        **options,  # type: ignore[arg-type]
    )


@pytest.fixture(scope="module")
def walked() -> Simulated:
    return made()


@pytest.fixture(scope="module")
def solution(walked: Simulated) -> Solution:
    return solve(walked)


def test_moving_rig_is_solved_within_its_sigmas(walked: Simulated, solution: Solution) -> None:
    error = solution.rig.yaw_pitch_roll_deg - walked.rig.yaw_pitch_roll_deg
    sigma = np.rad2deg(np.sqrt(np.diag(solution.covariance))[[1, 0, 2]])
    assert solution.moving
    assert not solution.swapped
    assert np.all(np.abs(error) < 4 * sigma)
    assert np.all(sigma < 0.01)  # ten times finer than the 0.1 degree steps of hand calibration
    assert {"focal", "focal_difference"} <= set(solution.solved)
    assert {"k1", "k3"} & set(solution.solved)  # the shape, by its inner or its outer terms
    assert 0.9 < solution.noise < 1.1


def test_inliers_are_the_observations_that_were_not_moved(walked: Simulated, solution: Solution) -> None:
    kept_wrong = np.mean(solution.inlier[walked.outlier])
    kept_right = np.mean(solution.inlier[~walked.outlier])
    assert kept_wrong < 0.02
    assert kept_right > 0.95


def test_same_input_gives_the_same_answer(walked: Simulated, solution: Solution) -> None:
    again = solve(walked)
    np.testing.assert_array_equal(again.covariance, solution.covariance)
    np.testing.assert_array_equal(again.rig.R_right, solution.rig.R_right)


def test_what_a_solve_is_judged_by_is_told_before_it_settles(walked: Simulated, solution: Solution) -> None:
    told: list[tuple[EyePairs, Rig, bool]] = []
    stages: list[str] = []
    solve(
        walked,
        progress=lambda stage, done, total: stages.append(stage),
        judged=lambda *of: (told.append(of), stages.append("judged")),
    )
    assert stages.index("judged") < stages.index("settle")
    [(unseen, rig, swapped)] = told
    assert not swapped
    np.testing.assert_array_equal(unseen.pixel_left, solution.unseen.pixel_left)
    np.testing.assert_array_equal(vector_from_rig(rig), vector_from_rig(solution.unseen_rig))


def test_a_wrong_place_is_left_where_less_freedom_fits_better(
    walked: Simulated, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Half of the frames hang on by so little that they were lost; with a parameter held they are found."""
    anneal, without = release.anneal, release._Judge.refined_without
    found: list[State] = []

    def losing_frames(*of: Any) -> State:
        found.append(anneal(*of))
        position = found[0].position.clone()
        position[4:] += 20.0
        return replace(found[0], position=position)

    def finding_them(judge: release._Judge, state: State, free: torch.Tensor, held: torch.Tensor) -> State:
        return without(judge, found.pop() if found else state, free, held)

    opening = [stage for stage in STAGES if stage.opens]
    monkeypatch.setattr(staged, "_what_moves", lambda *of: ([ROTATION], opening))
    monkeypatch.setattr(release, "anneal", losing_frames)
    monkeypatch.setattr(release._Judge, "refined_without", finding_them)
    first, *_ = solve(walked).judged
    assert first.stage is BASELINE
    assert first.kept


def test_swapped_eyes_are_found_and_put_right(walked: Simulated, solution: Solution) -> None:
    m = walked.matches
    order = np.lexsort((1 - m.eye, m.frame, m.track))
    crossed = replace(
        m,
        track=m.track[order],
        frame=m.frame[order],
        eye=1 - m.eye[order],
        pixel=m.pixel[order],
        sigma_px=m.sigma_px[order],
    )
    begin = prior_of(walked.rig)
    crossed_prior = replace(
        begin, rig=Rig(begin.rig.right, begin.rig.left, np.eye(3), np.eye(3), begin.rig.baseline_mm)
    )
    found = solve_matches(crossed, crossed_prior, rng=np.random.default_rng(0))
    assert found.swapped
    np.testing.assert_allclose(found.rig.yaw_pitch_roll_deg, solution.rig.yaw_pitch_roll_deg, atol=0.01)
    assert found.rig.left.focal_px == pytest.approx(solution.rig.left.focal_px, rel=1e-3)


def test_another_lens_than_was_known_is_not_taken_but_told_of(walked: Simulated, solution: Solution) -> None:
    """Half as long again, ten sigmas off: a field of view that was stated wrongly."""
    assert not any(judged.contradicts for judged in solution.judged)
    true = prior_of(walked.rig)
    left, right = (replace(lens, focal_px=1.5 * lens.focal_px) for lens in (true.rig.left, true.rig.right))
    wrong = replace(true, rig=replace(true.rig, left=left, right=right))
    found = solve_matches(walked.matches, wrong, rng=np.random.default_rng(0))
    refused = {judged.stage.title for judged in found.judged if judged.contradicts}
    assert "focal" in " ".join(refused)
    assert "focal" not in found.solved


def test_still_rig_keeps_what_both_lenses_share_near_its_prior_and_says_so() -> None:
    still = made(7, moving=False, points=600)
    found = solve(still)
    reasons = {judged.stage.title: judged.reason for judged in found.judged if not judged.kept}
    assert not found.moving
    assert reasons["centre"] == "the rig did not move"
    assert reasons["lens shape"].startswith("the footage narrows it to")
    assert "k1" not in found.solved
    focal_error = np.log(found.rig.left.focal_px / still.rig.left.focal_px)
    assert abs(focal_error) < 3 * np.sqrt(found.covariance[COMMON.start, COMMON.start]) < 0.15
    error = found.rig.yaw_pitch_roll_deg - still.rig.yaw_pitch_roll_deg
    sigma = np.rad2deg(np.sqrt(np.diag(found.covariance))[[1, 0, 2]])
    assert np.all(np.abs(error) < 4 * sigma)


def test_held_lenses_stay_exactly_where_they_were(walked: Simulated) -> None:
    begin = prior_of(walked.rig)
    exact = Prior(replace(begin.rig, left=walked.rig.left, right=walked.rig.right), begin.covariance)
    found = solve_matches(walked.matches, exact, rng=np.random.default_rng(0), hold_lenses=True)
    assert found.rig.left.k == pytest.approx(walked.rig.left.k)
    assert found.rig.right.focal_px == pytest.approx(walked.rig.right.focal_px)
    assert not any(name.startswith(("focal", "k", "centre")) for name in found.solved)
    np.testing.assert_allclose(found.rig.yaw_pitch_roll_deg, walked.rig.yaw_pitch_roll_deg, atol=0.005)


def test_too_few_eye_pairs_are_refused_with_what_to_film(walked: Simulated) -> None:
    few = walked.matches.where(walked.matches.track < 12)
    few = few.where(few.frame == few.frame[0])
    with pytest.raises(SolveError, match="texture"):
        solve(walked, few)


@pytest.mark.skipif(not torch.cuda.is_available(), reason="no CUDA device here")
def test_cuda_gives_the_answer_of_the_cpu(walked: Simulated, solution: Solution) -> None:
    found = solve(walked, device="cuda")
    assert found.solved == solution.solved
    np.testing.assert_allclose(found.rig.yaw_pitch_roll_deg, solution.rig.yaw_pitch_roll_deg, atol=1e-4)
    sigma, expected = (np.sqrt(np.diag(s.covariance)) for s in (found, solution))
    np.testing.assert_allclose(sigma, expected, rtol=0.02)
