"""From light to code values, and to a film: vignetting, exposure, noise, tone curve, H.264."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Light = NDArray[np.float32]


@dataclass(frozen=True)
class Sensor:
    """How one eye records light.

    exposure: gain. colour: gain of R, G, B. vignetting: light lost at the rim. rim_deg: how soft the
    circle's rim is. read_noise, shot_noise: deviations in units of white, of darkness, and of white. log: a
    flat curve like the ones cameras record for grading, not the display's.
    """

    exposure: float = 1.0
    colour: tuple[float, float, float] = (1.0, 1.0, 1.0)
    vignetting: float = 0.45
    rim_deg: float = 0.8
    read_noise: float = 0.002
    shot_noise: float = 0.012
    log: bool = False


def expose(
    light: Light, off_axis: NDArray[np.float32], max_angle: float, sensor: Sensor, rng: np.random.Generator
) -> NDArray[np.uint8]:
    """Code values (h, w, 3) of linear light (h, w, 3); off_axis: (h, w), rad, NaN where there is no lens."""
    part = np.where(np.isfinite(off_axis), off_axis / max_angle, 2.0)
    fall = 1 - sensor.vignetting * part**4
    rim = np.clip((1 - part) * np.rad2deg(max_angle) / sensor.rim_deg, 0, 1)
    gain = np.clip(fall, 0, 1) * rim * rim * (3 - 2 * rim) * sensor.exposure
    signal = light * gain[..., None].astype(np.float32) * np.array(sensor.colour, np.float32)
    deviation = np.sqrt(sensor.read_noise**2 + sensor.shot_noise**2 * signal)
    signal = signal + deviation * rng.standard_normal(signal.shape, dtype=np.float32)
    return np.rint(255 * _encode(signal, sensor.log)).astype(np.uint8)


def _encode(signal: Light, log: bool) -> Light:
    """Linear light to 0..1. Display: a shoulder to white, then sRGB's curve (IEC 61966-2-1, from memory)."""
    if log:
        return np.clip(0.1 + 0.62 * np.log2(1 + 20 * np.maximum(signal, -0.02)) / np.log2(21), 0, 1)
    x = np.clip(signal, 0, None)
    x = np.where(x < 0.6, x, 0.6 + 0.4 * np.tanh((x - 0.6) / 0.4))
    return np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.maximum(x, 1e-9) ** (1 / 2.4) - 0.055)


def write_h264(
    frames: Iterable[NDArray[np.uint8]], path: Path, frame_rate: Fraction, crf: int = 20, key_every: int = 6
) -> None:
    """Write RGB frames (h, w, 3) as 8-bit 4:2:0 H.264, BT.709, limited range; `crf`: x264's quality scale."""
    import av
    from av.video.reformatter import ColorRange, Colorspace

    with av.open(str(path), "w", format="mp4") as container:
        stream = container.add_stream("libx264", rate=frame_rate)
        stream.pix_fmt = "yuv420p"
        # A fixed number of threads: x264's result depends on it.
        stream.options = {"crf": str(crf), "preset": "slow", "threads": "2", "tune": "grain"}
        stream.codec_context.gop_size = key_every
        stream.codec_context.color_range = ColorRange.MPEG
        stream.codec_context.colorspace = Colorspace.ITU709
        stream.codec_context.color_primaries = 1
        stream.codec_context.color_trc = 1
        for index, picture in enumerate(frames):
            if index == 0:
                stream.height, stream.width = picture.shape[:2]
            frame = av.VideoFrame.from_ndarray(picture, format="rgb24").reformat(
                format="yuv420p", dst_colorspace=Colorspace.ITU709, dst_color_range=ColorRange.MPEG
            )
            frame.pts = index
            frame.time_base = 1 / frame_rate
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
