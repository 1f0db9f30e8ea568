"""The board bundle on exact corners of random rigs: derivatives, accuracy, honest sigmas."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2

from autocal.chart.board import Board, BoardView
from autocal.chart.board_bundle import (
    BoardState,
    board_points_mm,
    corners_of,
    fit_board,
    linearised,
    moved,
    prior_sigma,
    residuals,
)
from autocal.chart.calibrate import board_bend_mm, calibrate_from_boards
from autocal.chart.start import board_pose, opencv_lens
from autocal.errors import SolveError
from autocal.geometry import Rig, matrix_from_rotation_vector
from autocal.geometry.parameters import NAMES, eye_rotations, vector_from_rig
from tests.simulation import random_rig

BOARD = Board(7, 6, 40.0)


def true_state(
    rng: np.random.Generator, rig: Rig, frames: int, shape: np.ndarray | None = None
) -> BoardState:
    """Boards all over the field up to 75 degrees off axis, 0.25 to 0.6 m away, tilted at random."""
    theta, phi = np.deg2rad(rng.uniform(0, 75, frames)), rng.uniform(0, 2 * np.pi, frames)
    axis = np.stack([np.sin(theta) * np.cos(phi), np.sin(theta) * np.sin(phi), np.cos(theta)], axis=1)
    facing = matrix_from_rotation_vector(
        np.stack([-np.sin(phi) * theta, np.cos(phi) * theta, 0 * phi], axis=1)
    )
    tilt = matrix_from_rotation_vector(rng.normal(0, 0.4, (frames, 3)))
    distance = rng.uniform(250, 600, (frames, 1))
    return BoardState(
        vector_from_rig(rig),
        rig.baseline_mm,
        np.zeros(8) if shape is None else shape,
        facing @ tilt,
        axis * distance,
    )


def seen(
    rng: np.random.Generator, rig: Rig, state: BoardState, board: Board, noise_px: float
) -> list[BoardView]:
    """What the lenses, by the plain formula of `Lens`, make of the corners."""
    points, _ = board_points_mm(board, state.shape)
    rotations = eye_rotations(state.vector[:5])
    views = []
    for frame in range(len(state.R)):
        in_rig = points @ state.R[frame].T + state.t[frame]
        for eye, side in ((0, 0.5), (1, -0.5)):
            from_eye = in_rig + np.array([side * state.baseline_mm, 0, 0])
            pixel = rig.lens(eye).project(from_eye @ rotations[eye].T)
            inside = rig.lens(eye).inside(pixel)
            pixel = pixel + rng.normal(0, noise_px, pixel.shape)
            if inside.sum() > 10:
                views.append(BoardView(frame, eye, np.flatnonzero(inside), pixel[inside]))
    return views


def moved_off(rng: np.random.Generator, state: BoardState, by: float = 1.0) -> BoardState:
    """A start that is off by what OpenCV's calibration may be off."""
    scale = np.full(25, 2e-3)
    for i, name in enumerate(NAMES):
        if name.startswith("centre"):
            scale[i] = 2.0
        if name.startswith(("k", "decentring")):
            scale[i] = 1e-3
    return BoardState(
        state.vector + by * scale * rng.normal(size=25),
        state.baseline_mm * 1.02,
        np.zeros(8),
        matrix_from_rotation_vector(by * rng.normal(0, 5e-3, (len(state.R), 3))) @ state.R,
        state.t + by * rng.normal(0, 3.0, state.t.shape),
    )


def test_derivatives_agree_with_finite_differences() -> None:
    rng = np.random.default_rng(0)
    rig = random_rig(rng)
    rig = replace(rig, left=replace(rig.left, decentring=(2e-3, -1e-3), aspect=1.01))
    state = true_state(rng, rig, 3, rng.normal(0, 0.01, 8))
    corners = corners_of(seen(rng, rig, state, BOARD, 0.0), BOARD)
    _, jacobian = linearised(corners, state)
    shared = 34
    for unknown in range(shared + 6 * 3):
        step = np.zeros(shared + 18)
        step[unknown] = 1e-6
        difference = (residuals(corners, moved(state, step)) - residuals(corners, moved(state, -step))) / 2e-6
        frame, place = divmod(unknown - shared, 6)
        if unknown < shared:
            expected = jacobian[:, :, unknown]
        else:
            expected = np.where((corners.frame == frame)[:, None], jacobian[:, :, shared + place], 0.0)
        np.testing.assert_allclose(difference, expected, atol=2e-4 * max(1.0, np.abs(expected).max()))


def test_without_noise_the_truth_has_no_residual_and_is_found_again() -> None:
    rng = np.random.default_rng(1)
    rig = random_rig(rng)
    state = true_state(rng, rig, 8)
    corners = corners_of(seen(rng, rig, state, BOARD, 0.0), BOARD)
    assert np.abs(residuals(corners, state)).max() < 1e-9
    noisy = corners_of(seen(rng, rig, state, BOARD, 1e-3), BOARD)
    fit = fit_board(noisy, moved_off(rng, state))
    assert fit.converged
    assert fit.sigma_px == pytest.approx(1e-3, rel=0.1)
    np.testing.assert_allclose(np.rad2deg((fit.state.vector - state.vector)[:3]), 0, atol=5e-4)
    assert fit.state.baseline_mm == pytest.approx(state.baseline_mm, rel=1e-4)


@pytest.fixture(scope="module")
def many_fits() -> list[tuple]:
    results = []
    for seed in range(25):
        rng = np.random.default_rng(100 + seed)
        rig = random_rig(rng)
        shape = np.append(rng.normal(0, 0.005, 7), rng.normal(0, 0.002))
        state = true_state(rng, rig, 8, shape)
        corners = corners_of(seen(rng, rig, state, BOARD, 0.2), BOARD)
        results.append((state, fit_board(corners, moved_off(rng, state))))
    return results


def test_sigmas_are_honest_over_many_boards(many_fits: list[tuple]) -> None:
    """Squared errors over variances are chi-square distributed (Kay, Estimation Theory, 1993)."""
    for name in ("rotation_x", "rotation_y", "rotation_z", "focal", "centre_x", "centre_y_difference"):
        i = NAMES.index(name)
        z2 = [((f.state.vector - s.vector)[i] ** 2) / f.rig_covariance[i, i] for s, f in many_fits]
        # 0.1 % at each end, as six names are tested
        assert chi2.ppf(0.001, len(z2)) < np.sum(z2) < chi2.ppf(0.999, len(z2)), name


def test_the_noise_of_the_corners_is_measured(many_fits: list[tuple]) -> None:
    assert np.mean([f.sigma_px for _, f in many_fits]) == pytest.approx(0.2, rel=0.05)


def test_a_bent_board_is_straightened_out() -> None:
    rng = np.random.default_rng(7)
    rig = random_rig(rng)
    shape = np.array([0.02, 0, 0.01, 0, 0, 0, 0, 0.002])
    state = true_state(rng, rig, 12, shape)
    views = seen(rng, rig, state, BOARD, 0.1)
    result = calibrate_from_boards(views, BOARD, rig.left.size, 12, np.random.default_rng(0))
    assert max(result.rms_px) < 0.16  # 0.1 px a coordinate is 0.14 px
    assert result.bend_mm == pytest.approx(board_bend_mm(BOARD, state), rel=0.1)
    error = result.calibration.rig.yaw_pitch_roll_deg - rig.yaw_pitch_roll_deg
    assert np.all(np.abs(error) < 4 * result.calibration.yaw_pitch_roll_sigma_deg)
    assert result.calibration.rig.baseline_mm == pytest.approx(60.0, abs=5 * result.baseline_sigma_mm)


def test_opencv_agrees_with_the_bundle_on_a_flat_board_inside_its_range() -> None:
    # Outside reference: cv2.fisheye.calibrate, one eye, no decentring, boards within 60 degrees.
    rng = np.random.default_rng(8)
    rig = random_rig(rng)
    state = true_state(rng, rig, 14)
    views = [
        v
        for v in seen(rng, rig, state, BOARD, 0.05)
        if v.eye == 0 and np.linalg.norm(v.pixel - rig.left.principal_point, axis=1).max() < 500
    ]
    found = opencv_lens(views, BOARD, rig.left.size)
    assert found.lens.focal_px == pytest.approx(rig.left.focal_px, rel=2e-3)
    assert found.lens.principal_point == pytest.approx(rig.left.principal_point, abs=0.5)


def test_a_pose_from_one_view_is_the_true_one() -> None:
    rng = np.random.default_rng(9)
    rig = random_rig(rng)
    state = true_state(rng, rig, 6)
    for view in seen(rng, rig, state, BOARD, 0.0):
        pose = board_pose(view, BOARD, rig.lens(view.eye))
        if pose is None:
            continue
        R_eye = eye_rotations(state.vector[:5])[view.eye]
        side = 0.5 if view.eye == 0 else -0.5
        np.testing.assert_allclose(pose[0], R_eye @ state.R[view.frame], atol=1e-3)
        expected = R_eye @ (state.t[view.frame] + [side * state.baseline_mm, 0, 0])
        np.testing.assert_allclose(pose[1], expected, atol=0.5)


def test_a_board_with_poor_corners_is_dropped_and_named() -> None:
    rng = np.random.default_rng(10)
    rig = random_rig(rng)
    state = true_state(rng, rig, 12)
    views = seen(rng, rig, state, BOARD, 0.1)
    spoilt = next(i for i, v in enumerate(views) if v.frame == 5 and v.eye == 1)
    blurred = rng.normal(0, 3.0, views[spoilt].pixel.shape)
    views[spoilt] = replace(views[spoilt], pixel=views[spoilt].pixel + blurred)
    result = calibrate_from_boards(views, BOARD, rig.left.size, 12, np.random.default_rng(0))
    assert [(r.frame, r.eye) for r in result.rejected] == [(5, 1)]
    assert "poor corners" in result.rejected[0].reason
    assert max(result.rms_px) < 0.16


def test_frames_that_share_a_cause_of_error_widen_the_sigmas() -> None:
    """Every board's corners pushed by a smooth error of its own: not independent corner noise."""
    rng = np.random.default_rng(11)
    rig = random_rig(rng)
    state = true_state(rng, rig, 14)
    plain = seen(rng, rig, state, BOARD, 0.1)
    pushed = []
    for view in plain:
        offset = view.pixel - view.pixel.mean(axis=0)
        pushed.append(replace(view, pixel=view.pixel + offset @ rng.normal(0, 0.004, (2, 2))))
    independent, common = (
        calibrate_from_boards(v, BOARD, rig.left.size, 14, np.random.default_rng(0)) for v in (plain, pushed)
    )
    assert independent.split is not None
    assert common.split is not None
    assert 0.6 < independent.split.excess < 1.5
    assert common.split.excess > 1.5 * independent.split.excess
    sigmas = [r.calibration.yaw_pitch_roll_sigma_deg for r in (independent, common)]
    assert np.all(sigmas[1] > sigmas[0])


def test_too_few_frames_are_refused_with_what_to_do() -> None:
    rng = np.random.default_rng(12)
    rig = random_rig(rng)
    state = true_state(rng, rig, 3)
    with pytest.raises(SolveError, match="more chart frames"):
        calibrate_from_boards(seen(rng, rig, state, BOARD, 0.1), BOARD, rig.left.size, 3, rng)


def test_corners_of_no_board_are_refused_not_fitted() -> None:
    rng = np.random.default_rng(13)
    views = [
        BoardView(f, e, np.arange(BOARD.corners), rng.uniform(100, 1400, (BOARD.corners, 2)))
        for f in range(6)
        for e in (0, 1)
    ]
    with pytest.raises(SolveError):
        calibrate_from_boards(views, BOARD, (1536, 1536), 6, rng)


def test_the_prior_is_vague_against_real_lenses() -> None:
    # k1 of the classical projections lies between -1/6 and 1/12 (series of Kannala, Brandt 2006, eqs. 2-5)
    sigma = prior_sigma()
    assert sigma[NAMES.index("k1")] >= 1 / 6
    assert np.isinf(sigma[NAMES.index("focal")])
    assert np.isinf(sigma[NAMES.index("rotation_y")])
