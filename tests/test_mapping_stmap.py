"""The ST map against the exact formula, on known directions, and its conventions."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from autocal.calibration import Calibration, FarPlane, Quality
from autocal.errors import LensError, OutputError
from autocal.geometry import (
    ImageCircle,
    Lens,
    Rig,
    direction_of_longitude_latitude,
    matrix_from_yaw_pitch_roll,
    nominal_lens,
    view_angles,
)
from autocal.mapping import source_map, st_map
from autocal.mapping.stmap import step
from autocal.matches import LEFT, RIGHT

CIRCLE = ImageCircle(510.0, 514.0, 500.0)
LENSES = {
    "equidistant": nominal_lens((1024, 1024), CIRCLE, fov_deg=190),
    "equisolid": nominal_lens((1024, 1024), CIRCLE, fov_deg=200, projection="equisolid"),
    "stereographic": nominal_lens((1024, 1024), CIRCLE, fov_deg=180, projection="stereographic"),
    "orthographic": nominal_lens((1024, 1024), CIRCLE, fov_deg=170, projection="orthographic"),
    "decentred, oblong pixels": Lens(
        (1200, 900), 310.0, (600.3, 447.9), (-0.03, 0.003, -0.004, 0.0008), 1.0025, 0.001, (2e-3, -1.5e-3)
    ),
    "folding back at 77 degrees": Lens((1024, 1024), 330.0, (511.5, 511.5), (-0.18, 0.0, 0.0, 0.0)),
}


def rig_of(lens: Lens, yaw_deg: float = 1.0, pitch_deg: float = -2.0, roll_deg: float = 4.0) -> Rig:
    turn = matrix_from_yaw_pitch_roll(*np.deg2rad([yaw_deg, pitch_deg, roll_deg]))
    return Rig(lens, replace(lens, focal_px=lens.focal_px * 1.003), turn.T, turn)


def exact_pixels(rig: Rig, eye: int, size: tuple[int, int]) -> np.ndarray:
    """The plain twin: every pixel of the view through the lens formula."""
    longitude, latitude = view_angles(*size)
    return rig.pixels(eye, direction_of_longitude_latitude(longitude[None, :], latitude[:, None]))


@pytest.mark.parametrize("name", LENSES)
@pytest.mark.parametrize("size", [(700, 513), (512, 1030), (90, 60)])
def test_view_equals_the_lens_formula_on_every_pixel(name: str, size: tuple[int, int]) -> None:
    rig = rig_of(LENSES[name])
    for eye in (LEFT, RIGHT):
        made = source_map(rig, eye, size)
        exact = exact_pixels(rig, eye, size)
        seen = np.isfinite(exact[..., 0]) & rig.lens(eye).inside(exact)
        assert 0.2 < seen.mean() <= 1.0
        assert_array_equal(made.valid, seen)
        # float32 holds positions below 1200 px to 6e-5 px
        assert_allclose(made.x[seen], exact[seen][:, 0], atol=1e-4, rtol=0)
        assert_allclose(made.y[seen], exact[seen][:, 1], atol=1e-4, rtol=0)
        assert np.isnan(made.x[~seen]).all()
        assert np.isnan(made.y[~seen]).all()


def test_spline_is_a_millionth_of_a_pixel_off_even_for_eyes_turned_far_out() -> None:
    from autocal.mapping._spline import pixel_spline

    lens, size = LENSES["decentred, oblong pixels"], (512, 640)
    rig = rig_of(lens, yaw_deg=20.0)

    def pixels(column: np.ndarray, row: np.ndarray) -> np.ndarray:
        longitude = ((column + 0.5) / size[0] - 0.5) * np.pi
        latitude = (0.5 - (row + 0.5) / size[1]) * np.pi
        rays = direction_of_longitude_latitude(longitude[None, :], latitude[:, None]) @ rig.R_left.T
        return lens.project(rays, beyond_range=True)

    values = np.moveaxis(pixel_spline(pixels, size).values(slice(0, size[1])), 1, -1)
    exact = pixels(np.arange(size[0]), np.arange(size[1]))
    inside = np.isfinite(exact_pixels(rig, LEFT, size)[..., 0])
    assert np.abs(values - exact)[inside].max() < 1e-6


def test_spline_is_the_one_that_scipy_gives() -> None:
    """scipy.interpolate.make_interp_spline, degree 5, through the same samples."""
    from scipy.interpolate import make_interp_spline

    from autocal.mapping._spline import pixel_spline

    size = (640, 512)
    nodes = []

    def bent(column: np.ndarray, row: np.ndarray) -> np.ndarray:
        nodes.append((column, row))
        return np.sin(column[None, :, None] / 90.0 + [0.0, 1.0]) * np.exp(row[:, None, None] / 400.0)

    values = np.moveaxis(pixel_spline(bent, size).values(slice(0, size[1])), 1, -1)
    (column, row) = nodes[0]
    by_row = make_interp_spline(row, bent(column, row), k=5)(np.arange(size[1]))
    by_both = make_interp_spline(column, by_row, k=5, axis=1)(np.arange(size[0]))
    assert_allclose(values, by_both, rtol=0, atol=1e-12)


def test_lens_formula_beyond_its_range_agrees_inside_and_goes_on_outside() -> None:
    lens = LENSES["folding back at 77 degrees"]
    theta = np.deg2rad([10.0, 70.0, 85.0])
    rays = np.stack([np.sin(theta), 0 * theta, np.cos(theta)], axis=-1)
    assert_allclose(lens.project(rays)[:2], lens.project(rays, beyond_range=True)[:2], rtol=0, atol=0)
    assert np.isnan(lens.project(rays)[2]).all()
    # r = f (theta + k1 theta^3): Kannala and Brandt 2006, eq. 6
    radius = 330.0 * (theta[2] - 0.18 * theta[2] ** 3)
    assert_allclose(lens.project(rays, beyond_range=True)[2], [511.5 + radius, 511.5])


def straight_rig(half: tuple[int, int] = (400, 300)) -> Rig:
    """Two equidistant lenses that look straight ahead, 100 px a radian, centred."""
    lens = Lens(half, 100.0, ((half[0] - 1) / 2, (half[1] - 1) / 2))
    return Rig(lens, lens, np.eye(3), np.eye(3))


def test_known_directions_are_found_where_an_equidistant_lens_puts_them() -> None:
    # 36 x 18 px, 10 degrees a pixel: centres at -85, -75, ... 85 degrees.
    made = st_map(Calibration(straight_rig()), (36, 18), v_origin="top")
    x, y = made.u * 800 - 0.5, made.v * 300 - 0.5
    # Column 14 is longitude +55; rows 8 and 9 are latitude +5 and -5.
    for row, latitude_deg in ((8, 5.0), (9, -5.0), (2, 65.0)):
        lon, lat = np.deg2rad(55.0), np.deg2rad(latitude_deg)
        off_axis = np.arccos(np.cos(lat) * np.cos(lon))  # spherical Pythagoras
        bearing = np.arctan2(np.sin(lat), np.cos(lat) * np.sin(lon))
        expected_x = 199.5 + 100 * off_axis * np.cos(bearing)
        expected_y = 149.5 - 100 * off_axis * np.sin(bearing)
        assert_allclose([x[row, 14], y[row, 14]], [expected_x, expected_y], atol=1e-4)
        assert_allclose([x[row, 32], y[row, 32]], [400 + expected_x, expected_y], atol=1e-4)


def test_v_is_counted_from_the_bottom_by_default_and_u_from_the_left() -> None:
    calibration = Calibration(straight_rig())
    bottom, top = st_map(calibration, (72, 36)), st_map(calibration, (72, 36), v_origin="top")
    assert_array_equal(bottom.u, top.u)
    assert_allclose(bottom.v[bottom.valid] + top.v[top.valid], 1.0, atol=1e-7)
    # Up in the view (row 0) is up in the source: large v from the bottom, small from the top.
    assert bottom.v[2, 18] > 0.8 > 0.2 > top.v[2, 18]
    assert np.all(np.diff(bottom.u[18, :36]) > 0)


def test_edges_of_the_source_are_u_0_and_1_so_the_first_row_is_half_a_pixel_inside() -> None:
    # A lens whose view of 180 degrees is 31.4 px: row 0 of the view looks 88.2 degrees up, at y = 0.
    height = 50
    up = np.deg2rad(90 - 180 / height / 2)
    focal = (height - 1) / 2 / up
    lens = Lens((height, height), focal, ((height - 1) / 2, (height - 1) / 2))
    rig = Rig(lens, lens, np.eye(3), np.eye(3))
    made = st_map(Calibration(rig), (2 * height + 2, height))  # odd width of a view: a middle column
    middle = (height + 1) // 2
    assert made.v[0, middle] == pytest.approx(1 - 0.5 / height, abs=1e-6)
    assert made.v[-1, middle] == pytest.approx(0.5 / height, abs=1e-6)
    assert made.u[height // 2, middle] == pytest.approx(0.25, abs=1e-6)


def test_outside_the_lens_u_and_v_are_zero() -> None:
    lens = replace(LENSES["equidistant"], circle=ImageCircle(510.0, 514.0, 400.0))
    for size in ((256, 100), (1100, 530)):
        made = st_map(Calibration(rig_of(lens)), size)
        assert 0.2 < made.valid.mean() < 0.9
        assert not made.u[~made.valid].any()
        assert not made.v[~made.valid].any()
        assert made.u[made.valid].min() > 0
        assert made.v[made.valid].min() > 0
        assert max(made.u.max(), made.v.max()) <= 1


def test_view_ends_where_the_half_ends_and_never_samples_the_other_eye() -> None:
    # The picture is wider than the half: what lies beyond belongs to the other eye.
    lens = Lens((300, 400), 150.0, (149.5, 199.5))
    made = st_map(Calibration(Rig(lens, lens, np.eye(3), np.eye(3))), (2048, 1024))
    left, right = made.u[:, :1024], made.u[:, 1024:]
    assert not made.valid[512, 0]
    assert left.max() <= 0.5
    assert right[made.valid[:, 1024:]].min() >= 0.5


def test_swapped_footage_takes_the_left_eye_from_the_right_half() -> None:
    rig = rig_of(LENSES["equidistant"])
    plain, swapped = (st_map(Calibration(rig, swapped=s), (256, 128)) for s in (False, True))
    left = plain.valid[:, :128]
    assert_allclose(swapped.u[:, :128][left], plain.u[:, :128][left] + 0.5, atol=1e-6)
    right = plain.valid[:, 128:]
    assert_allclose(swapped.u[:, 128:][right], plain.u[:, 128:][right] - 0.5, atol=1e-6)
    assert_array_equal(swapped.v, plain.v)


def test_map_of_one_eye_is_that_half_of_the_whole_map() -> None:
    calibration = Calibration(rig_of(LENSES["equidistant"]))
    both = st_map(calibration, (1200, 520))
    for eye, columns in (("left", slice(0, 600)), ("right", slice(600, 1200))):
        one = st_map(calibration, (1200, 520), eye=eye)  # type: ignore[arg-type]
        assert one.size == (600, 520)
        assert one.source_size == (2048, 1024)
        assert_array_equal(one.u, both.u[:, columns])
        assert_array_equal(one.v, both.v[:, columns])


@pytest.mark.parametrize("swapped", [False, True])
def test_map_of_one_eye_can_refer_to_that_eyes_own_picture(swapped: bool) -> None:
    rig = rig_of(LENSES["equidistant"])
    one = st_map(Calibration(rig, swapped=swapped), (1200, 520), eye="right", source="eye")
    view = source_map(rig, RIGHT, (600, 520))
    assert one.source_size == (1024, 1024)
    assert_allclose(one.u[one.valid] * 1024 - 0.5, view.x[view.valid], atol=2e-4)


@pytest.mark.parametrize("v_origin", ["bottom", "top"])
@pytest.mark.parametrize("size", [(1200, 520), (90, 60)])
def test_what_was_solved_from_footage_is_mapped_in_whole_steps_no_further_off_than_half(
    size: tuple[int, int], v_origin: Literal["bottom", "top"]
) -> None:
    exact = Calibration(rig_of(LENSES["equidistant"]))
    solved = replace(exact, quality=Quality(900, 21.0, 0.5, 1.4, 0.2, 0.005))
    plain, made = (st_map(each, size, v_origin=v_origin) for each in (exact, solved))
    assert_array_equal(made.valid, plain.valid)
    for positions, unrounded, each in ((made.u, plain.u, step(2048)), (made.v, plain.v, step(1024))):
        assert_array_equal(positions / each, np.rint(positions / each))
        assert len(np.unique(positions[made.valid])) > 1000
        # The plain map is single precision: 6e-8 in positions up to 1.
        assert_allclose(positions, unrounded, atol=0.5 * each + 6e-8, rtol=0)


@pytest.mark.parametrize("length", [2, 800, 1537, 4096, 8192, 12000])
def test_a_step_is_at_most_a_two_hundredth_of_a_pixel_and_exact_in_single_precision(length: int) -> None:
    each = step(length)
    assert 1 / 400 < each * length <= 1 / 200
    last = 1.0 - each
    assert float(np.float32(last)) == last


def test_convergence_is_in_the_map() -> None:
    # 2 degrees of disparity taken away: the centre of each view looks 1 degree towards the other eye.
    calibration = Calibration(straight_rig(), far=FarPlane(shift_deg=2.0))
    made = st_map(calibration, (722, 361))
    x_left, x_right = made.u[180, 180] * 800 - 0.5, made.u[180, 361 + 180] * 800 - 400.5
    assert x_left - 199.5 == pytest.approx(100 * np.deg2rad(1.0), abs=1e-3)
    assert x_right - 199.5 == pytest.approx(-100 * np.deg2rad(1.0), abs=1e-3)


def test_impossible_requests_are_refused_with_what_to_do() -> None:
    calibration = Calibration(straight_rig())
    with pytest.raises(OutputError, match="even width"):
        st_map(calibration, (101, 50))
    with pytest.raises(OutputError, match="even width"):
        st_map(calibration, (100, 0))
    with pytest.raises(OutputError, match="ask for one eye"):
        st_map(calibration, (100, 50), source="eye")
    uneven = Rig(straight_rig().left, straight_rig((500, 300)).left, np.eye(3), np.eye(3))
    with pytest.raises(LensError, match="differ in size"):
        st_map(Calibration(uneven), (100, 50))
