"""Distinctive points of one eye's picture, spread evenly over the sphere.

SIFT: Lowe, IJCV 60(2), 2004. The square-root form of its descriptor: Arandjelovic and
Zisserman, CVPR 2012, sec. 2.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from autocal.geometry import Lens
from autocal.geometry.lens import Array
from autocal.matching.contrast import DetectionImage

_USUAL_POINTS = 3200
#: Cells across the whole sphere that they are spread over.
_CELLS_ACROSS = 32
_CONTRAST_THRESHOLD = 0.012
_SAME_PLACE_PX = 0.5  # reduced px: one blob found with two orientations


@dataclass(frozen=True, eq=False)
class Features:
    """Points of one eye in one frame.

    pixel: (n, 2), full-resolution px. bearing: (n, 3), camera frame, of the nominal lens.
    descriptor: (n, 128) float32, unit length. strength: (n,), response of the detector.
    """

    pixel: Array
    bearing: Array
    descriptor: NDArray[np.float32]
    strength: Array

    def __len__(self) -> int:
        return len(self.pixel)

    def strongest(self, most: int) -> NDArray[np.float32]:
        """Descriptors of the strongest points."""
        return self.descriptor[np.argsort(-self.strength, kind="stable")[:most]]


def find_features(image: DetectionImage, lens: Lens, most: int = _USUAL_POINTS) -> Features:
    """Find up to `most` points, with equal shares for equal solid angles as far as texture allows."""
    import cv2

    sift = cv2.SIFT.create(contrastThreshold=_CONTRAST_THRESHOLD, enable_precise_upscale=True)
    keypoints = sift.detect(image.pixels, image.mask)
    if not keypoints:
        return Features(np.zeros((0, 2)), np.zeros((0, 3)), np.zeros((0, 128), np.float32), np.zeros(0))
    reduced = np.asarray(cv2.KeyPoint.convert(keypoints), dtype=np.float64)
    strength = np.array([k.response for k in keypoints])
    pixel = image.full_from_reduced(reduced)
    bearing = lens.unproject(pixel)
    usable = np.flatnonzero(np.isfinite(bearing).all(axis=1) & lens.inside(pixel) & _first_of_place(reduced))
    chosen = usable[spread_over_sphere(bearing[usable], strength[usable], most)]
    _, descriptor = sift.compute(image.pixels, [keypoints[i] for i in chosen])
    if descriptor is None:
        descriptor = np.zeros((0, 128), np.float32)
    root = np.sqrt(descriptor / np.maximum(descriptor.sum(axis=1, keepdims=True), 1e-9))
    return Features(pixel[chosen], bearing[chosen], root.astype(np.float32), strength[chosen])


def spread_over_sphere(bearing: Array, strength: Array, most: int) -> NDArray[np.intp]:
    """Indices of at most `most` points, strongest first in every cell of equal solid angle.

    bearing: (n, 3) unit. Lambert's azimuthal equal-area projection makes the cells.
    Points are taken in rounds, each cell's best, then each cell's second best, and so on.
    """
    flat = bearing[:, :2] / np.sqrt(np.maximum(1.0 + bearing[:, 2:], 1e-3))  # radius 2 sin(theta/2) / sqrt 2
    cell = np.floor((flat / np.sqrt(2.0) + 1.0) * 0.5 * _CELLS_ACROSS).astype(np.int64)
    key = cell[:, 0] * 4096 + cell[:, 1]
    order = np.lexsort((-strength, key))
    starts = np.flatnonzero(np.r_[True, np.diff(key[order]) != 0]) if len(order) else np.zeros(0, np.int64)
    rank = np.arange(len(order)) - np.repeat(starts, np.diff(np.r_[starts, len(order)]))
    best = np.lexsort((-strength[order], rank))[:most]
    return np.sort(order[best])


def _first_of_place(points: Array) -> NDArray[np.bool_]:
    """Marks one point of each place; points (n, 2) found several times differ in orientation only."""
    place = np.round(points / _SAME_PLACE_PX)
    # As one number: sorting rows takes many times as long.
    _, first = np.unique(place[:, 0] + 1j * place[:, 1], return_index=True)
    mark = np.zeros(len(points), dtype=bool)
    mark[first] = True
    return mark
