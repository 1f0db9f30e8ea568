"""The whole solve against exact truth, with no option but the clip: the bundled sample, and a clip from an
independent path tracer that lies beside the project (skipped where it is absent).

Both lenses are of a family that the solved model can only approximate.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from autocal import Solved, solve
from autocal.beforehand import SolveOptions
from autocal.geometry import Rig
from samples.measures import errors, horizontal_disparity_arcmin, rms
from samples.truth import Truth, load_truth

ROOT = Path(__file__).parents[1]
SAMPLE = ROOT / "samples" / "harbour.mp4"
YARD = ROOT.parent / "shared" / "rendered" / "yard.mp4"

pytestmark = pytest.mark.slow


@pytest.fixture(
    scope="module",
    params=[
        SAMPLE,
        pytest.param(
            YARD,
            marks=pytest.mark.skipif(not YARD.exists(), reason="the clip does not lie beside the project"),
        ),
    ],
    ids=["harbour", "yard"],
)
def case(request: pytest.FixtureRequest) -> tuple[Solved, Truth]:
    clip: Path = request.param
    return solve([clip]), load_truth(clip.with_suffix(".json"))


def test_relative_rotation_is_within_a_hundredth_of_a_degree(case: tuple[Solved, Truth]) -> None:
    solved, truth = case
    assert np.all(np.abs(errors(solved.calibration.rig, truth).yaw_pitch_roll_deg) < np.full(3, 0.01))


def test_map_is_within_three_hundredths_of_a_degree_out_to_85(case: tuple[Solved, Truth]) -> None:
    solved, truth = case
    assert errors(solved.calibration.rig, truth, out_to_deg=85.0).map_rms_deg < 0.03


def test_vertical_disparity_is_under_half_an_arcminute(case: tuple[Solved, Truth]) -> None:
    solved, truth = case
    found = errors(solved.calibration.rig, truth)
    assert found.vertical_far_rms_arcmin < 0.5
    assert found.vertical_near_rms_arcmin < 0.5


def test_far_plane_is_within_an_arcminute_of_the_truth(case: tuple[Solved, Truth]) -> None:
    solved, truth = case
    view: Rig = solved.calibration.view_rig
    assert abs(np.mean(horizontal_disparity_arcmin(view, truth))) < 1.0
    assert rms(horizontal_disparity_arcmin(view, truth)) < 1.0


def test_sigmas_show_that_it_is_ten_times_finer_than_a_step_by_hand(case: tuple[Solved, Truth]) -> None:
    """Hand calibration moves in 0.1 degree steps: common practice, no source."""
    solved, truth = case
    sigma = solved.calibration.yaw_pitch_roll_sigma_deg
    error = np.abs(errors(solved.calibration.rig, truth).yaw_pitch_roll_deg)
    assert np.all(sigma < 0.01)
    assert np.all(error < 4 * sigma + 0.001)  # a thousandth for what the lens model cannot hold


def test_the_unit_is_as_healthy_as_its_truth(case: tuple[Solved, Truth]) -> None:
    """A healthy unit needs less than 1 degree of relative pan and tilt: common practice, no source."""
    solved, _ = case
    assert np.all(np.abs(solved.calibration.rig.yaw_pitch_roll_deg[:2]) < 1.0)


def test_a_field_of_view_that_was_stated_a_third_too_small_is_questioned() -> None:
    solved = solve([SAMPLE], options=SolveOptions(fov_deg=120.0))
    assert errors(solved.calibration.rig, load_truth(SAMPLE.with_suffix(".json"))).map_rms_deg > 1.0
    (warning,) = (words for words in solved.calibration.warnings if "asks for another lens" in words)
    assert "--fov" in warning
    (focal,) = (held for held in solved.calibration.held if held.names == ("focal",))
    assert "--fov" in focal.film


def test_a_field_of_view_stated_30_degrees_too_large_is_put_right_without_a_word() -> None:
    solved = solve([SAMPLE], options=SolveOptions(fov_deg=210.0))
    assert errors(solved.calibration.rig, load_truth(SAMPLE.with_suffix(".json"))).map_rms_deg < 0.03
    assert solved.calibration.warnings == ()
