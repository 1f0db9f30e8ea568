"""The pictures of a solve: what they show lies where it should, and files are whole or absent."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from autocal.errors import OutputError
from autocal.geometry import (
    ImageCircle,
    Rig,
    direction_of_longitude_latitude,
    matrix_from_yaw_pitch_roll,
    nominal_lens,
)
from autocal.matches import LEFT, RIGHT
from autocal.report.pictures import (
    FieldDisparity,
    anaglyph,
    anaglyph_sheet,
    cell_medians,
    disparity_picture,
    evenly_thinned,
    field_disparity,
    matches_picture,
    write_anaglyph_sheet,
    write_disparity_picture,
    write_matches_picture,
)

LENS = nominal_lens((512, 512), ImageCircle(255.5, 255.5, 250.0), fov_deg=190)
#: The right eye tilted up by 2 degrees: a healthy unit has less than 1 (common practice, no source).
TRUE_RIG = Rig(LENS, LENS, np.eye(3), matrix_from_yaw_pitch_roll(0.0, np.deg2rad(2.0), 0.0))
NOMINAL_RIG = Rig(LENS, LENS, np.eye(3), np.eye(3))
WHOLE = (slice(132, 132 + 1080), slice(48, 48 + 1080))


def pixels_of(figure: Figure) -> np.ndarray:
    """The figure as RGB, (H, W, 3) uint8."""
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    return np.asarray(canvas.buffer_rgba())[..., :3]


def half_with_star(eye: int, longitude_deg: float, latitude_deg: float) -> np.ndarray:
    """What an eye of the true rig records of one round star at infinity, (512, 512) uint8."""
    direction = direction_of_longitude_latitude(np.deg2rad(longitude_deg), np.deg2rad(latitude_deg))
    x, y = TRUE_RIG.pixels(eye, direction)
    rows, columns = np.mgrid[0:512, 0:512]
    star = 215 * np.exp(-((columns - x) ** 2 + (rows - y) ** 2) / (2 * 2.0**2))
    return (20 + star).astype(np.uint8)


def centre_of_light(channel: np.ndarray) -> np.ndarray:
    """Column and row of the brightest spot's centre of gravity."""
    light = np.where(channel > 100, channel, 0).astype(float)
    rows, columns = np.mgrid[0 : channel.shape[0], 0 : channel.shape[1]]
    return np.array([(columns * light).sum(), (rows * light).sum()]) / light.sum()


def whole_view(rig: Rig) -> np.ndarray:
    """The whole view of the sheet, below its label and without the outlines of the crops."""
    halves = [half_with_star(eye, 30.0, -20.0) for eye in (LEFT, RIGHT)]
    view = pixels_of(anaglyph_sheet(*halves, rig, title="t"))[WHOLE].copy()
    assert view.shape == (1080, 1080, 3)
    view[:60, :300] = 0
    return view[600:800, 620:820]


def test_red_is_the_left_eye_and_cyan_the_right() -> None:
    left, right = np.array([[0.0, 1.0]]), np.array([[1.0, 0.5]])
    assert anaglyph(left, right).tolist() == [[[0, 255, 255], [255, 128, 128]]]


def test_star_lies_where_the_half_equirectangular_view_has_it_and_both_eyes_agree() -> None:
    view = whole_view(TRUE_RIG)
    # Longitude 30, latitude -20 degrees at 6 px a degree, pixel centres; the window starts at (620, 600).
    expected = (np.array([30.0 + 90.0, 20.0 + 90.0]) * 6 - 0.5) - [620, 600]
    np.testing.assert_allclose(centre_of_light(view[..., 0]), expected, atol=0.3)
    np.testing.assert_allclose(centre_of_light(view[..., 1]), expected, atol=0.3)


def test_uncorrected_tilt_shows_as_red_above_cyan_by_that_many_degrees() -> None:
    view = whole_view(NOMINAL_RIG)
    red, cyan = centre_of_light(view[..., 0]), centre_of_light(view[..., 1])
    # An eye tilted up sees everything lower; 2 degrees times the cosine of longitude, at 6 px a degree.
    assert cyan[1] - red[1] == pytest.approx(2.0 * np.cos(np.deg2rad(30.0)) * 6, abs=0.5)


def test_crops_show_the_map_pixel_for_pixel() -> None:
    halves = [half_with_star(eye, 62.0, -3.0) for eye in (LEFT, RIGHT)]
    sheet = pixels_of(anaglyph_sheet(*halves, TRUE_RIG, title="t", map_height=4096))
    x, y = 48 + 1080 + 48 + 2 * (344 + 24), 132 + 344 + 24  # the crop around longitude 60, latitude 0
    crop = sheet[y : y + 344, x : x + 344].copy()
    crop[:60, :200] = 0  # its label
    expected = np.array([343 / 2, 343 / 2]) + np.array([2.0, 3.0]) * 4096 / 180
    np.testing.assert_allclose(centre_of_light(crop[..., 0]), expected, atol=0.5)


def test_large_frames_are_shrunk_without_moving() -> None:
    lens = LENS.scaled(6)
    rig = Rig(lens, lens, np.eye(3), np.eye(3))
    rows, columns = np.mgrid[0:3072, 0:3072]
    x, y = rig.pixels(LEFT, direction_of_longitude_latitude(np.deg2rad(30), np.deg2rad(-20)))
    half = (20 + 215 * np.exp(-((columns - x) ** 2 + (rows - y) ** 2) / (2 * 12.0**2))).astype(np.uint16)
    view = pixels_of(anaglyph_sheet(half, half, rig, title="t"))[WHOLE][600:800, 620:820]
    expected = (np.array([120.0, 110.0]) * 6 - 0.5) - [620, 600]
    np.testing.assert_allclose(centre_of_light(view[..., 0]), expected, atol=0.3)


def test_what_one_eye_alone_sees_stays_dark() -> None:
    bright = np.tile(np.array([100, 200], np.uint8), (512, 256))
    turned = Rig(LENS, LENS, np.eye(3), matrix_from_yaw_pitch_roll(np.deg2rad(30.0), 0.0, 0.0))
    view = pixels_of(anaglyph_sheet(bright, bright, turned, title="t"))[WHOLE]
    assert (view[540, :100] < 20).all()  # longitude -90 to -73: the right eye, turned right, sees none of it
    assert (view[540, 400:500].max(axis=0) > 100).all()


def test_disparity_of_a_tilted_eye_is_its_tilt_in_arcminutes() -> None:
    directions = direction_of_longitude_latitude(np.deg2rad([0.0, 0.0, 40.0]), np.deg2rad([0.0, 30.0, 0.0]))
    pixels = [TRUE_RIG.pixels(eye, directions) for eye in (LEFT, RIGHT)]
    corrected = field_disparity(TRUE_RIG, *pixels)
    np.testing.assert_allclose(corrected.vertical_arcmin, 0.0, atol=1e-6)
    np.testing.assert_allclose(corrected.directions, directions, atol=1e-9)
    uncorrected = field_disparity(NOMINAL_RIG, *pixels).vertical_arcmin
    # Tilt about x turns every epipolar plane by 2 degrees: times sqrt(1 - x^2) it is arc on the sphere.
    expected = -120.0 * np.array([1.0, 1.0, np.cos(np.deg2rad(40.0))])
    np.testing.assert_allclose(uncorrected, expected, rtol=1e-6)


def test_matches_outside_the_lens_are_left_out_of_the_field() -> None:
    inside, outside = [255.5, 255.5], [5000.0, 255.5]
    field = field_disparity(TRUE_RIG, np.array([inside, outside]), np.array([inside, inside]))
    assert len(field.vertical_arcmin) == 1


def test_cells_hold_the_median_of_their_matches_and_lone_matches_no_cell() -> None:
    # Four matches 42 degrees to the right and 2 up, one of them wild; a single one at the left.
    there = direction_of_longitude_latitude(np.deg2rad([42.0] * 4), np.deg2rad([2.0] * 4))
    alone = direction_of_longitude_latitude(np.deg2rad([-42.0]), np.deg2rad([0.0]))
    values = np.array([1.0, 2.0, 3.0, 500.0, 7.0])
    cells = cell_medians(FieldDisparity(np.concatenate([there, alone]), values))
    assert cells.shape == (38, 38)
    row, column = np.argwhere(np.isfinite(cells))[0]
    assert np.isfinite(cells).sum() == 1
    assert cells[row, column] == 2.5
    assert (column, row) == ((42 + 95) // 5, (2 + 95) // 5)


def test_zones_are_counted_by_the_angle_off_axis() -> None:
    directions = direction_of_longitude_latitude(np.deg2rad([0, 45, 0, 80]), np.deg2rad([10, 0, -50, 0]))
    field = FieldDisparity(directions, np.array([1.0, 2.0, 3.0, 4.0]))
    assert field.within(0, 30).tolist() == [1.0]
    assert field.within(30, 60).tolist() == [2.0, 3.0]
    assert field.within(60, 90).tolist() == [4.0]


def test_thinning_takes_from_the_crowd_and_keeps_the_lonely() -> None:
    rng = np.random.default_rng(5)
    crowd = rng.uniform(100, 110, (5000, 2))
    lonely = np.array([[0.0, 0.0], [500.0, 0.0], [0.0, 500.0], [500.0, 500.0]])
    rows = evenly_thinned(np.concatenate([crowd, lonely]), 100)
    assert len(rows) == len(set(rows.tolist())) == 100
    assert set(range(5000, 5004)) <= set(rows.tolist())
    assert evenly_thinned(lonely, 100).tolist() == [0, 1, 2, 3]


def test_rejected_matches_are_drawn_where_they_are() -> None:
    half = np.tile(np.array([90, 110], np.uint8), (512, 256))
    none, left_at, right_at = np.empty((0, 2)), np.array([[128.0, 384.0]]), np.array([[228.0, 384.0]])
    drawn = pixels_of(matches_picture(half, half, none, none, np.empty(0), left_at, right_at))
    plain = pixels_of(matches_picture(half, half, none, none, np.empty(0), none, none))
    panels = slice(176, 176 + 1060)
    rows, columns = np.nonzero((drawn[panels] != plain[panels]).any(axis=-1))
    left = columns < 48 + 1060
    for which, x, start in ((left, 128, 48), (~left, 228, 48 + 1060 + 16)):
        assert columns[which].mean() - start == pytest.approx((x + 0.5) / 512 * 1060, abs=1.0)
        assert rows[which].mean() == pytest.approx((384 + 0.5) / 512 * 1060, abs=1.0)


def test_disparity_panels_differ_only_as_their_data_do() -> None:
    rng = np.random.default_rng(6)
    directions = direction_of_longitude_latitude(rng.uniform(-1, 1, 3000), rng.uniform(-1, 1, 3000))
    large = FieldDisparity(directions, np.full(3000, 25.0))
    none = FieldDisparity(directions, np.full(3000, 0.2))
    picture = pixels_of(disparity_picture(large, none))
    before, after = (
        np.median(picture[400:700, x : x + 300].astype(int), axis=(0, 1)) for x in (300, 300 + 820 + 72)
    )
    assert before[0] - before[2] > 100  # 25 arcmin, lower in the left eye: orange
    assert np.ptp(after) < 12  # within an arcminute: white
    assert after.min() > 220


def write_all(folder: Path, overwrite: bool = False) -> None:
    half = half_with_star(LEFT, 10.0, 10.0)
    field = FieldDisparity(np.array([[0.0, 0.0, 1.0]]), np.array([3.0]))
    at = np.array([[100.0, 200.0]])
    write_anaglyph_sheet(folder / "after.png", half, half, TRUE_RIG, title="After", overwrite=overwrite)
    write_disparity_picture(folder / "disparity.png", field, field, overwrite=overwrite)
    write_matches_picture(
        folder / "matches.png", half, half, at, at, np.array([1.0]), at, at, overwrite=overwrite
    )


def test_pictures_are_readable_files_and_never_replaced_unasked(tmp_path: Path) -> None:
    import cv2

    write_all(tmp_path)
    names = sorted(path.name for path in tmp_path.iterdir())
    assert names == ["after.png", "disparity.png", "matches.png"]
    for name in names:
        picture = cv2.imread(str(tmp_path / name))
        assert picture is not None
        assert min(picture.shape[:2]) > 800
    first = {name: (tmp_path / name).read_bytes() for name in names}
    with pytest.raises(OutputError, match="exists already"):
        write_all(tmp_path)
    write_all(tmp_path, overwrite=True)
    assert {name: (tmp_path / name).read_bytes() for name in names} == first


def test_field_without_a_single_match_is_drawn_empty() -> None:
    empty = FieldDisparity(np.empty((0, 3)), np.empty(0))
    assert pixels_of(disparity_picture(empty, empty)).std() > 0
