"""What footage of a rig at rest gives: the epipolar fit, and how freely its lenses may follow it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from autocal import SolveOptions, solve
from autocal.geometry import Rig
from autocal.geometry.parameters import COMMON, NAMES, rig_from_vector, vector_from_rig
from autocal.matches import EyePairs
from autocal.solver.prior import INDEPENDENT_CAUSES, Prior, still_prior, unit_covariance
from autocal.solver.two_view import epipolar_rows, fit_pairs
from samples import clip, rigs
from samples.measures import errors
from samples.truth import Truth
from tests.simulation import random_points, random_rig, simulate, walk
from tests.test_solve_statistics import nominal


@pytest.fixture(scope="module")
def exact() -> tuple[Rig, EyePairs]:
    """A rig and pairs without any noise, of one frame."""
    rng = np.random.default_rng(4)
    rig = random_rig(rng)
    made = simulate(rng, rig, walk(1), random_points(rng, 1500), noise_px=1e-9)
    pairs = made.matches.eye_pairs()
    return rig, replace(pairs, sigma_px=np.full(len(pairs), 0.3))


def test_epipolar_derivatives_agree_with_differences_where_the_fit_is_exact(
    exact: tuple[Rig, EyePairs],
) -> None:
    """There the whitening, which the derivatives hold, does not matter."""
    rig, pairs = exact
    vector = vector_from_rig(rig)
    residual, slope = epipolar_rows(vector, pairs, rig)
    assert np.abs(residual).max() < 1e-6
    for i, name in enumerate(NAMES):
        step = (1e-3 if name.startswith("centre") else 1e-6) * np.eye(len(NAMES))[i]
        ahead, behind = (epipolar_rows(vector + s * step, pairs, rig)[0] for s in (1, -1))
        difference = (ahead - behind) / (2 * step[i])
        np.testing.assert_allclose(
            slope[:, i], difference, atol=2e-4 * np.abs(difference).max(), err_msg=name
        )


def test_epipolar_fit_finds_an_exact_rig_that_the_prior_does_not_contradict(
    exact: tuple[Rig, EyePairs],
) -> None:
    rig, pairs = exact
    truth = vector_from_rig(rig)
    free = np.ones(len(NAMES), dtype=bool)
    root = Prior(rig, unit_covariance(rig, scale_sigma=0.06, circles_found=True)).root
    begun = truth + np.where(np.arange(len(NAMES)) < 3, 0.003, 0.0)
    found = fit_pairs(pairs, begun, free, truth, root, rig)
    np.testing.assert_allclose(
        rig_from_vector(found, rig).yaw_pitch_roll_deg, rig.yaw_pitch_roll_deg, atol=1e-4
    )


def test_a_known_rim_ties_the_focal_length_to_the_lens_shape(exact: tuple[Rig, EyePairs]) -> None:
    """A stereographic lens with the rim where an equidistant one has it is, near the axis, shorter:
    r = 2 f tan(theta / 2) against f theta (Ray, Applied Photographic Optics, 3rd ed., 2002: from memory)."""
    begin = nominal(exact[0])
    covariance = unit_covariance(begin, scale_sigma=0.01, circles_found=True)
    rim = begin.left.circle.radius / begin.left.focal_px
    change = np.zeros(len(NAMES))
    change[COMMON.start] = np.log(rim / (2 * np.tan(rim / 2)))
    change[COMMON.start + 3 : COMMON.start + 7] = 1 / 12, 1 / 120, 17 / 20160, 31 / 362880
    tied = np.sqrt(change @ np.linalg.solve(covariance, change))
    loose = unit_covariance(begin, scale_sigma=0.01, circles_found=True, rim_known=False)
    assert tied < np.sqrt(change @ np.linalg.solve(loose, change)) / 3


def test_a_still_prior_weighs_as_if_each_cause_were_one_observation(exact: tuple[Rig, EyePairs]) -> None:
    root = Prior(exact[0], unit_covariance(exact[0], scale_sigma=0.06, circles_found=True)).root
    firm = still_prior(root, 100 * INDEPENDENT_CAUSES)
    focal, rotation = COMMON.start, 0
    assert np.linalg.norm(firm[:, focal]) == pytest.approx(10 * np.linalg.norm(root[:, focal]))
    assert np.linalg.norm(firm[:, rotation]) == pytest.approx(np.linalg.norm(root[:, rotation]))


@pytest.fixture(scope="module")
def tripod(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Truth]:
    path: Path = tmp_path_factory.mktemp("tripod") / "tripod.mp4"
    return path, clip.write_tripod_clip(path, rigs.random_rig(np.random.default_rng(1)), seed=1)


@pytest.mark.slow
@pytest.mark.parametrize("stated", [1.03, 0.97])
def test_a_tripod_clip_with_the_field_of_view_misstated_is_solved(
    tripod: tuple[Path, Truth], stated: float
) -> None:
    """Lenses of another family than assumed. Relative rotation to 0.05 degree, vertical disparity to 1'."""
    path, truth = tripod
    solved = solve([path], options=SolveOptions(fov_deg=truth.fov_deg * stated))
    found = errors(solved.calibration.rig, truth)
    assert np.all(np.abs(found.yaw_pitch_roll_deg) < 0.05)
    assert found.vertical_far_rms_arcmin < 1.0
    assert found.vertical_near_rms_arcmin < 1.0
    assert "centre_x" in {name for item in solved.calibration.held for name in item.names}
    assert any("stood still" in warning for warning in solved.calibration.warnings)
