"""`autocal solve` on what it cannot use: which file, what is wrong, what to do; nothing left behind."""

from __future__ import annotations

import errno
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import cv2
import numpy as np
import pytest

from autocal.errors import OutputError
from autocal.whole_file import whole_file, whole_folder
from samples.clip import write_random_clip
from samples.motions import walk
from samples.rigs import random_rig
from tests.command_line import HEEDING, Answer, Luma, autocal, halves_of, write_halves
from tests.footage_clips import write_video

SIZE = ("--size", "512x256")


@pytest.fixture(scope="module")
def halves(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[Luma], list[Luma]]:
    """Two frames of a walk, 512 px an eye."""
    path = tmp_path_factory.mktemp("walk") / "walk.mp4"
    write_random_clip(path, random_rig(np.random.default_rng(3), 512), walk(12)[:2], seed=11, samples=1)
    return halves_of(path)


@pytest.fixture(scope="module")
def clip(halves: tuple[list[Luma], list[Luma]], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same as a clip."""
    return write_halves(tmp_path_factory.mktemp("clip") / "walk.mp4", *halves)


def refused(tmp_path: Path, *arguments: str | Path) -> str:
    """The message of a run that must be refused, after checking that it left nothing behind."""
    before = sorted(tmp_path.iterdir())
    out = tmp_path / "made" / "out"
    answer = autocal("solve", *SIZE, *arguments, "--out", out)
    assert answer.code == 2, answer
    assert answer.out == ""
    assert "Traceback" not in answer.err
    assert sorted(tmp_path.iterdir()) == before
    return answer.err


def test_no_such_file(tmp_path: Path) -> None:
    message = refused(tmp_path, tmp_path / "none.mp4")
    assert "none.mp4: no such file" in message


def test_not_a_video(tmp_path: Path) -> None:
    path = tmp_path / "notes.mp4"
    path.write_text("shot 3: the good one\n" * 99)
    assert "notes.mp4: cannot be opened as a video" in refused(tmp_path, path)


def test_a_recording_without_its_index(tmp_path: Path, clip: Path) -> None:
    path = tmp_path / "cut-off.mp4"
    path.write_bytes(clip.read_bytes()[: clip.stat().st_size // 2])
    message = refused(tmp_path, path)
    assert "cut-off.mp4" in message
    assert "repair it" in message


def test_a_flat_film(tmp_path: Path, halves: tuple[list[Luma], list[Luma]]) -> None:
    """16:9, one view across the whole frame."""
    flat = [cv2.resize(half[100:400, 60:450], (1024, 576)) for half in halves[0]]
    message = refused(tmp_path, write_video(tmp_path / "flat.mp4", flat))
    assert "flat.mp4: the two halves do not show the same scene" in message
    assert "flat 2D clip" in message


def test_the_same_picture_twice(tmp_path: Path, halves: tuple[list[Luma], list[Luma]]) -> None:
    message = refused(tmp_path, write_halves(tmp_path / "mono.mp4", halves[0], halves[0]))
    assert "mono.mp4: both halves show the same picture" in message


@pytest.mark.parametrize(("level", "word"), [(16, "black"), (240, "white"), (120, "without texture")])
def test_frames_that_show_nothing(tmp_path: Path, level: int, word: str) -> None:
    path = write_video(tmp_path / "blank.mp4", [np.full((256, 512), level, np.uint8)] * 3)
    message = refused(tmp_path, path)
    assert f"blank.mp4: every frame looked at is {word}" in message
    assert "lens caps" in message


@pytest.mark.parametrize(
    ("turn", "words"),
    [
        (np.s_[:, ::-1], ("mirrored left to right", "flip it horizontally")),
        (np.s_[::-1, :], ("mirrored top to bottom", "flip it vertically")),
        (np.s_[::-1, ::-1], ("upside down", "Turn that half upright")),
    ],
)
def test_an_eye_turned_or_mirrored(
    tmp_path: Path,
    halves: tuple[list[Luma], list[Luma]],
    turn: tuple[slice, slice],
    words: tuple[str, str],
) -> None:
    path = write_halves(tmp_path / "turned.mp4", halves[0], [half[turn] for half in halves[1]])
    message = refused(tmp_path, path)
    assert message.strip().splitlines()[-1].startswith("autocal: ")
    assert "turned.mp4: " in message
    assert all(word in message for word in words)


def test_halves_of_unequal_size(tmp_path: Path, halves: tuple[list[Luma], list[Luma]]) -> None:
    path = tmp_path / "odd.png"
    cv2.imwrite(str(path), np.hstack([halves[0][0], halves[1][0][:, :-1]]))
    message = refused(tmp_path, path)
    assert "odd.png: is 1023 px wide" in message
    assert "--left and --right" in message


def test_left_and_right_of_different_length(tmp_path: Path, halves: tuple[list[Luma], list[Luma]]) -> None:
    left = write_video(tmp_path / "l.mp4", [np.ascontiguousarray(half) for half in halves[0]])
    right = write_video(tmp_path / "r.mp4", [np.ascontiguousarray(halves[1][0])])
    message = refused(tmp_path, "--left", left, "--right", right)
    assert "r.mp4: is 1 frames long" in message
    assert "l.mp4 is 2" in message


def test_left_and_right_of_different_size(tmp_path: Path, halves: tuple[list[Luma], list[Luma]]) -> None:
    left = write_video(tmp_path / "l.mp4", [np.ascontiguousarray(half) for half in halves[0]])
    right = write_video(tmp_path / "r.mp4", [cv2.resize(half, (256, 256)) for half in halves[1]])
    message = refused(tmp_path, "--left", left, "--right", right)
    assert "r.mp4: is 256x256 px, but" in message


def test_left_alone(tmp_path: Path, clip: Path) -> None:
    assert "--left and --right go together" in refused(tmp_path, "--left", clip)


def test_a_clip_and_left_and_right(tmp_path: Path, clip: Path) -> None:
    assert "not both" in refused(tmp_path, clip, "--left", clip, "--right", clip)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--fov", "400"), "a field of view of 400 degrees is no fisheye lens: expected 20 to 230"),
        (("--fov", "-10"), "-10 degrees is no fisheye lens"),
        (("--fov", "nan"), "no fisheye lens"),
        (("--fov", "190", "--projection", "orthographic"), "cannot see past 180 degrees"),
        (("--fov", "180", "--focal-mm", "5", "--pixel-um", "4"), "give only one"),
        (("--focal-mm", "5"), "--focal-mm needs --pixel-um"),
        (("--focal-mm", "-5", "--pixel-um", "4"), "--focal-mm -5 is no length"),
        (("--focal-mm", "5000", "--pixel-um", "4"), "check both"),
        (("--baseline-mm", "0"), "--baseline-mm"),
        (("--far", "near"), "neither auto, infinity nor a number"),
        (("--far", "99"), "no far plane"),
        (("--far", "nan"), "no far plane"),
        (("--frames", "0"), "--frames"),
        (("--size", "513x256"), "even width"),
        (("--size", "big"), "8192x4096"),
    ],
)
def test_options_that_cannot_be(tmp_path: Path, clip: Path, options: tuple[str, ...], words: str) -> None:
    """Refused before the long work begins: no bar of matches is drawn."""
    message = refused(tmp_path, clip, *options)
    assert words in message
    assert "matches" not in message


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("{ not json", "Invalid JSON"),
        ('{"format": "something else"}', "expected 'autocal calibration'"),
        ("[1, 2]", "is not a calibration.json"),
    ],
)
def test_a_start_that_is_damaged_or_foreign(tmp_path: Path, clip: Path, content: str, words: str) -> None:
    start = tmp_path / "calibration.json"
    start.write_text(content)
    message = refused(tmp_path, clip, "--start", start)
    assert "calibration.json" in message
    assert words in message


def test_a_folder_that_is_there_is_left_alone(tmp_path: Path, clip: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "calibration.json").write_text("mine")
    answer = autocal("solve", clip, "--out", out)
    assert answer.code == 2
    assert "exists already" in answer.err
    assert "--force" in answer.err
    assert [path.name for path in out.iterdir()] == ["calibration.json"]
    assert (out / "calibration.json").read_text() == "mine"
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_a_file_where_the_folder_should_be(tmp_path: Path, clip: Path) -> None:
    out = tmp_path / "out"
    out.write_text("mine")
    answer: Answer = autocal("solve", clip, "--out", out, "--force")
    assert answer.code == 2
    assert "is a file, not a folder" in answer.err
    assert out.read_text() == "mine"


def test_a_place_that_cannot_be_written(clip: Path) -> None:
    """/proc takes no folders, not even from root."""
    answer = autocal("solve", clip, "--out", "/proc/calibrated")
    assert answer.code == 2
    assert "/proc/calibrated cannot be written" in answer.err
    assert "choose another place" in answer.err


def test_ctrl_c_leaves_nothing_behind(tmp_path: Path, clip: Path) -> None:
    """Sent in the middle of the work, when the hidden folder for the results is there."""
    shutil.copy(clip, tmp_path / "walk.mp4")
    work = subprocess.Popen(
        [sys.executable, "-c", HEEDING, "solve", "walk.mp4", "--out", "new/out"],
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    deadline = time.monotonic() + 60
    while not list(tmp_path.glob("new/.out-*")) and time.monotonic() < deadline:
        time.sleep(0.02)
    assert list(tmp_path.glob("new/.out-*"))
    time.sleep(1.0)
    assert work.poll() is None
    work.send_signal(signal.SIGINT)
    out, err = work.communicate(timeout=60)
    assert work.returncode == 130
    assert out == ""
    assert "stopped" in err
    assert "Traceback" not in err
    assert [path.name for path in tmp_path.iterdir()] == ["walk.mp4"]


def test_a_file_that_cannot_be_written_is_called_by_the_name_it_was_to_have(tmp_path: Path) -> None:
    """Not by that of the hidden folder which holds the files until all are there."""
    out = tmp_path / "calibrated"
    with (
        pytest.raises(OutputError, match=f"^{re.escape(str(out / 'after.png'))} could not be written"),
        whole_folder(out) as folder,
        whole_file(folder / "after.png"),
    ):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    assert list(tmp_path.iterdir()) == []
