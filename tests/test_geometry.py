"""Lenses, rotations, rigs and disparities against references from outside the project."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from autocal.errors import LensError
from autocal.geometry import (
    ImageCircle,
    Lens,
    Rig,
    direction_of_longitude_latitude,
    horizontal_disparity,
    matrix_from_rotation_vector,
    matrix_from_yaw_pitch_roll,
    nominal_lens,
    rotation_vector_from_matrix,
    sampson_miss,
    vertical_disparity,
    view_angles,
    yaw_pitch_roll_from_matrix,
)
from autocal.geometry.epipolar import inverse_distance, robust_spread
from autocal.geometry.halfequirect import longitude_latitude_of_direction
from autocal.geometry.parameters import NAMES, rig_from_vector, vector_from_rig
from autocal.geometry.rig import rig_from_relative
from tests.simulation import random_rig

LENS = Lens((1536, 1536), 460.0, (765.2, 770.9), (-0.02, 0.004, -0.002, 0.0003), 1.0025, 0.001)


def rays(angle_deg: float, n: int = 9) -> np.ndarray:
    turn = np.linspace(0.0, 6.0, n)
    a = np.deg2rad(angle_deg)
    return np.stack([np.sin(a) * np.cos(turn), np.sin(a) * np.sin(turn), np.full(n, np.cos(a))], axis=1)


def opencv_matrix(lens: Lens) -> np.ndarray:
    f, (cx, cy) = lens.focal_px, lens.principal_point
    return np.array([[f, f * lens.skew, cx], [0.0, f * lens.aspect, cy], [0.0, 0.0, 1.0]])


@pytest.mark.parametrize("angle_deg", [0.0, 1.0, 20.0, 45.0, 70.0, 79.0])
def test_projection_equals_opencv_fisheye_inside_80_degrees(angle_deg: float) -> None:
    """cv2.fisheye.projectPoints, with alpha for the skew; past 90 degrees it is no reference."""
    d = rays(angle_deg)
    expected, _ = cv2.fisheye.projectPoints(
        d[:, None, :], np.zeros(3), np.zeros(3), opencv_matrix(LENS), np.array(LENS.k), alpha=LENS.skew
    )
    np.testing.assert_allclose(LENS.project(d), expected[:, 0], atol=1e-6)


def test_unprojection_equals_opencv_fisheye_inside_80_degrees() -> None:
    """cv2.fisheye.undistortPoints knows no alpha, so a lens without skew."""
    lens = Lens(LENS.size, LENS.focal_px, LENS.principal_point, LENS.k, LENS.aspect)
    pixels = lens.project(np.concatenate([rays(angle) for angle in (5.0, 30.0, 60.0, 79.0)]))
    criteria = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 100, 1e-14)
    plane = cv2.fisheye.undistortPoints(
        pixels[:, None, :], opencv_matrix(lens), np.array(lens.k), criteria=criteria
    )[:, 0]
    expected = np.concatenate([plane, np.ones((len(plane), 1))], axis=1)
    expected /= np.linalg.norm(expected, axis=1, keepdims=True)
    np.testing.assert_allclose(lens.project(expected), pixels, atol=1e-6)
    np.testing.assert_allclose(lens.unproject(pixels), expected, atol=1e-8)


@pytest.mark.parametrize("angle_deg", [0.0, 1e-7, 30.0, 85.0, 89.9, 90.0, 95.0, 100.0])
@pytest.mark.parametrize("decentring", [(0.0, 0.0), (1.5e-3, -2e-3)])
def test_unprojection_inverts_projection_past_90_degrees(
    angle_deg: float, decentring: tuple[float, float]
) -> None:
    lens = Lens(LENS.size, 460.0, (765.2, 770.9), LENS.k, 1.0025, 0.001, decentring)
    np.testing.assert_allclose(
        lens.unproject(lens.project(7.0 * rays(angle_deg))), rays(angle_deg), atol=1e-9
    )


def test_what_lies_beyond_a_folding_lens_is_nan() -> None:
    folding = Lens((1536, 1536), 460.0, (767.5, 767.5), (-0.15, 0.0, 0.0, 0.0))
    rim_deg = np.rad2deg(folding.max_angle)
    assert rim_deg == pytest.approx(np.rad2deg(np.sqrt(1 / 0.45)), abs=0.1)  # where 1 - 3 * 0.15 theta^2 is 0
    assert np.isnan(folding.project(rays(rim_deg + 1.0))).all()
    assert np.isfinite(folding.project(rays(rim_deg - 1.0))).all()
    outside = folding.radius_px(folding.max_angle) + 2.0
    assert np.isnan(folding.unproject([767.5 + outside, 767.5])).all()


@pytest.mark.parametrize(
    ("projection", "formula"),
    [
        ("equidistant", lambda t: t),
        ("equisolid", lambda t: 2 * np.sin(t / 2)),
        ("stereographic", lambda t: 2 * np.tan(t / 2)),
        ("orthographic", np.sin),
    ],
)
def test_nominal_lenses_follow_the_published_projections(projection: str, formula) -> None:  # type: ignore[no-untyped-def]
    """Kannala and Brandt, IEEE PAMI 28(8), 2006, eqs. 2 to 5."""
    circle = ImageCircle(767.5, 767.5, 700.0)
    lens = nominal_lens((1536, 1536), circle, focal_px=400.0, projection=projection)
    theta = np.deg2rad(np.linspace(0.0, 85.0, 50))
    np.testing.assert_allclose(lens.radius_px(theta), 400.0 * formula(theta), atol=0.1)


def test_stated_field_of_view_reaches_the_image_circle() -> None:
    lens = nominal_lens((1536, 1536), ImageCircle(767.5, 767.5, 700.0), fov_deg=170.0)
    assert lens.radius_px(np.deg2rad(85.0)) == pytest.approx(700.0)


@pytest.mark.parametrize("fov_deg", [400.0, 5.0, -180.0])
def test_nonsense_fields_of_view_are_refused(fov_deg: float) -> None:
    with pytest.raises(LensError, match="field of view"):
        nominal_lens((1536, 1536), ImageCircle(767.5, 767.5, 700.0), fov_deg=fov_deg)


def test_scaling_moves_pixel_edges_not_centres() -> None:
    half = LENS.scaled(0.5)
    pixels = LENS.project(rays(50.0))
    np.testing.assert_allclose(half.project(rays(50.0)), (pixels + 0.5) * 0.5 - 0.5, atol=1e-9)


@given(st.lists(st.floats(-3.0, 3.0), min_size=3, max_size=3))
@settings(max_examples=60, deadline=None)
def test_rotation_vectors_agree_with_scipy(vector: list[float]) -> None:
    expected = Rotation.from_rotvec(vector)
    matrix = matrix_from_rotation_vector(vector)
    np.testing.assert_allclose(matrix, expected.as_matrix(), atol=1e-12)
    if np.linalg.norm(vector) < 3.1:
        np.testing.assert_allclose(rotation_vector_from_matrix(matrix), vector, atol=1e-7)


@given(st.floats(-1.0, 1.0), st.floats(-1.0, 1.0), st.floats(-1.0, 1.0))
@settings(max_examples=60, deadline=None)
def test_yaw_pitch_roll_agree_with_scipy(yaw: float, pitch: float, roll: float) -> None:
    """scipy's intrinsic YXZ Euler angles are the orientation of the right eye against the left."""
    relative = matrix_from_yaw_pitch_roll(yaw, pitch, roll)
    np.testing.assert_allclose(
        relative.T, Rotation.from_euler("YXZ", [yaw, pitch, roll]).as_matrix(), atol=1e-12
    )
    np.testing.assert_allclose(yaw_pitch_roll_from_matrix(relative), [yaw, pitch, roll], atol=1e-9)


def test_signs_of_yaw_pitch_and_roll_are_those_of_an_operator() -> None:
    one = np.deg2rad(1.0)
    forward = np.array([0.0, 0.0, 1.0])
    yawed = matrix_from_yaw_pitch_roll(one, 0.0, 0.0) @ forward
    assert yawed[0] == pytest.approx(-np.sin(one))  # turned right: the left axis appears to its left
    tilted_up = matrix_from_yaw_pitch_roll(0.0, one, 0.0) @ forward
    assert tilted_up[1] == pytest.approx(np.sin(one))  # tilted up: the left axis appears below, y is down
    rolled = matrix_from_yaw_pitch_roll(0.0, 0.0, one) @ [1.0, 0.0, 0.0]
    assert rolled[1] == pytest.approx(-np.sin(one))  # rolled clockwise: the horizon turns the other way


def points(rng: np.random.Generator, n: int = 200) -> np.ndarray:
    p = rng.normal(size=(n, 3)) * [3.0, 3.0, 2.0]
    p[:, 2] = np.abs(p[:, 2]) + 0.5
    return p


def directions_from(p: np.ndarray, x: float) -> np.ndarray:
    d = p - [x, 0.0, 0.0]
    return d / np.linalg.norm(d, axis=1, keepdims=True)


def test_true_points_have_no_vertical_disparity_and_positive_horizontal() -> None:
    p = points(np.random.default_rng(0))
    left, right = directions_from(p, -0.03), directions_from(p, 0.03)
    np.testing.assert_allclose(vertical_disparity(left, right), 0.0, atol=1e-12)
    np.testing.assert_allclose(sampson_miss(left, right), 0.0, atol=1e-12)
    assert np.all(horizontal_disparity(left, right) > 0)
    assert horizontal_disparity(left, left) == pytest.approx(0.0)


def test_difference_in_latitude_is_not_vertical_disparity() -> None:
    p = np.array([[2.0, 1.0, 0.6]])
    left, right = directions_from(p, -0.1), directions_from(p, 0.1)
    latitude = [longitude_latitude_of_direction(d)[1][0] for d in (left, right)]
    assert abs(latitude[0] - latitude[1]) > np.deg2rad(0.5)
    assert vertical_disparity(left, right)[0] == pytest.approx(0.0, abs=1e-12)


def test_sampson_miss_is_the_distance_to_the_nearest_true_match() -> None:
    """First order, against the exact minimum over corrections of both rays found by scipy."""
    from scipy.optimize import minimize

    rng = np.random.default_rng(1)
    p = points(rng, 5)
    left, right = directions_from(p, -0.03), directions_from(p, 0.03)
    left = left + rng.normal(0, 1e-3, left.shape)
    left /= np.linalg.norm(left, axis=1, keepdims=True)
    for a, b, miss in zip(left, right, sampson_miss(left, right), strict=True):
        found = minimize(
            lambda e: e @ e,
            np.zeros(6),
            constraints={
                "type": "eq",
                "fun": lambda e, a=a, b=b: np.cross([1, 0, 0], a + e[:3]) @ (b + e[3:]),
            },
            method="SLSQP",
            options={"ftol": 1e-18},
        )
        assert np.sqrt(found.fun) == pytest.approx(abs(miss), rel=0.01)


def test_inverse_distance_is_that_of_the_point() -> None:
    p = points(np.random.default_rng(2))
    p *= (1.0 + 4.0 * np.random.default_rng(3).random(len(p)))[:, None]
    found = inverse_distance(directions_from(p, -0.03), directions_from(p, 0.03), 0.06)
    np.testing.assert_allclose(found * np.linalg.norm(p, axis=1), 1.0, rtol=2e-3)


def test_robust_spread_of_gaussian_misses_is_their_sigma() -> None:
    values = np.random.default_rng(4).normal(0, 2.0, 200_000)
    assert robust_spread(np.r_[values, np.full(100, np.nan)]) == pytest.approx(2.0, rel=0.01)


def test_view_pixel_centres_span_180_degrees() -> None:
    """8192x4096 means 4096 px for 180 degrees an eye: common practice, no source."""
    longitude, latitude = view_angles(4096, 4096)
    assert np.rad2deg(longitude[1] - longitude[0]) == pytest.approx(180 / 4096)
    assert np.rad2deg(longitude[0]) == pytest.approx(-90 + 90 / 4096)
    assert np.rad2deg(latitude[0]) == pytest.approx(90 - 90 / 4096)
    d = direction_of_longitude_latitude(np.deg2rad(30.0), np.deg2rad(20.0))
    assert np.allclose(longitude_latitude_of_direction(d), np.deg2rad([30.0, 20.0]))
    assert d[1] < 0  # up is -y


@pytest.mark.parametrize("seed", range(5))
def test_parameters_describe_the_rig_they_came_from(seed: int) -> None:
    rig = random_rig(np.random.default_rng(seed))
    again = rig_from_vector(vector_from_rig(rig), rig)
    np.testing.assert_allclose(again.R_left, rig.R_left, atol=1e-12)
    np.testing.assert_allclose(again.R_right, rig.R_right, atol=1e-12)
    assert again.left.k == pytest.approx(rig.left.k)
    assert len(vector_from_rig(rig)) == len(NAMES)


def test_rig_from_opencv_style_numbers_keeps_rotation_and_baseline() -> None:
    relative = matrix_from_yaw_pitch_roll(0.01, -0.004, 0.006)
    baseline = np.array([0.12, 0.002, -0.001])
    rig = rig_from_relative(LENS, LENS, relative, baseline, 120.0)
    np.testing.assert_allclose(rig.relative_rotation, relative, atol=1e-12)
    np.testing.assert_allclose(rig.R_left[:, 0], baseline / np.linalg.norm(baseline), atol=1e-12)
    assert (rig.R_left[2] + rig.R_right[2])[1] == pytest.approx(0.0, abs=1e-12)  # level


def test_convergence_takes_its_shift_from_the_horizontal_disparity_ahead() -> None:
    rig = Rig(LENS, LENS, np.eye(3), np.eye(3))
    turned = rig.converged(np.deg2rad(0.5))
    pixel = LENS.project([0.0, 0.0, 1.0])
    change = horizontal_disparity(turned.directions(0, pixel), turned.directions(1, pixel))
    assert np.rad2deg(change) == pytest.approx(-0.5)
