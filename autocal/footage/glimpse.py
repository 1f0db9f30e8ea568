"""A glimpse of a frame at low resolution: how sharp, how textured, how bright; which frames belong together.

Imported late: OpenCV takes its time to load.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import ceil
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from autocal.averaging import averaged_down
from autocal.footage.survey import Picture, StereoFrame
from autocal.footage.tone import as_unit

Image = NDArray[np.float32]

#: Longer side of the pictures the image circle is found on, px.
GLIMPSE_PX = 512
_SHARPNESS_PX = 1024
_WINDOW_PX = 21
_THUMB_PX = 96
# The middle of a half that any image circle covers, as a share of the shorter half side.
_MIDDLE_SHARE = 0.42
# Texture lies between these scales, px of a shrunk half; OpenCV's Gaussian of floats reaches so many sigmas.
_TEXTURE_PX, _GAUSSIAN_REACH = (1.5, 6.0), 4.0
# Texture below these is coding noise: rms of the band pass, in full scales. 16-bit pictures show finer steps.
_FAINTEST_TEXTURE_8_BIT, _FAINTEST_TEXTURE_16_BIT = 0.3 / 255, 0.06 / 255
_BLACK_BELOW, _WHITE_ABOVE = 0.15, 0.85
# Frames a moment apart correlate above 0.85 even on a fast walk, other standpoints and other shots below 0.4.
_SAME_SHOT_CORRELATION = 0.5
_SAME_PICTURE_CORRELATION = 0.98
_SAME_PICTURE_SHIFT_PX = 0.25
_SAME_PICTURE_BLOCKS = 0.8
_BLOCK_PX = 128


@dataclass(frozen=True, eq=False)
class Glimpse:
    """One frame seen small.

    small: per half, float32 0..1, longer side at most GLIMPSE_PX. blank: per half, "" or why nothing can be
    matched in it. same_picture: both halves are one picture.
    """

    clip: int
    index: int
    small: tuple[Image, Image]
    blank: tuple[str, str]
    same_picture: bool


def glimpse(frame: StereoFrame) -> Glimpse:
    """Look at both halves of a frame."""
    left, right = (shrunk(half, GLIMPSE_PX) for half in frame.reduced)
    samples = frame.halves[0].dtype
    return Glimpse(
        frame.clip,
        frame.index,
        (left, right),
        (blankness(left, samples), blankness(right, samples)),
        _same_picture(left, right) and _same_in_full(*frame.halves),
    )


def sharpness(half: Picture) -> float:
    """Higher is sharper, comparable within a clip: variance of the Laplacian (Pech-Pacheco et al., ICPR 2000)
    on locally normalised luma.

    Normalised by the local deviation, but not below its median: flat regions must not turn into noise.
    """
    small = shrunk(half, _SHARPNESS_PX)
    smooth = cv2.blur(small, (_WINDOW_PX, _WINDOW_PX))
    deviation = np.sqrt(np.maximum(cv2.blur((small - smooth) ** 2, (_WINDOW_PX, _WINDOW_PX)), 0.0))
    middle = _middle(small.shape)
    floor = max(float(np.median(deviation[middle])), 1e-4)
    normalised = (small - smooth) / np.maximum(deviation, floor)
    return float(cv2.Laplacian(normalised, cv2.CV_32F)[middle].var())


def shrunk(half: Picture, longer_side: int) -> Image:
    """The half as float32 0..1, averaged down to `longer_side` px; never enlarged."""
    height, width = half.shape
    factor = min(1.0, longer_side / max(height, width))
    size = max(1, round(width * factor)), max(1, round(height * factor))
    return as_unit(averaged_down(half, size))


def thumb(small: Image) -> Image:
    """A shrunk half reduced to what `same_shot` compares."""
    return _band(cv2.resize(small, (_THUMB_PX, _THUMB_PX), interpolation=cv2.INTER_AREA), 1.5, 8.0)


def same_shot(before: Image, after: Image) -> bool:
    """Whether two thumbs can be moments of one continuous take: no cut, no other standpoint between them."""
    middle = _middle(before.shape)
    return _correlation(before[middle], after[middle]) > _SAME_SHOT_CORRELATION


def blankness(small: Image, samples: np.dtype[Any]) -> str:
    """Why nothing can be matched in a shrunk half of pictures of this sample type; "" where something can."""
    middle = _middle(small.shape)
    faintest = _FAINTEST_TEXTURE_16_BIT if samples == np.uint16 else _FAINTEST_TEXTURE_8_BIT
    if texture_of_strip(small) >= faintest or float(_texture(small)[middle].std()) >= faintest:
        return ""
    level = float(small[middle].mean())
    return "black" if level < _BLACK_BELOW else "white" if level > _WHITE_ABOVE else "without texture"


def _texture(small: Image) -> Image:
    return _band(small, *_TEXTURE_PX)


def texture_of_strip(small: Image) -> float:
    """At most the rms of the texture in all of the middle, found in a strip across it: a sixth of the work.

    A part's deviations are least from its own mean; so the sum of their squares is never more than all.
    """
    middle = _middle(small.shape)
    half = max(1, small.shape[0] // 16)
    margin = ceil(_GAUSSIAN_REACH * _TEXTURE_PX[1])
    centre = small.shape[0] // 2
    first, last = max(centre - half, 0), centre + half
    top = max(first - margin, 0)
    strip = _texture(small[top : last + margin])[first - top : last - top]
    part = strip[middle[first:last]]
    return float(np.sqrt(part.size / np.count_nonzero(middle)) * part.std())


def _same_picture(left: Image, right: Image) -> bool:
    if left.shape != right.shape:
        return False
    middle = _middle(left.shape)
    return (
        _correlation(_band(left, 0.7, 4.0)[middle], _band(right, 0.7, 4.0)[middle])
        > _SAME_PICTURE_CORRELATION
    )


def _same_in_full(left: Picture, right: Picture) -> bool:
    """Whether nearly every block of the middle lies in the same place in both halves, within a quarter px."""
    height, width = left.shape
    block = min(_BLOCK_PX, min(height, width) // 4)
    window = cv2.createHanningWindow((block, block), cv2.CV_32F)
    reach = round(_MIDDLE_SHARE * 0.6 * min(height, width))
    still = []
    for y in np.linspace(height // 2 - reach, height // 2 + reach - block, 4).astype(int):
        for x in np.linspace(width // 2 - reach, width // 2 + reach - block, 4).astype(int):
            one, other = (as_unit(half[y : y + block, x : x + block]) for half in (left, right))
            shift, _ = cv2.phaseCorrelate(one - one.mean(), other - other.mean(), window)
            still.append(bool(np.hypot(shift[0], shift[1]) < _SAME_PICTURE_SHIFT_PX))
    return float(np.mean(still)) >= _SAME_PICTURE_BLOCKS


def _band(image: NDArray[Any], fine_px: float, coarse_px: float) -> Image:
    """What lies between two scales: difference of Gaussians."""
    fine = cv2.GaussianBlur(image, (0, 0), fine_px)
    return np.asarray(fine - cv2.GaussianBlur(image, (0, 0), coarse_px), dtype=np.float32)


@lru_cache(maxsize=4)
def _middle(shape: tuple[int, ...]) -> NDArray[np.bool_]:
    height, width = shape
    y, x = np.ogrid[:height, :width]
    radius = np.hypot(x - (width - 1) / 2, y - (height - 1) / 2)
    return np.asarray(radius <= _MIDDLE_SHARE * min(height, width))


def _correlation(one: Image, other: Image) -> float:
    a, b = (values - values.mean() for values in (one, other))
    norm = float(np.sqrt((a * a).sum() * (b * b).sum()))
    return float((a * b).sum()) / norm if norm > 0 else 0.0
