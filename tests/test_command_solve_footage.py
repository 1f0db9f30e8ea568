"""`autocal solve` on footage as it comes: cut off, cut together, oddly timed, turned, stills, swapped."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from autocal.calibration import Calibration
from samples.clip import write_random_clip
from samples.measures import rotation_error_deg
from samples.motions import walk
from samples.rigs import random_rig
from tests.command_line import Luma, autocal, halves_of, write_halves
from tests.footage_clips import write_video

RIG = random_rig(np.random.default_rng(3), 512)
QUICK = ("--hold", "lenses", "--size", "128x64")
#: Lenses are held at a nominal shape that is not theirs: enough to tell right from wrong, no more.
ABOUT_DEG = 0.25

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def halves(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[Luma], list[Luma]]:
    """Both eyes' pictures of a short walk, 512 px an eye."""
    path = tmp_path_factory.mktemp("walk") / "walk.mp4"
    write_random_clip(path, RIG, walk(4), seed=11)
    return halves_of(path)


def frames_of(halves: tuple[list[Luma], list[Luma]]) -> list[Luma]:
    return [np.hstack(pair) for pair in zip(*halves, strict=True)]


def solved(out: Path, *arguments: str | Path) -> Calibration:
    """The calibration of a solve that is to succeed."""
    answer = autocal("solve", *arguments, *QUICK, "--out", out, "--quiet")
    assert answer.code == 0, answer.err
    return Calibration.load(out / "calibration.json")


def assert_about_right(calibration: Calibration) -> None:
    assert np.max(np.abs(rotation_error_deg(calibration.rig, RIG))) < ABOUT_DEG


def test_of_a_clip_that_was_cut_off_what_decodes_is_used(
    halves: tuple[list[Luma], list[Luma]], tmp_path: Path
) -> None:
    """Its index stands at the front, so that it says how much there should be."""
    how: dict[str, Any] = {"gop": 1, "options": {"crf": "12"}, "container_options": {"movflags": "faststart"}}
    clip = write_video(tmp_path / "cut-off.mp4", frames_of(halves), **how)
    whole = clip.read_bytes()
    clip.write_bytes(whole[: len(whole) * 5 // 8])
    calibration = solved(tmp_path / "out", clip)
    assert calibration.footage is not None
    assert len(calibration.footage.frames) == 2
    assert any("ends early: 2 of 4 frames" in note for note in calibration.footage.notes)
    assert_about_right(calibration)


def test_a_cut_to_another_scene_does_no_harm(halves: tuple[list[Luma], list[Luma]], tmp_path: Path) -> None:
    write_random_clip(tmp_path / "elsewhere.mp4", RIG, walk(3), seed=12)
    elsewhere = halves_of(tmp_path / "elsewhere.mp4")
    clip = write_halves(tmp_path / "cut.mp4", [*halves[0], *elsewhere[0]], [*halves[1], *elsewhere[1]])
    calibration = solved(tmp_path / "out", clip)
    assert calibration.footage is not None
    assert {index for index, _ in calibration.footage.frames} >= {0, 6}  # of both scenes
    assert_about_right(calibration)


def test_times_are_the_clips_own_where_its_rate_varies(
    halves: tuple[list[Luma], list[Luma]], tmp_path: Path
) -> None:
    stamps = [0, 40, 110, 300]  # ms
    clip = write_halves(tmp_path / "varying.mkv", *halves, stamps=stamps)
    calibration = solved(tmp_path / "out", clip)
    assert calibration.footage is not None
    for index, time_s in calibration.footage.frames:
        assert time_s == pytest.approx(stamps[index] / 1000)
    assert len(calibration.footage.frames) == 4


def test_footage_turned_by_its_metadata_is_solved_as_displayed(
    halves: tuple[list[Luma], list[Luma]], tmp_path: Path
) -> None:
    """Stored upside down, with a note to turn it: the same rig, and a sentence about it."""
    turned = [np.ascontiguousarray(frame[::-1, ::-1]) for frame in frames_of(halves)]
    clip = write_video(tmp_path / "turned.mp4", turned, options={"crf": "12"}, rotation=180)
    calibration = solved(tmp_path / "out", clip)
    assert calibration.footage is not None
    assert any("rotation metadata" in note for note in calibration.footage.notes)
    assert not calibration.swapped
    assert_about_right(calibration)


def test_stills_one_by_one_are_footage(halves: tuple[list[Luma], list[Luma]], tmp_path: Path) -> None:
    paths = [tmp_path / f"{name}.png" for name in ("quay", "wall", "steps")]
    for path, frame in zip(paths, frames_of(halves), strict=False):
        assert cv2.imwrite(str(path), frame)
    calibration = solved(tmp_path / "out", *paths)
    assert calibration.footage is not None
    assert [Path(name).name for name in calibration.footage.files] == [path.name for path in paths]
    assert_about_right(calibration)


def test_eyes_said_to_be_swapped_are_taken_so(halves: tuple[list[Luma], list[Luma]], tmp_path: Path) -> None:
    clip = write_halves(tmp_path / "crossed.mp4", halves[1], halves[0])
    calibration = solved(tmp_path / "out", clip, "--eyes", "right-left")
    assert calibration.swapped
    assert not any("eyes" in warning for warning in calibration.warnings)
    assert_about_right(calibration)


def test_eyes_said_wrongly_are_doubted(halves: tuple[list[Luma], list[Luma]], tmp_path: Path) -> None:
    clip = write_halves(tmp_path / "clip.mp4", *halves)
    calibration = solved(tmp_path / "out", clip, "--eyes", "right-left")
    assert any("--eyes left-right" in warning for warning in calibration.warnings)


def test_force_replaces_what_is_there_and_without_it_nothing_is_touched(
    halves: tuple[list[Luma], list[Luma]], tmp_path: Path
) -> None:
    clip = write_halves(tmp_path / "clip.mp4", *halves)
    out = tmp_path / "out"
    out.mkdir()
    for name in ("calibration.json", "stmap.exr", "own-notes.txt"):
        (out / name).write_text("old")
    refused = autocal("solve", clip, *QUICK, "--out", out)
    assert refused.code == 2
    assert "--force" in refused.err
    assert {path.read_text() for path in out.iterdir()} == {"old"}
    calibration = solved(out, clip, "--force")
    assert_about_right(calibration)
    assert (out / "stmap.exr").stat().st_size > 1000
    assert (out / "own-notes.txt").read_text() == "old"
