"""Pictures made fit for detection: dim, log-encoded and noisy footage brought to one local contrast.

Pixel conventions: `autocal.geometry`. A reduced picture keeps pixel centres:
``x_reduced = (x + 0.5) * scale - 0.5``.
"""

from __future__ import annotations

from dataclasses import dataclass
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

#: Diameter of the image circle, px, in the reduced picture that points are found in.
DETECTION_DIAMETER = 540.0
#: Gaussian, reduced px. What is finer is mostly noise, and found again in the other eye least often.
_SMOOTHING = 1.0
_WINDOW_SHARE = 1 / 20  # side of the normalisation window over the circle's diameter
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


def detection_image(luma: Luma, circle: ImageCircle, rim_px: float) -> DetectionImage:
    """Reduce one eye's half and normalise its contrast locally.

    luma: (H, W), uint8 or uint16. rim_px: full-resolution margin to keep from the rim.
    """
    import cv2

    height, width = luma.shape
    factor = min(1.0, DETECTION_DIAMETER / (2.0 * circle.radius))
    size = (max(1, round(width * factor)), max(1, round(height * factor)))
    scale = np.array([size[0] / width, size[1] / height])
    reduced = averaged_down(luma, size).astype(np.float32)
    lit = _disc(circle, scale, size, 0.0)
    pixels = normalised(reduced, lit, round(DETECTION_DIAMETER * _WINDOW_SHARE))
    usable = _disc(circle, scale, size, rim_px)
    clipped = clipped_level(reduced[lit > 0])
    if clipped is not None:
        glare = (reduced >= clipped).astype(np.uint8)
        usable[cv2.dilate(glare, np.ones((7, 7), np.uint8)) > 0] = 0
    return DetectionImage(pixels, usable, scale)


def normalised(picture: Floats, lit: Bytes, window: int) -> Bytes:
    """Smoothed; local mean to middle grey, local standard deviation to a fixed span, noise not blown up.

    picture: (h, w) float32; lit: (h, w), above zero where the picture counts. Means are taken
    over the lit part alone, so that the rim of the image circle leaves no edge.
    """
    import cv2

    weight = (lit > 0).astype(np.float32)
    floor = 2.0 * noise_level(picture, weight) + 1e-3 * float(np.ptp(picture)) + 1e-6
    within = np.maximum(cv2.GaussianBlur(weight, (0, 0), _SMOOTHING), 1e-3)
    picture = (cv2.GaussianBlur(picture * weight, (0, 0), _SMOOTHING) / within).astype(np.float32)
    box = (window | 1, window | 1)
    share = np.maximum(cv2.blur(weight, box), 1e-3)
    mean = cv2.blur(picture * weight, box) / share
    centred = (picture - mean) * weight
    variance = cv2.blur(centred * centred, box) / share
    # Bent towards black and white, not cut off: the brightest of a bright blob stays its peak.
    deviations = centred / np.sqrt(variance + floor * floor)
    out = _GREY + _REACH * np.tanh(deviations * (_SPAN / _REACH))
    return np.rint(out).astype(np.uint8)


def noise_level(picture: Floats, weight: Floats) -> float:
    """Standard deviation of the noise: Immerkaer, CVIU 64(2), 1996, with a median for the mean."""
    import cv2

    kernel = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
    response = np.abs(cv2.filter2D(picture, cv2.CV_32F, kernel))[weight > 0]
    if response.size == 0:
        return 0.0
    return float(np.median(response[:: max(1, response.size // 100_000)])) * 1.4826 / 6.0


def clipped_level(values: Floats) -> float | None:
    """The level at and above which highlights are clipped, or None where nothing is."""
    if values.size == 0:
        return None
    top, bottom = float(values.max()), float(values.min())
    level = top - 0.01 * (top - bottom)
    if top <= bottom or np.count_nonzero(values >= level) <= _CLIP_SHARE * values.size:
        return None
    return level


def _disc(circle: ImageCircle, scale: Array, size: tuple[int, int], margin_px: float) -> Bytes:
    """(h, w) uint8, 255 inside the circle less a margin of full-resolution px."""
    x = (np.arange(size[0]) + 0.5) / scale[0] - 0.5 - circle.x
    y = (np.arange(size[1]) + 0.5) / scale[1] - 0.5 - circle.y
    radius = max(circle.radius - margin_px, 0.0)
    return (x[None, :] ** 2 + y[:, None] ** 2 <= radius * radius).astype(np.uint8) * np.uint8(255)
