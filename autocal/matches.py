"""What the matcher hands to the solver: points seen by several eyes and frames. Plain data."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

LEFT, RIGHT = 0, 1


@dataclass(frozen=True, eq=False)
class Matches:
    """Observations of tracks. A track is one thing in the scene; an observation is one sight of it.

    track, frame, eye: (n,) ints; frame counts the frames used, 0..frames-1; eye is LEFT or RIGHT.
    pixel: (n, 2), px in that eye's half. sigma_px: (n,), one standard deviation per coordinate.
    size: (width, height) of a half, px. A track has at most one observation per frame and eye,
    and at least two in all; observations are sorted by track, then frame, then eye.
    """

    track: Ints
    frame: Ints
    eye: Ints
    pixel: Array
    sigma_px: Array
    frames: int
    size: tuple[int, int]

    def __len__(self) -> int:
        return len(self.track)

    @property
    def tracks(self) -> int:
        """How many tracks there are."""
        return len(np.unique(self.track))

    def where(self, keep: NDArray[np.bool_]) -> Matches:
        """Only the observations marked in `keep` (n,), of tracks that still have two or more."""
        count = np.bincount(self.track[keep], minlength=int(self.track.max(initial=-1)) + 1)
        keep = keep & (count[self.track] >= 2)
        return replace(
            self,
            track=self.track[keep],
            frame=self.frame[keep],
            eye=self.eye[keep],
            pixel=self.pixel[keep],
            sigma_px=self.sigma_px[keep],
        )

    def eye_pairs(self) -> EyePairs:
        """The tracks seen by both eyes in one frame: valid whatever moves, both expose together."""
        same = (self.track[1:] == self.track[:-1]) & (self.frame[1:] == self.frame[:-1])
        left = np.flatnonzero(same)
        right = left + 1
        return EyePairs(
            left=left,
            right=right,
            frame=self.frame[left],
            pixel_left=self.pixel[left],
            pixel_right=self.pixel[right],
            sigma_px=np.hypot(self.sigma_px[left], self.sigma_px[right]) / np.sqrt(2.0),
        )


@dataclass(frozen=True, eq=False)
class EyePairs:
    """One point seen by both eyes in one frame, row by row.

    left, right: (m,) rows of the observations in the Matches they come from; frame: (m,);
    pixel_left, pixel_right: (m, 2), px in each eye's half; sigma_px: (m,), per coordinate, of one eye.
    """

    left: Ints
    right: Ints
    frame: Ints
    pixel_left: Array
    pixel_right: Array
    sigma_px: Array

    def __len__(self) -> int:
        return len(self.frame)

    def where(self, keep: NDArray[np.bool_]) -> EyePairs:
        """Only the pairs marked in `keep` (m,)."""
        return EyePairs(
            self.left[keep],
            self.right[keep],
            self.frame[keep],
            self.pixel_left[keep],
            self.pixel_right[keep],
            self.sigma_px[keep],
        )


def matches_from_rows(
    track: Ints, frame: Ints, eye: Ints, pixel: Array, sigma_px: Array, frames: int, size: tuple[int, int]
) -> Matches:
    """Sort, renumber and check observations given in any order.

    Tracks with two observations in the same frame and eye contradict themselves and are dropped,
    as are tracks with a single observation.
    """
    order = np.lexsort((eye, frame, track))
    track, frame, eye = track[order], frame[order], eye[order]
    pixel, sigma_px = np.asarray(pixel)[order], np.asarray(sigma_px)[order]
    if len(track):
        twice = (np.diff(track) == 0) & (np.diff(frame) == 0) & (np.diff(eye) == 0)
        bad = np.isin(track, track[1:][twice])
        count = np.bincount(track)
        keep = ~bad & (count[track] >= 2)
        track, frame, eye = track[keep], frame[keep], eye[keep]
        pixel, sigma_px = pixel[keep], sigma_px[keep]
        track = np.unique(track, return_inverse=True)[1]
    return Matches(
        track.astype(np.int64),
        frame.astype(np.int64),
        eye.astype(np.int64),
        np.asarray(pixel, dtype=np.float64).reshape(-1, 2),
        np.asarray(sigma_px, dtype=np.float64),
        frames,
        size,
    )
