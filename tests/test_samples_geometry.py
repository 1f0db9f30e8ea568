"""The rendered samples' truth: files, rigs, and the measures that accuracy is judged by."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from autocal.geometry import Rig, matrix_from_yaw_pitch_roll
from samples import measures, motions, rigs
from samples.make_harbour import harbour_rig
from samples.truth import Truth, load_truth, save_truth

YARD = Path(__file__).parents[2] / "shared" / "rendered" / "yard.json"


@pytest.fixture
def truth() -> Truth:
    return harbour_rig(768)


@pytest.mark.parametrize("seed", range(8))
def test_pixels_and_directions_are_each_others_inverse_past_ninety_degrees(seed: int) -> None:
    rng = np.random.default_rng(seed)
    truth = rigs.random_rig(rng)
    angle, azimuth = np.deg2rad([[0.0], [30.0], [84.9]]), rng.uniform(-np.pi, np.pi, 50)
    angle = np.concatenate([angle, [[np.deg2rad(truth.fov_deg / 2 + 1.7)]]])
    in_camera = np.stack(
        [np.sin(angle) * np.cos(azimuth), np.sin(angle) * np.sin(azimuth), np.cos(angle) + 0 * azimuth], -1
    )
    for eye in (0, 1):
        directions = in_camera @ truth.eye(eye).R_eye_from_rig
        back = truth.directions(eye, truth.project(eye, directions))
        np.testing.assert_allclose(back, directions, atol=1e-9)


def test_a_pixel_aspect_stretches_the_picture_along_y(truth: Truth) -> None:
    stretched = replace(truth.left, pixel_aspect=1.003)
    pixels = np.random.default_rng(1).uniform(80, 680, (50, 2))
    centre = np.array(truth.left.principal_point)
    moved = stretched.project(truth.left.directions(pixels))
    np.testing.assert_allclose(moved - centre, (pixels - centre) * [1.0, 1.003], atol=1e-9)
    np.testing.assert_allclose(stretched.directions(moved), truth.left.directions(pixels), atol=1e-12)
    rig = measures.rig_from_truth(replace(truth, left=stretched))
    assert measures.rms(measures.map_error_deg(rig, replace(truth, left=stretched))) < 0.006


def test_what_lies_past_the_table_has_no_pixel_and_no_direction(truth: Truth) -> None:
    behind = -truth.left.R_eye_from_rig[2]
    assert np.all(np.isnan(truth.project(0, behind)))
    assert np.all(np.isnan(truth.directions(0, [-400.0, 0.0])))


def test_profiles_follow_the_published_projections() -> None:
    """Ray, Applied Photographic Optics, 3rd ed., 2002, fisheye projections (from memory)."""
    theta = np.deg2rad(np.array([10.0, 60.0, 90.0]))
    np.testing.assert_allclose(rigs.equidistant()(theta), theta)
    np.testing.assert_allclose(rigs.equisolid()(theta)[2], np.sqrt(2))
    np.testing.assert_allclose(rigs.stereographic()(theta)[2], 2.0)
    radius = rigs.angle_cubic_in_radius(0.012, 0.058)(theta)
    np.testing.assert_allclose(radius + 0.012 * radius**2 + 0.058 * radius**3, theta, atol=1e-14)


def test_a_rig_is_turned_as_asked_and_its_forward_has_no_pitch() -> None:
    eye = rigs.EyeSpec(rigs.equidistant(), 370.0)
    truth = rigs.make_rig(eye, eye, (768, 768), 180.0, (0.9, -0.6, 0.4), (0.5, -0.8))
    # scipy's intrinsic Euler angles are the reference for the order of composition.
    asked = Rotation.from_euler("YXZ", [0.9, -0.6, 0.4], degrees=True).as_matrix().T
    np.testing.assert_allclose(truth.relative_rotation, asked, atol=1e-12)
    axes = truth.left.R_eye_from_rig[2] + truth.right.R_eye_from_rig[2]
    assert abs(axes[1]) < 1e-12
    assert axes[0] > 0.015  # both eyes look to the right of the baseline's normal


def test_a_point_projects_as_its_direction_from_the_eye(truth: Truth) -> None:
    pose = motions.walk(5)[3]
    in_rig = np.array([0.4, -0.3, 1.5])
    in_world = pose.position_m + pose.R_world_from_rig @ in_rig
    for eye, x in ((0, -0.032), (1, 0.032)):
        expected = truth.project(eye, in_rig - [x, 0, 0])
        np.testing.assert_allclose(truth.project_points(eye, in_world, pose), expected, atol=1e-9)


def test_a_truth_file_reads_back_as_it_was_written(tmp_path: Path, truth: Truth) -> None:
    written = replace(truth, poses=motions.walk(3), swapped=True)
    save_truth(written, tmp_path / "clip.json", {"scene": "none"})
    read = load_truth(tmp_path / "clip.json")
    pixels = np.random.default_rng(0).uniform(100, 600, (20, 2))
    for eye in (0, 1):
        np.testing.assert_allclose(read.directions(eye, pixels), written.directions(eye, pixels), atol=1e-12)
    np.testing.assert_array_equal(read.poses[2].R_world_from_rig, written.poses[2].R_world_from_rig)
    np.testing.assert_array_equal(read.poses[2].position_m, written.poses[2].position_m)
    assert (read.swapped, read.frame_size, read.fov_deg) == (True, (1536, 768), 190.0)
    assert read.baseline_m == pytest.approx(0.064)
    assert list(tmp_path.iterdir()) == [tmp_path / "clip.json"]


def test_a_file_that_is_no_truth_is_refused_with_its_name(tmp_path: Path) -> None:
    (tmp_path / "other.json").write_text('{"eyes": {}}')
    with pytest.raises(KeyError) as caught:
        load_truth(tmp_path / "other.json")
    assert "other.json" in caught.value.__notes__[0]


@pytest.mark.skipif(not YARD.exists(), reason="the independent path tracer's clip is not here")
def test_the_independent_path_tracers_truth_reads() -> None:
    truth = load_truth(YARD)
    assert truth.eye_size == (1536, 1536)
    assert len(truth.poses) == 12
    assert truth.baseline_m == pytest.approx(0.06)
    # Its own statement of the relative rotation, written as a rotation vector.
    stated = Rotation.from_rotvec(np.deg2rad([-0.41, 0.27, 0.52])).as_matrix()
    difference = min(
        Rotation.from_matrix(truth.relative_rotation @ r).magnitude() for r in (stated, stated.T)
    )
    assert np.rad2deg(difference) < 1e-6


# The measures: an exact calibration is right, a known error gives the known number.


def test_the_right_calibration_has_next_to_no_error() -> None:
    # A lens that the solved model holds exactly.
    spec = rigs.EyeSpec(rigs.equidistant(-0.03), 740.0, (3.0, -2.0))
    truth = rigs.make_rig(spec, spec, (1536, 1536), 190.0, (0.4, 0.3, -0.5))
    found = measures.errors(measures.rig_from_truth(truth), truth)
    assert max(map(abs, found.yaw_pitch_roll_deg)) < 1e-9
    assert found.map_rms_deg < 1e-6
    assert found.vertical_far_rms_arcmin < 1e-6
    assert found.vertical_near_rms_arcmin < 1e-6
    assert abs(found.horizontal_far_mean_arcmin) < 1e-6


def test_the_samples_lens_is_not_of_the_solved_family_but_can_be_approximated() -> None:
    truth = harbour_rig()
    misfit = measures.rms(measures.map_error_deg(measures.rig_from_truth(truth), truth))
    assert 0.001 < misfit < 0.006


def test_a_yaw_error_shows_as_itself_and_half_of_it_in_the_map(truth: Truth) -> None:
    exact = measures.rig_from_truth(truth)
    before = measures.errors(exact, truth)
    turn = matrix_from_yaw_pitch_roll(np.deg2rad(0.1), 0.0, 0.0)
    wrong = replace(exact, R_right=turn @ exact.R_right)
    found = measures.errors(wrong, truth)
    np.testing.assert_allclose(found.yaw_pitch_roll_deg, (0.1, 0.0, 0.0), atol=2e-3)
    # The common rotation takes half of it from each eye, so +-0.05 degree remains about the vertical axis;
    # over a cap out to a the mean of 1 - y^2 is 1 - (2 - cos a - cos^2 a) / 6.
    c = np.cos(np.deg2rad(85.0))
    expected = 0.05 * np.sqrt(1 - (2 - c - c * c) / 6)
    # To be added in squares to what the lens model itself cannot hold.
    assert found.map_rms_deg == pytest.approx(np.hypot(expected, before.map_rms_deg), rel=2e-3)
    # Far points are seen by the right eye as if turned by the yaw: horizontal disparity by 0.1 deg = 6 arcmin
    # ahead, less off to the sides.
    ahead = _straight_ahead_disparity(wrong, truth)
    assert abs(ahead) == pytest.approx(6.0, abs=0.3)


def _straight_ahead_disparity(rig: Rig, truth: Truth) -> float:
    return float(np.mean(measures.horizontal_disparity_arcmin(rig, truth, np.inf, out_to_deg=3.0)))


def test_a_pitch_error_shows_in_the_vertical_disparity(truth: Truth) -> None:
    exact = measures.rig_from_truth(truth)
    turn = matrix_from_yaw_pitch_roll(0.0, np.deg2rad(0.05), 0.0)
    wrong = replace(exact, R_right=turn @ exact.R_right)
    np.testing.assert_allclose(measures.rotation_error_deg(wrong, truth), (0.0, 0.05, 0.0), atol=2e-3)
    # A turn about the baseline moves every epipolar plane by it: 3 arcmin; the lens model's misfit aside.
    found, before = (measures.vertical_disparity_arcmin(r, truth, np.inf, 3.0) for r in (wrong, exact))
    np.testing.assert_allclose(np.abs(found - before), 3.0, atol=0.01)


def test_turning_the_whole_rig_is_no_map_error(truth: Truth) -> None:
    exact = measures.rig_from_truth(truth)
    turned = exact.turned(Rotation.from_rotvec([0.02, -0.03, 0.01]).as_matrix())
    before, after = (measures.rms(measures.map_error_deg(r, truth)) for r in (exact, turned))
    assert after == pytest.approx(before, rel=1e-6)


def test_a_wrong_focal_length_gives_the_map_error_it_must(truth: Truth) -> None:
    exact = measures.rig_from_truth(truth)
    lenses = [replace(lens, focal_px=lens.focal_px * 1.01) for lens in (exact.left, exact.right)]
    found = measures.rms(measures.map_error_deg(replace(exact, left=lenses[0], right=lenses[1]), truth))
    # By hand: every angle is off by about 1 % of r / (dr / dtheta); weighted by the area of the cap.
    theta = np.linspace(1e-4, np.deg2rad(85), 4000)
    r = truth.left.radius_of_angle(theta)
    off = 0.01 * r / np.gradient(r, theta)
    expected = np.rad2deg(np.sqrt(np.average(off**2, weights=np.sin(theta))))
    assert found == pytest.approx(expected, rel=0.02)


def test_near_and_far_points_have_the_disparities_of_the_geometry(truth: Truth) -> None:
    exact = measures.rig_from_truth(truth)
    near = measures.horizontal_disparity_arcmin(exact, truth, 2.0, out_to_deg=3.0)
    # Straight ahead: 2 atan(b / 2 / distance).
    expected = 2 * np.arctan(0.032 / 2.0) * measures.ARCMIN_PER_RAD
    np.testing.assert_allclose(near, expected, rtol=5e-3)
    far = measures.horizontal_disparity_arcmin(exact, truth)
    assert abs(np.mean(far)) < 0.01


def test_a_calibration_that_gives_up_part_of_the_field_does_not_pass(truth: Truth) -> None:
    exact = measures.rig_from_truth(truth)
    folding = replace(exact.left, k=(-0.25, 0.0, 0.0, 0.0))  # r(theta) turns over at 66 degrees
    assert np.isnan(measures.errors(replace(exact, left=folding), truth).map_rms_deg)
