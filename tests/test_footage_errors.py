"""Footage that cannot be used: which file, what is wrong, what to do."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest

from autocal.errors import FootageError
from autocal.footage import open_footage
from autocal.footage.glimpse import blankness, texture_of_strip
from tests.footage_clips import HALF, numbered, scene, write_video


def refusal(action: Callable[[], object]) -> str:
    """The message of the FootageError that `action` raises."""
    with pytest.raises(FootageError) as caught:
        action()
    return str(caught.value)


def chosen(clip: Path) -> object:
    with open_footage([clip]) as footage:
        return footage.choose(6)


def flat_clip(path: Path, luma: np.ndarray) -> Path:
    return write_video(path, [luma] * 6)


def test_no_such_file(tmp_path: Path) -> None:
    message = refusal(lambda: open_footage([tmp_path / "none.mp4"]))
    assert "none.mp4" in message
    assert "no such file" in message


def test_nothing_given() -> None:
    assert "no footage" in refusal(lambda: open_footage([]))


@pytest.mark.parametrize("name", ["text.mp4", "text.jpg", "text.exr", "text.tif"])
def test_a_file_of_another_kind(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    path.write_text("no picture at all\n" * 50)
    message = refusal(lambda: open_footage([path]))
    assert name in message
    assert "cannot be" in message


def test_an_empty_file(tmp_path: Path) -> None:
    path = tmp_path / "empty.mp4"
    path.touch()
    message = refusal(lambda: open_footage([path]))
    assert "empty.mp4" in message
    assert "empty" in message


def test_sound_without_pictures(tmp_path: Path) -> None:
    import av

    path = tmp_path / "sound.wav"
    with av.open(str(path), "w") as out:
        stream = out.add_stream("pcm_s16le", rate=8000)
        sound = av.AudioFrame.from_ndarray(np.zeros((1, 800), np.int16), format="s16", layout="mono")
        sound.sample_rate = 8000
        out.mux(stream.encode(sound))
    assert "no video stream" in refusal(lambda: open_footage([path]))


def test_a_video_without_its_index(tmp_path: Path) -> None:
    """A recording cut off before its index was written, as after a power loss."""
    whole = write_video(tmp_path / "whole.mp4", [numbered(i) for i in range(20)])
    path = tmp_path / "lost.mp4"
    path.write_bytes(whole.read_bytes()[: whole.stat().st_size // 2])
    message = refusal(lambda: open_footage([path]))
    assert "lost.mp4" in message
    assert "index" in message


def test_a_damaged_still(tmp_path: Path) -> None:
    path = tmp_path / "hurt.png"
    cv2.imwrite(str(path), scene())
    path.write_bytes(path.read_bytes()[:3000])
    assert "hurt.png" in refusal(lambda: chosen(path))


def test_halves_of_unequal_size(tmp_path: Path) -> None:
    path = tmp_path / "odd.png"
    cv2.imwrite(str(path), scene()[:, :-1])
    message = refusal(lambda: open_footage([path]))
    assert "odd.png" in message
    assert "255" in message
    assert "--left" in message


@pytest.mark.parametrize("size", [(128, 128), (512, 128)])
def test_a_picture_that_cannot_be_two(tmp_path: Path, size: tuple[int, int]) -> None:
    path = flat_clip(tmp_path / "flat.mp4", np.full((size[1], size[0]), 99, np.uint8))
    message = refusal(lambda: open_footage([path]))
    assert f"{size[0]}x{size[1]}" in message
    assert "side by side" in message


def test_stills_of_different_sizes(tmp_path: Path) -> None:
    paths = [tmp_path / "a.png", tmp_path / "b.png"]
    for path, size in zip(paths, (128, 64), strict=True):
        cv2.imwrite(str(path), scene(size=size))
    message = refusal(lambda: open_footage(paths))
    assert "b.png" in message
    assert "128x64" in message


def test_clips_of_different_sizes(tmp_path: Path) -> None:
    paths = [write_video(tmp_path / f"{size}.mp4", [scene(size=size)] * 3) for size in (128, 64)]
    message = refusal(lambda: open_footage(paths))
    assert "64.mp4" in message
    assert "64x64" in message


@pytest.mark.parametrize(
    ("count", "size", "step_ms", "expected"),
    [(5, HALF, 40, "frames long"), (6, 96, 40, "px"), (6, HALF, 20, "frames a second")],
)
def test_left_and_right_that_differ(
    tmp_path: Path, count: int, size: int, step_ms: int, expected: str
) -> None:
    """In length, in size, in rate."""
    left = write_video(tmp_path / "l.mp4", [scene()[:, :HALF].copy()] * 6)
    stamps = [step_ms * i for i in range(count)]
    right = write_video(tmp_path / "r.mp4", [scene(size=size)[:, :size].copy()] * count, stamps=stamps)
    message = refusal(lambda: open_footage([], left=left, right=right))
    assert "r.mp4" in message
    assert expected in message


def test_left_without_right(tmp_path: Path) -> None:
    assert "together" in refusal(lambda: open_footage([], left=tmp_path / "l.mp4"))


@pytest.mark.parametrize(("level", "word"), [(16, "black"), (250, "white"), (120, "without texture")])
def test_frames_that_show_nothing(tmp_path: Path, level: int, word: str) -> None:
    """With the noise of a real sensor on top."""
    noise = np.random.default_rng(5).normal(0, 1.5, size=(6, 256, 512))
    frames = [np.clip(level + one, 0, 255).astype(np.uint8) for one in noise]
    clip = write_video(tmp_path / "blank.mp4", frames)
    message = refusal(lambda: chosen(clip))
    assert "blank.mp4" in message
    assert word in message


def test_one_eye_that_shows_nothing(tmp_path: Path) -> None:
    """A lens cap left on."""
    capped = scene()
    capped[:, HALF:] = 16
    message = refusal(lambda: chosen(flat_clip(tmp_path / "cap.mp4", capped)))
    assert "right half" in message
    assert "black" in message


@pytest.mark.parametrize("noise_sd", [0.0, 2.0])
def test_the_same_picture_in_both_halves(tmp_path: Path, noise_sd: float) -> None:
    """Also after noise and coding."""
    rng = np.random.default_rng(1)
    doubled = np.hstack([scene(size=512)[:, :512]] * 2).astype(float)
    noisy = [
        np.clip(doubled + rng.normal(0, noise_sd, doubled.shape), 0, 255).astype(np.uint8) for _ in range(3)
    ]
    clip = write_video(tmp_path / "mono.mp4", noisy, options={"crf": "20"})
    assert "same picture" in refusal(lambda: chosen(clip))


def test_halves_half_a_pixel_apart_are_not_the_same_picture(tmp_path: Path) -> None:
    """A well-built rig that looks far away."""
    one = cv2.GaussianBlur(scene(size=512)[:, :512], (0, 0), 1.5)
    moved = cv2.warpAffine(one, np.float32([[1, 0, 0.5], [0, 1, 0.3]]), (512, 512), flags=cv2.INTER_CUBIC)
    clip = write_video(tmp_path / "far.mp4", [np.hstack([one, moved])] * 3)
    assert chosen(clip)


def test_dim_footage_is_usable(tmp_path: Path) -> None:
    """A night scene at a twentieth of the light still counts as textured."""
    dim = np.round(16 + (scene(size=512).astype(float) / 20)).astype(np.uint8)
    assert chosen(write_video(tmp_path / "night.mp4", [dim] * 3))


@pytest.mark.parametrize("shape", [(512, 512), (512, 341), (300, 512), (40, 30)])
def test_texture_of_a_strip_never_counts_for_more_than_that_of_all(shape: tuple[int, int]) -> None:
    """Noise of any strength here and there; the same Gaussians over the whole picture."""
    rng = np.random.default_rng(shape)
    for _ in range(20):
        strength = cv2.resize(rng.random((5, 5)).astype(np.float32) ** 4, shape[::-1])
        small = 0.5 + strength * rng.normal(0, 0.1, shape).astype(np.float32)
        band = cv2.GaussianBlur(small, (0, 0), 1.5) - cv2.GaussianBlur(small, (0, 0), 6.0)
        y, x = np.ogrid[: shape[0], : shape[1]]
        away = np.hypot(x - (shape[1] - 1) / 2, y - (shape[0] - 1) / 2)
        assert 0.0 < texture_of_strip(small) <= 1.0001 * band[away <= 0.42 * min(shape)].std()


def test_texture_outside_the_strip_counts() -> None:
    """A smooth sea that fills all but the top of the picture."""
    half = np.full((512, 512), 120, np.uint8)
    half[60:200] = scene(size=512)[60:200, :512]
    assert texture_of_strip(half.astype(np.float32) / 255) < 1e-4
    assert blankness(half.astype(np.float32) / 255, half.dtype) == ""


def test_a_folder_without_pictures(tmp_path: Path) -> None:
    assert "without pictures" in refusal(lambda: open_footage([tmp_path]))


def test_a_pattern_that_fits_nothing(tmp_path: Path) -> None:
    assert "shot.####.exr" in refusal(lambda: open_footage([tmp_path / "shot.####.exr"]))
