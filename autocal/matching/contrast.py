"""Pictures made fit for detection: dim, log-encoded and noisy footage brought to one local contrast.

Pixel conventions: `autocal.geometry`. A reduced picture keeps pixel centres:
``x_reduced = (x + 0.5) * scale - 0.5``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from autocal.averaging import averaged_down
from autocal.geometry import ImageCircle
from autocal.geometry.lens import Array

Bytes = NDArray[np.uint8]
Floats = NDArray[np.float32]
#: One eye's half as it comes: 8 or 16 bit.
Luma = NDArray[np.unsignedinteger[Any]]
#: (width, height), px.
Size = tuple[int, int]

#: Diameter of the image circle, px, in the reduced picture that points are found in.
DETECTION_DIAMETER = 540.0
#: Gaussian, reduced px. What is finer is mostly noise, and found again in the other eye least often.
_SMOOTHING = 1.0
_WINDOW = (27, 27)  # of the normalisation, reduced px: a twentieth of the circle's diameter
_EYES = 2  # whose weights are kept from frame to frame
#: Grey level of the local mean; grey levels a local standard deviation, and what they tend to.
_GREY, _SPAN, _REACH = 128.0, 40.0, 126.0
_CLIP_SHARE = 5e-4  # a top grey level held by more of the picture than this is a clipped one


@dataclass(frozen=True, eq=False)
class DetectionImage:
    """A reduced picture of even local contrast.

    pixels: (h, w) uint8. mask: (h, w) uint8, 255 where features may lie.
    scale: (2,), reduced size over full size along x and y.
    """

    pixels: Bytes
    mask: Bytes
    scale: Array

    def full_from_reduced(self, points: ArrayLike) -> Array:
        """Full-resolution pixels (..., 2) of reduced ones."""
        return (np.asarray(points, dtype=np.float64) + 0.5) / self.scale - 0.5

    def reduced_from_full(self, points: ArrayLike) -> Array:
        """Reduced pixels (..., 2) of full-resolution ones."""
        return (np.asarray(points, dtype=np.float64) + 0.5) * self.scale - 0.5


def detection_image(
    luma: Luma, circle: ImageCircle, rim_px: float, reduced_luma: Luma | None = None
) -> DetectionImage:
    """Reduce one eye's half and normalise its contrast locally.

    luma: (H, W), uint8 or uint16. rim_px: full-resolution margin to keep from the rim. reduced_luma: the half
    averaged by halves, to begin with where that is not too small already.
    """
    import cv2

    height, width = luma.shape
    factor = min(1.0, DETECTION_DIAMETER / (2.0 * circle.radius))
    size = (max(1, round(width * factor)), max(1, round(height * factor)))
    lit = _lit(circle, (width, height), size)
    large = luma if reduced_luma is None or reduced_luma.shape[1] < size[0] else reduced_luma
    reduced = averaged_down(large, size).astype(np.float32)
    pixels = _normalised(reduced, lit)
    usable = _disc(circle, (width, height), size, rim_px).copy()
    clipped = clipped_level(reduced[lit.weight > 0])
    if clipped is not None:
        glare = (reduced >= clipped).astype(np.uint8)
        usable[cv2.dilate(glare, np.ones((7, 7), np.uint8)) > 0] = 0
    return DetectionImage(pixels, usable, np.array(size) / (width, height))


@dataclass(frozen=True, eq=False)
class _Lit:
    """Where a reduced picture counts: the lit part alone, so that its rim leaves no edge in means over it.

    weight: (h, w) float32, 1 inside the circle, else 0; within, share: its means over the smoothing and over
    the window.
    """

    weight: Floats
    within: Floats
    share: Floats


@lru_cache(maxsize=_EYES)
def _lit(circle: ImageCircle, full_size: Size, size: Size) -> _Lit:
    import cv2

    weight = (_disc(circle, full_size, size, 0.0) > 0).astype(np.float32)
    within = np.maximum(cv2.GaussianBlur(weight, (0, 0), _SMOOTHING), 1e-3)
    return _Lit(weight, within, np.maximum(cv2.blur(weight, _WINDOW), 1e-3))


def _normalised(picture: Floats, lit: _Lit) -> Bytes:
    """Smoothed; local mean to middle grey, local standard deviation to a fixed span, noise not blown up."""
    import cv2

    weight = lit.weight
    floor = 2.0 * noise_level(picture, weight) + 1e-3 * float(np.ptp(picture)) + 1e-6
    picture = (cv2.GaussianBlur(picture * weight, (0, 0), _SMOOTHING) / lit.within).astype(np.float32)
    mean = cv2.blur(picture * weight, _WINDOW) / lit.share
    centred = (picture - mean) * weight
    variance = cv2.blur(centred * centred, _WINDOW) / lit.share
    # Bent towards black and white, not cut off: the brightest of a bright blob stays its peak.
    deviations = centred / np.sqrt(variance + floor * floor)
    out = _GREY + _REACH * np.tanh(deviations * (_SPAN / _REACH))
    return np.rint(out).astype(np.uint8)


def noise_level(picture: Floats, weight: Floats) -> float:
    """Standard deviation of the noise: Immerkaer, CVIU 64(2), 1996, with a median for the mean."""
    import cv2

    kernel = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
    response = cv2.filter2D(picture, cv2.CV_32F, kernel)[weight > 0]
    if response.size == 0:
        return 0.0
    return float(np.median(np.abs(response[:: max(1, response.size // 100_000)]))) * 1.4826 / 6.0


def clipped_level(values: Floats) -> float | None:
    """The level at and above which highlights are clipped, or None where nothing is."""
    if values.size == 0:
        return None
    top, bottom = float(values.max()), float(values.min())
    level = top - 0.01 * (top - bottom)
    if top <= bottom or np.count_nonzero(values >= level) <= _CLIP_SHARE * values.size:
        return None
    return level


@lru_cache(maxsize=2 * _EYES)
def _disc(circle: ImageCircle, full_size: Size, size: Size, margin_px: float) -> Bytes:
    """(h, w) uint8, 255 inside the circle less a margin of full-resolution px; for all to read."""
    x, y = ((np.arange(each) + 0.5) * (full / each) - 0.5 for each, full in zip(size, full_size, strict=True))
    radius = max(circle.radius - margin_px, 0.0)
    within = (x - circle.x)[None, :] ** 2 + (y - circle.y)[:, None] ** 2 <= radius * radius
    return within.astype(np.uint8) * np.uint8(255)
