"""`autocal solve` and `autocal stmap` where they succeed: what is written, what is said, what is right."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from autocal.calibration import Calibration
from samples.clip import write_random_clip
from samples.measures import errors, rotation_error_deg
from samples.motions import walk
from samples.rigs import random_rig
from samples.truth import Truth
from tests.command_line import Answer, Luma, autocal, halves_of, write_halves
from tests.footage_clips import write_video

SIZE = ("--size", "512x256")
RIG = random_rig(np.random.default_rng(3), 512)
POSES = walk(6)
WRITTEN = {"calibration.json", "stmap.exr", "before.png", "after.png", "matches.png", "disparity.png"}


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder for the clips and calibrations that the tests share."""
    return tmp_path_factory.mktemp("solve")


@pytest.fixture(scope="module")
def clip(place: Path) -> Path:
    """Six frames of a walk, 512 px an eye."""
    write_random_clip(place / "walk.mp4", RIG, POSES, seed=11)
    return place / "walk.mp4"


@pytest.fixture(scope="module")
def halves(clip: Path) -> tuple[list[Luma], list[Luma]]:
    """Its halves."""
    return halves_of(clip)


@pytest.fixture(scope="module")
def answer(clip: Path, place: Path) -> Answer:
    """The plain solve, for machines."""
    return autocal("solve", clip, "--out", place / "plain", "--json", "--unit", "bench 7", *SIZE)


@pytest.fixture(scope="module")
def plain(answer: Answer, place: Path) -> Calibration:
    """What the plain solve found."""
    assert answer.code == 0, answer.err
    return Calibration.load(place / "plain" / "calibration.json")


@pytest.mark.slow
def test_solve_writes_everything_and_json_is_one_object(
    plain: Calibration, answer: Answer, place: Path
) -> None:
    assert {path.name for path in (place / "plain").iterdir()} == WRITTEN
    said = json.loads(answer.out)
    assert answer.err == ""
    yaw, pitch, roll = plain.rig.yaw_pitch_roll_deg
    assert said["relative_rotation_deg"] == pytest.approx({"yaw": yaw, "pitch": pitch, "roll": roll})
    assert plain.unit == "bench 7"
    assert plain.footage is not None
    assert plain.footage.frame_size == (1024, 512)
    assert any("60 mm" in words for words in said["assumed"])


def test_solve_finds_the_truth(plain: Calibration) -> None:
    """A third of the resolution the accuracy is promised at, so three times the angle."""
    found = errors(plain.rig, RIG)
    assert np.max(np.abs(found.yaw_pitch_roll_deg)) < 0.03
    assert found.map_rms_deg < 0.09
    assert found.vertical_far_rms_arcmin < 1.5
    assert not plain.swapped


@pytest.mark.slow
def test_swapped_eyes_are_found_and_set_right(
    plain: Calibration, halves: tuple[list[Luma], list[Luma]], place: Path
) -> None:
    """The calibration is the same rig's, and its map looks for the left eye in the right half."""
    path = write_halves(place / "swapped.mp4", halves[1], halves[0])
    answer = autocal("solve", path, "--out", place / "swapped", *SIZE)
    assert answer.code == 0, answer.err
    assert "the eyes are swapped in the footage" in answer.out
    swapped = Calibration.load(place / "swapped" / "calibration.json")
    assert swapped.swapped
    assert np.max(np.abs(rotation_error_deg(swapped.rig, RIG))) < 0.03
    assert swapped.rig.left.focal_px == pytest.approx(plain.rig.left.focal_px, rel=1e-3)
    # Where the left eye's view shows a direction, it takes it from that eye's half: the second one.
    u, v = np.moveaxis(_map(place / "swapped" / "stmap.exr").astype(np.float64), 2, 0)
    middle = 128, 128
    pixel = u[middle] * 1024 - 0.5 - 512, (1 - v[middle]) * 512 - 0.5
    angle = np.deg2rad(180 / 256) / 2  # of the pixel's centre to the right of forward and below it
    forward = [np.sin(angle) * np.cos(angle), np.sin(angle), np.cos(angle) ** 2]
    assert swapped.view_rig.pixels(0, forward) == pytest.approx(pixel, abs=0.01)
    assert RIG.directions(0, np.array([pixel]))[0] == pytest.approx(forward, abs=np.deg2rad(0.5))
    for name in ("before.png", "after.png"):  # what is red in one is red in the other
        of_swapped, of_plain = (cv2.imread(str(place / out / name)) for out in ("swapped", "plain"))
        red, cyan = (np.corrcoef(of_swapped[..., 2].ravel(), of_plain[..., c].ravel())[0, 1] for c in (2, 0))
        assert red > 0.98 > cyan, name


@pytest.mark.slow
def test_after_a_knock_only_the_rotation_is_new(plain: Calibration, place: Path) -> None:
    """The same lenses with the right eye turned by 0.3, -0.2, 0.4 degrees more."""
    turn = Rotation.from_euler("YXZ", [0.3, -0.2, 0.4], degrees=True).as_matrix()
    right = replace(RIG.right, R_eye_from_rig=turn @ RIG.right.R_eye_from_rig)
    knocked: Truth = replace(RIG, right=right)
    write_random_clip(place / "knocked.mp4", knocked, POSES[:3], seed=12)
    answer = autocal(
        "solve",
        place / "knocked.mp4",
        "--start",
        place / "plain" / "calibration.json",
        *("--hold", "lenses", "--out", place / "corrected", *SIZE, "--quiet"),
    )
    assert answer == Answer(0, "", "")
    corrected = Calibration.load(place / "corrected" / "calibration.json")
    assert np.max(np.abs(rotation_error_deg(corrected.rig, knocked))) < 0.03
    for eye in (0, 1):
        assert corrected.rig.lens(eye).focal_px == pytest.approx(plain.rig.lens(eye).focal_px, rel=1e-9)
        assert corrected.rig.lens(eye).k == pytest.approx(plain.rig.lens(eye).k)
    assert not set(corrected.solved) & {"focal", "k1", "centre_x"}
    assert any("held as asked" in held.reason for held in corrected.held)


@pytest.mark.slow
def test_one_frame_works_and_says_what_that_means(halves: tuple[list[Luma], list[Luma]], place: Path) -> None:
    path = write_halves(place / "one.mp4", halves[0][:1], halves[1][:1])
    answer = autocal("solve", path, "--out", place / "one", "--hold", "lenses", *SIZE)
    assert answer.code == 0, answer.err
    assert "one frame only" in answer.out
    assert "holding nominal lenses" in answer.err


@pytest.mark.slow
def test_two_files_give_what_one_gives_and_so_does_the_same_seed(
    halves: tuple[list[Luma], list[Luma]], place: Path
) -> None:
    """Lossless, so that both ways show the same pictures; in the answer only names and times differ."""
    how = {"codec": "ffv1", "pix_fmt": "gray"}
    left, right = ([np.ascontiguousarray(half) for half in eye[:3]] for eye in halves)
    write_video(place / "l.mkv", left, **how)
    write_video(place / "r.mkv", right, **how)
    frames = [np.hstack(pair) for pair in zip(left, right, strict=True)]
    write_video(place / "both.mkv", frames, **how)
    common = ("--hold", "lenses", "--eyes", "left-right", "--seed", "5", "--far", "infinity", "--json", *SIZE)
    told = []
    for name, source in (
        ("two", ("--left", place / "l.mkv", "--right", place / "r.mkv")),
        ("joined", (place / "both.mkv",)),
    ):
        answer = autocal("solve", *source, *common, "--out", place / name)
        assert answer.code == 0, answer.err
        told.append({key: value for key, value in json.loads(answer.out).items() if key != "out"})
    assert told[0] == told[1]
    assert told[0]["far_plane"]["shift_deg"] == 0.0


@pytest.mark.parametrize(("eye", "width"), [("both", 256), ("left", 128), ("right", 128)])
def test_stmap_bakes_again(plain: Calibration, place: Path, tmp_path: Path, eye: str, width: int) -> None:
    out = tmp_path / "map.exr"
    calibration = place / "plain" / "calibration.json"
    answer = autocal("stmap", calibration, "--out", out, "--size", "256x128", "--eye", eye)
    assert answer.code == 0, answer.err
    assert _map(out).shape[:2] == (128, width)
    assert f"map.exr: {width}x128" in answer.out
    again = autocal("stmap", calibration, "--out", out)
    assert again.code == 2
    assert "exists already" in again.err


def test_stmap_v_from_the_top_is_one_minus_v_from_the_bottom(
    plain: Calibration, place: Path, tmp_path: Path
) -> None:
    """As defined: v = (y + 0.5) / height from the top, and 1 minus that from the bottom."""
    maps = []
    for origin in ("bottom", "top"):
        out = tmp_path / f"{origin}.exr"
        arguments = ("--out", out, "--size", "256x128", "--v-origin", origin)
        assert autocal("stmap", place / "plain" / "calibration.json", *arguments).code == 0
        maps.append(_map(out))
    shown = maps[0][..., 0] > 0
    assert maps[0][..., 1][shown] == pytest.approx(1 - maps[1][..., 1][shown], abs=1e-6)


def _map(path: Path) -> np.ndarray:
    """u, v (h, w, 2) of an ST map, read by a library that did not write it."""
    import OpenImageIO as oiio

    return np.asarray(oiio.ImageBuf(str(path)).get_pixels(oiio.FLOAT))[..., :2]
