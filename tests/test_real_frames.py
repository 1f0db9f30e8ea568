"""The solve on a real rig: ordinary frames and chart frames of a fixed pair of fisheye lenses.

Frames and the published chart calibration are those of the public repository
shun74/Fisheye-Depth-Estimation (MIT licence). They lie beside the project, not in it: these tests
skip where they are absent.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from autocal import Calibration, Solved, SolveOptions, solve
from autocal.geometry.epipolar import robust_spread
from autocal.geometry.parameters import vector_from_rig
from autocal.geometry.rotation import matrix_from_rotation_vector, yaw_pitch_roll_from_matrix
from autocal.matches import Matches
from autocal.solver.prior import Prior
from autocal.solver.staged import solve_matches, unseen_misses

FRAMES = Path(__file__).parents[2] / "shared" / "real" / "rig_a"
pytestmark = [
    pytest.mark.timeout(900),
    pytest.mark.slow,
    pytest.mark.skipif(not FRAMES.is_dir(), reason="the real frames do not lie beside the project"),
]
SCENES = sorted(FRAMES.glob("scene-*.jpg"))
CHARTS = sorted(FRAMES.glob("chart-*.jpg"))
#: The published chart calibration: fx, fy, cx, cy and D of each lens; rotation vector, degrees; T, m.
LEFT = ((392.15, 393.11, 631.78, 493.19), (-0.028105, 0.000275, -0.007671, 0.002430), 0.39)
RIGHT = ((391.97, 392.77, 620.62, 489.22), (-0.031501, 0.003315, -0.008129, 0.002204), 0.0)
ROTATION_DEG, T = (-0.330, 0.178, 0.230), (-0.12488, 0.00003, 0.00036)


def published() -> Calibration:
    from autocal.exchange.opencv_model import calibration_from_opencv

    def matrix(values: tuple[float, ...], skew: float) -> np.ndarray:
        fx, fy, cx, cy = values
        return np.array([[fx, skew, cx], [0.0, fy, cy], [0.0, 0.0, 1.0]])

    return calibration_from_opencv(
        matrix(LEFT[0], LEFT[2]),
        np.array(LEFT[1]),
        matrix(RIGHT[0], RIGHT[2]),
        np.array(RIGHT[1]),
        matrix_from_rotation_vector(np.deg2rad(ROTATION_DEG)),
        np.array(T),
        (1280, 960),
    )


@pytest.fixture(scope="module")
def held() -> Solved:
    return solve(SCENES, options=SolveOptions(start=published(), hold_lenses=True))


def miss_on_unseen(solved: Solved) -> float:
    unseen, rig = solved.solution.unseen, solved.unseen_rig
    return robust_spread(unseen_misses(vector_from_rig(rig), unseen, rig))


def test_with_published_lenses_the_rotation_is_the_published_one(held: Solved) -> None:
    expected = yaw_pitch_roll_from_matrix(matrix_from_rotation_vector(np.deg2rad(ROTATION_DEG)))
    error = held.calibration.rig.yaw_pitch_roll_deg - np.rad2deg(expected)
    assert np.all(np.abs(error) < 0.04), error
    assert miss_on_unseen(held) <= 0.36


def test_disjoint_halves_of_the_scene_matches_agree(held: Solved) -> None:
    matches = held.solution.matches
    halves = [half_of(matches, part) for part in (0, 1)]
    rig = published().rig
    prior = Prior(rig, np.diag(np.full(25, 0.02) ** 2))
    first, second = (
        solve_matches(half, prior, rng=np.random.default_rng(0), hold_lenses=True) for half in halves
    )
    difference = first.rig.yaw_pitch_roll_deg - second.rig.yaw_pitch_roll_deg
    assert np.all(np.abs(difference) < 0.03), difference  # the chart on the same rig: 0.28


def half_of(matches: Matches, part: int) -> Matches:
    return matches.where(matches.track % 2 == part)


def test_nothing_but_a_rough_field_of_view_does_not_run_away() -> None:
    solved = solve(SCENES, options=SolveOptions(fov_deg=160.0))
    for lens in (solved.calibration.rig.left, solved.calibration.rig.right):
        assert lens.focal_px == pytest.approx(395.0, rel=0.06)
    assert miss_on_unseen(solved) <= 0.36


def test_chart_frames_as_ordinary_footage_give_the_focal_lengths() -> None:
    solved = solve(CHARTS)
    for lens in (solved.calibration.rig.left, solved.calibration.rig.right):
        assert 392.0 * 0.98 <= lens.focal_px <= 398.0 * 1.02
    assert miss_on_unseen(solved) <= 0.36


def test_a_solve_from_an_earlier_calibration_stays_near_its_lenses() -> None:
    start = published()
    solved = solve(SCENES, options=SolveOptions(start=replace(start, unit="a")))
    assert solved.calibration.rig.left.focal_px == pytest.approx(start.rig.left.focal_px, rel=0.01)
    assert miss_on_unseen(solved) <= 0.36
