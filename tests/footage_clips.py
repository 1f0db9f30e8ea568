"""Tiny stereo clips whose every frame says its own number: exact truth for the tests of reading."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
from numpy.typing import NDArray

HALF = 128
_MARK = slice(HALF // 2 - 8, HALF // 2 + 8)


def scene(seed: int = 0, size: int = HALF, disparity_px: int = 5) -> NDArray[np.uint8]:
    """Luma (size, 2 size): one texture in two dark-rimmed discs, the right one shifted."""
    rng = np.random.default_rng(seed)
    texture = cv2.GaussianBlur(rng.normal(size=(size, size + 32)).astype(np.float32), (0, 0), 1.2)
    texture = 120 + 40 * texture / texture.std()
    y, x = np.mgrid[:size, :size]
    disc = np.hypot(x - (size - 1) / 2, y - (size - 1) / 2) < 0.45 * size
    halves = [np.where(disc, texture[:, at : at + size], 0) for at in (0, disparity_px)]
    return np.clip(np.hstack(halves), 0, 255).astype(np.uint8)


def numbered(index: int, seed: int = 0) -> NDArray[np.uint8]:
    """The scene with a patch in the middle of both halves whose brightness is the frame's number."""
    frame = scene(seed)
    for middle in (0, HALF):
        frame[_MARK, middle + _MARK.start : middle + _MARK.stop] = 20 + 5 * index
    return frame


def number_of(half: NDArray[Any]) -> int:
    """The number a decoded half says it has."""
    full = float(np.iinfo(half.dtype).max)
    return round((float(half[_MARK, _MARK][3:-3, 3:-3].mean()) / full * 255 - 20) / 5)


def write_video(
    path: Path,
    frames: Sequence[NDArray[Any]],
    codec: str = "libx264",
    pix_fmt: str = "yuv420p",
    *,
    gop: int = 4,
    options: dict[str, str] | None = None,
    container_options: dict[str, str] | None = None,
    stamps: Sequence[int] | None = None,
    rotation: int = 0,
) -> Path:
    """Encode luma frames, uint8, or uint16 samples of the pixel format's own depth, at 25 frames a second.

    stamps: times of display in 1/1000 s instead.
    """
    height, width = frames[0].shape
    with av.open(str(path), "w", options=container_options or {}) as out:
        stream = out.add_stream(codec, rate=25)
        stream.width, stream.height, stream.pix_fmt = width, height, pix_fmt
        stream.codec_context.gop_size = gop
        stream.codec_context.time_base = Fraction(1, 1000)
        defaults = {
            "libx264": {"crf": "6"},
            "libx265": {"x265-params": f"crf=6:keyint={gop}:log-level=error"},
        }
        stream.codec_context.options = {**defaults.get(codec, {}), **(options or {})}
        if rotation:
            stream.set_display_rotation(rotation)
        for number, luma in enumerate(frames):
            frame = av.VideoFrame(width, height, pix_fmt)
            middle = 1 << (frame.format.components[0].bits - 1)
            for place, plane in enumerate(frame.planes):
                samples = luma if place == 0 else np.full((plane.height, plane.width), middle, luma.dtype)
                rows = np.zeros((plane.height, plane.line_size // luma.dtype.itemsize), luma.dtype)
                rows[:, : plane.width] = samples
                plane.update(rows.tobytes())
            frame.pts = stamps[number] if stamps else number * 40
            frame.time_base = Fraction(1, 1000)
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    return path
