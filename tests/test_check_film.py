"""A finished film checked by itself: exact truth in, the same truth out; what is no such film is refused."""

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from autocal.calibration import Calibration
from autocal.errors import FootageError
from autocal.footage import Picture
from autocal.geometry import Rig
from autocal.geometry.lens import Array
from autocal.geometry.rotation import rotation_about
from autocal.render.anaglyph import ANAGLYPH_MARK
from autocal.render.remap import remap_plane
from autocal.tagging import Equirect, SpatialTags, tag_file
from autocal.verify.check import check_pairs
from autocal.verify.check_result import CheckResult
from autocal.verify.film import film_calibration, film_lens, open_film, view_plan
from samples.truth import load_truth
from tests.check_takes import HARBOUR, knocked, take
from tests.check_takes import true_calibration as nearest_calibration
from tests.command_line import autocal
from tests.footage_clips import scene, write_video
from tests.simulation import SIZE

_KEYS_OF_A_CHECK = {
    "verdict", "summary", "remaining_rotation_deg", "sigma_deg", "vertical_disparity_arcmin", "matches",
    "drifted_axes", "windows", "comfort", "far_plane", "assumed", "warnings",
}  # fmt: skip


def _rendered(folder: Path, calibration: Calibration, *more: str) -> Path:
    """The sample's first 0.4 s as a small film."""
    calibration.save(folder / "calibration.json")
    film = folder / "film.mp4"
    quick = ("--size", "2048x1024", "--to", "0.4", "--quality", "14", "--preset", "ultrafast", "--quiet")
    answer = autocal("render", folder / "calibration.json", HARBOUR, "-o", film, *quick, *more)
    assert answer.code == 0, answer.err
    return film


@pytest.fixture(scope="module")
def true_calibration() -> Calibration:
    """The sample's true calibration."""
    return nearest_calibration(load_truth(HARBOUR.with_suffix(".json")))


@pytest.fixture(scope="module")
def right_film(tmp_path_factory: pytest.TempPathFactory, true_calibration: Calibration) -> Path:
    """The sample rendered with its true calibration."""
    return _rendered(tmp_path_factory.mktemp("right"), true_calibration)


def test_a_film_made_with_the_true_calibration_holds(right_film: Path) -> None:
    answer = autocal("check", "--rendered", right_film, "--windows", "2", "--json")
    document = json.loads(answer.out)
    assert (document["verdict"], answer.code) == ("holds", 0)
    assert all(abs(v) < 0.01 for v in document["remaining_rotation_deg"].values())
    assert document["vertical_disparity_arcmin"]["median_absolute"] < 1.0
    assert document["comfort"]["grade"] == "excellent"
    assert abs(document["far_plane"]["edge_arcmin"]) < 2.0
    assert document.keys() >= _KEYS_OF_A_CHECK


def test_a_film_made_with_a_wrong_pitch_has_drifted_by_that_pitch(
    tmp_path: Path, true_calibration: Calibration
) -> None:
    # The calibration has the right eye 0.2 degrees lower than it is: the film's right eye looks too high.
    wrong = replace(true_calibration, rig=knocked(true_calibration.rig, (0.0, -0.2, 0.0)))
    film = _rendered(tmp_path, wrong)
    report = tmp_path / "report"
    answer = autocal("check", "--rendered", film, "--windows", "2", "--json", "--report", report)
    document = json.loads(answer.out)
    assert (document["verdict"], answer.code) == ("drifted", 1)
    assert document["drifted_axes"] == ["pitch"]
    assert document["remaining_rotation_deg"]["pitch"] == pytest.approx(0.2, abs=0.005)
    page = (report / "report.html").read_text()
    assert "Do the two eyes of film.mp4 agree?" in page
    assert "Baseline" not in page  # of a film alone it is not known


# ---- yaw and convergence


def _seen_at(distances_m: Sequence[float], rig: Rig) -> CheckResult:
    """The check of films by `rig` of points no nearer and no further than that."""
    rng = np.random.default_rng(0)
    seen = take(rng, [rig] * 2, points=3000, noise_px=0.2, distances_m=distances_m)
    return check_pairs(film_calibration(SIZE[0]), seen, rendered=True)


def test_views_turned_so_that_the_furthest_content_is_at_zero_are_no_drift() -> None:
    film = film_calibration(SIZE[0]).rig
    # Content ends 40 m away, where 60 mm between the eyes are 5'.
    shift = 2 * np.arctan(0.03 / 40.0)
    # A direction of the left view lies, in the rig frame, half of the shift further to the right.
    half = rotation_about("y", shift / 2)
    views = replace(film, R_left=half.T @ film.R_left, R_right=half @ film.R_right)
    result = _seen_at((1.0, 40.0), views)
    assert result.rotation_deg[0] == pytest.approx(-np.rad2deg(shift), abs=0.005)
    assert result.far.edge_arcmin == pytest.approx(0.0, abs=2.0)
    assert result.verdict == "holds"
    assert any("convergence" in note for note in result.notes)


def test_a_yaw_that_sends_the_furthest_content_beyond_zero_is_drift() -> None:
    film = film_calibration(SIZE[0]).rig
    result = _seen_at((1.0, 1e6), knocked(film, (-0.2, 0.0, 0.0)))
    assert (result.verdict, result.drifted_axes) == ("drifted", ("yaw",))
    assert result.rotation_deg[0] == pytest.approx(-0.2, abs=4 * result.sigma_deg[0])
    assert result.far.edge_arcmin == pytest.approx(-12.0, abs=2.0)


# ---- the lens a film is seen through


def test_a_view_is_seen_where_the_half_equirectangular_formula_says() -> None:
    """A pattern painted on the sphere, by the equirectangular formula, is what r = f theta sees of it."""
    side = 512

    def pattern(d: Array) -> Array:
        return 120 + 50 * np.sin(25 * d[..., 0]) + 50 * np.sin(25 * d[..., 1])

    # Longitude and latitude run evenly from -90 to +90 degrees; pixel centres sit half a pixel inside.
    angle = ((np.arange(side) + 0.5) / side - 0.5) * np.pi
    lon, lat = np.meshgrid(angle, -angle)
    view = pattern(np.stack([np.cos(lat) * np.sin(lon), -np.sin(lat), np.cos(lat) * np.cos(lon)], axis=-1))
    seen = np.empty((side, side), np.float32)
    remap_plane(view.astype(np.float32), view_plan(side), seen, bits=16)
    # Equidistant: as many degrees off axis as pixels from the middle, 90 at the edge.
    x, y = np.meshgrid(angle, angle)
    theta = np.hypot(x, y)
    towards = np.stack([x, y], axis=-1) / theta[..., None]
    ray = np.concatenate([np.sin(theta)[..., None] * towards, np.cos(theta)[..., None]], axis=-1)
    # The last degrees before the poles are smeared along the stretched rows they come from.
    inner = theta < np.deg2rad(80)
    # Where the pattern is steepest, it changes by 7.7 over a pixel.
    assert np.abs(seen - pattern(ray))[inner].max() < 0.02 * 7.7
    assert np.all(seen[theta > np.pi / 2] == 0)
    assert film_lens(side).unproject(np.array([300.0, 100.0])) == pytest.approx(ray[100, 300], abs=1e-9)


def test_deep_pictures_are_seen_in_their_own_depth(tmp_path: Path) -> None:
    frames = [_square_views(seed).astype(np.uint16) << 2 for seed in range(2)]
    film = write_video(tmp_path / "film.mkv", frames, "ffv1", "yuv420p10le")
    with open_film(film) as footage:
        assert footage.half_size == (128, 128)
        halves = next(next(footage.bursts(footage.choose(2, burst=1)))).halves
        shown = footage.picture(0, 1)
    assert {half.dtype for half in halves} == {np.dtype(np.uint16)}
    assert {half.dtype for half in shown} == {np.dtype(np.uint16)}
    assert shown[0].shape == (128, 128)
    assert shown[0][0, 0] == 0
    assert halves[0][0, 0] == 0  # a corner lies beyond 90 degrees


# ---- what is no such film


def _square_views(seed: int = 0) -> Picture:
    """Two views, lit to the corners."""
    rng = np.random.default_rng(seed)
    texture = cv2.GaussianBlur(rng.normal(size=(128, 160)).astype(np.float32), (0, 0), 1.2)
    texture = np.clip(120 + 40 * texture / texture.std(), 20, 235).astype(np.uint8)
    return np.hstack([texture[:, :128], texture[:, 5:133]])


def test_an_anaglyph_copy_is_refused_by_name_and_by_shape(
    tmp_path: Path, true_calibration: Calibration
) -> None:
    true_calibration.save(tmp_path / "calibration.json")
    quick = ("--size", "512x256", "--to", "0.1", "--quality", "30", "--preset", "ultrafast", "--quiet")
    autocal(
        "render", tmp_path / "calibration.json", HARBOUR, "-o", tmp_path / "film.mp4", "--anaglyph", *quick
    )
    made = tmp_path / f"film{ANAGLYPH_MARK}.mp4"
    answer = autocal("check", "--rendered", made)
    assert answer.code == 2
    assert "anaglyph check copy" in answer.err
    renamed = made.rename(tmp_path / "renamed.mp4")
    answer = autocal("check", "--rendered", renamed)
    assert answer.code == 2
    assert "256x256" in answer.err
    assert "twice as wide as high" in answer.err


def test_footage_in_fisheye_circles_is_refused_with_the_right_command(tmp_path: Path) -> None:
    for clip in (HARBOUR, write_video(tmp_path / "discs.mp4", [scene(seed) for seed in range(3)])):
        answer = autocal("check", "--rendered", clip)
        assert answer.code == 2
        assert "fisheye circles" in answer.err
        assert "autocal check CAL CLIP" in answer.err


@pytest.mark.parametrize("rim_deg", [75, 80, 85, 89])
def test_lenses_of_less_than_180_degrees_leave_no_circle_in_a_film(tmp_path: Path, rim_deg: int) -> None:
    side = 512
    angles = (np.arange(side) + 0.5) / side * np.pi - np.pi / 2
    off_axis = np.arccos(np.cos(angles[:, None]) * np.cos(angles[None, :]))
    lit = np.tile(off_axis < np.deg2rad(rim_deg), 2)
    views = [cv2.resize(_square_views(s), (2 * side, side), interpolation=cv2.INTER_CUBIC) for s in range(2)]
    film = write_video(tmp_path / "film.mp4", [np.where(lit, view, 16).astype(np.uint8) for view in views])
    with open_film(film) as footage:
        assert footage.frame_count == 2


def test_a_film_with_the_same_picture_for_both_eyes_is_refused(tmp_path: Path) -> None:
    left = _square_views()[:, :128]
    film = write_video(tmp_path / "mono.mp4", [np.hstack([left, left])] * 3)
    answer = autocal("check", "--rendered", film)
    assert answer.code == 2
    assert "same picture" in answer.err


@pytest.mark.parametrize(("width", "height"), [(256, 144), (256, 256), (384, 128)])
def test_a_frame_whose_halves_are_not_square_is_refused(tmp_path: Path, width: int, height: int) -> None:
    frames = [np.full((height, width), 100, np.uint8)] * 2
    answer = autocal("check", "--rendered", write_video(tmp_path / "film.mp4", frames))
    assert answer.code == 2
    assert f"{width}x{height}" in answer.err


@pytest.mark.parametrize(
    "tags",
    [
        SpatialTags("mono", "equirectangular", Equirect()),
        SpatialTags("left-right", "equirectangular", Equirect()),
    ],
)
def test_a_film_tagged_as_of_another_kind_is_refused(tmp_path: Path, tags: SpatialTags) -> None:
    film = write_video(tmp_path / "film.mp4", [_square_views(s) for s in range(2)])
    tag_file(film, tags)
    with pytest.raises(FootageError, match="tagged as another kind"):
        open_film(film)


def test_numbered_pictures_of_a_film_are_a_film(tmp_path: Path) -> None:
    for number in range(3):
        cv2.imwrite(str(tmp_path / f"film_{number:04d}.png"), _square_views(number))
    with open_film(tmp_path / "film_%04d.png") as footage:
        assert footage.frame_count == 3


def test_a_missing_film_and_a_broken_one_are_errors_that_name_it(tmp_path: Path) -> None:
    (tmp_path / "broken.mp4").write_bytes(b"no film" * 100)
    for name in ("nowhere.mp4", "broken.mp4"):
        answer = autocal("check", "--rendered", tmp_path / name)
        assert answer.code == 2
        assert name in answer.err
        assert "Traceback" not in answer.err


def test_a_film_needs_no_calibration_and_footage_does(tmp_path: Path) -> None:
    for arguments in (("--rendered", "film.mp4", "calibration.json"), ("calibration.json",), ()):
        answer = autocal("check", *arguments)
        assert answer.code == 2
        assert "--rendered FILM" in answer.err
