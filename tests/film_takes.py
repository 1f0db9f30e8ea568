"""Clips that tell their pictures apart, and what a film of them holds: for the tests of films."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

from autocal.geometry import ImageCircle, Lens, Rig
from autocal.render.film import FilmOrder
from autocal.render.formats import planar_format, plane_array
from autocal.render.renderer import Look
from autocal.render.settings import Compression

HALF = 96
RATE = 25
LOOK = Look(size=(192, 96))


def rig(circle: ImageCircle | None = None) -> Rig:
    lens = Lens((HALF, HALF), HALF / np.pi, ((HALF - 1) / 2, (HALF - 1) / 2), circle=circle)
    return Rig(lens, lens, np.eye(3), np.eye(3))


def picture(number: int, width: int = 2 * HALF, height: int = HALF) -> NDArray[np.uint8]:
    """A picture that tells its number by its brightness, and its eyes by their colour."""
    rgb = np.full((height, width, 3), 30 + 5 * (number % 40), np.uint8)
    rgb[:, : width // 2, 2] //= 2
    return rgb


def write_clip(
    path: Path,
    frames: int = 12,
    *,
    codec: str = "libx264",
    pixel_format: str = "yuv420p",
    pts: Sequence[int] | None = None,
    time_base: Fraction = Fraction(1, RATE),
    sound: bool = False,
    options: dict[str, str] | None = None,
    metadata: dict[str, str] | None = None,
    colour: tuple[int, int, int] = (9, 16, 9),
    gop: int = 4,
) -> Path:
    with av.open(str(path), "w") as container:
        container.metadata.update(metadata or {})
        stream: Any = container.add_stream(codec, rate=RATE)
        stream.width, stream.height, stream.pix_fmt = 2 * HALF, HALF, pixel_format
        stream.codec_context.time_base = time_base
        stream.codec_context.gop_size = gop
        stream.codec_context.options = options or {}
        context = stream.codec_context
        context.color_primaries, context.color_trc, context.colorspace = colour
        track: Any = container.add_stream("aac", rate=48000) if sound else None
        for number in range(frames):
            frame = av.VideoFrame.from_ndarray(picture(number)).reformat(format=pixel_format)
            frame.pts = pts[number] if pts else number
            frame.time_base = time_base
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
        if sound:
            noise = np.random.default_rng(0).normal(0, 0.1, (1, 48000 * frames // RATE)).astype(np.float32)
            for start in range(0, noise.shape[1], 1024):
                block = av.AudioFrame.from_ndarray(noise[:, start : start + 1024], "fltp", "mono")
                block.sample_rate, block.pts, block.time_base = 48000, start, Fraction(1, 48000)
                container.mux(track.encode(block))
            container.mux(track.encode(None))
    return path


def times(path: Path) -> list[Fraction]:
    with av.open(str(path)) as container:
        decoded: Iterator[Any] = container.decode(video=0)
        return [f.pts * f.time_base for f in decoded]


def lumas(path: Path) -> list[float]:
    """Mean luma code of each picture's middle, in 8-bit steps."""
    means = []
    with av.open(str(path)) as container:
        for frame in container.decode(video=0):
            format_ = planar_format(frame.format.name)
            luma = plane_array(frame, 0, format_)
            middle = luma[luma.shape[0] // 3 : -luma.shape[0] // 3]
            means.append(float(middle.mean()) / (1 << (format_.bits - 8)))
    return means


def sound_packets(path: Path) -> list[tuple[Fraction, bytes]]:
    with av.open(str(path)) as container:
        sound: Iterator[Any] = container.demux(audio=0)
        return [(p.pts * p.time_base, bytes(p)) for p in sound if p.size]


def order(calibration: Path, clip: Path, out: Path, **more: Any) -> FilmOrder:
    return FilmOrder(calibration, clip, out, **{"look": LOOK, "compression": Compression(quality=12), **more})
