"""Tracks that grow frame by frame: which new point continues which track, and what was seen where."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from autocal.geometry.lens import Array
from autocal.matches import LEFT, RIGHT, Ints, Matches, matches_from_rows
from autocal.matching.patches import STORED


@dataclass(eq=False)
class TrackTable:
    """All tracks so far: their reference patches, where these come from, and every observation.

    A track is a thing in the scene, defined by the patch it was first seen as. `view` counts
    the pictures that points were found in (one eye of one lead frame each).
    """

    patch: NDArray[np.float16] = field(default_factory=lambda: np.zeros((0, STORED, STORED), np.float16))
    view: Ints = field(default_factory=lambda: np.zeros(0, np.int64))
    pixel: Array = field(default_factory=lambda: np.zeros((0, 2)))
    _row: Ints = field(default_factory=lambda: np.zeros(0, np.int64))
    _rows: list[tuple[Ints, int, int, Array, Array]] = field(default_factory=list)

    def __len__(self) -> int:
        return len(self._row)

    def add(self, patches: NDArray[np.float16], view: int, pixel: Array) -> Ints:
        """New tracks with their reference patches; returns their numbers."""
        new = np.arange(len(self), len(self) + len(pixel))
        self._row = np.concatenate([self._row, len(self.patch) + np.arange(len(pixel))])
        self.patch = np.concatenate([self.patch, patches])
        self.view = np.concatenate([self.view, np.full(len(pixel), view)])
        self.pixel = np.concatenate([self.pixel, pixel])
        return new

    def patches(self, tracks: Ints) -> NDArray[np.float16]:
        """Reference patches (n, STORED, STORED)."""
        return self.patch[self._row[tracks]]

    def renew(self, tracks: Ints, patches: NDArray[np.float16], view: int, pixel: Array) -> None:
        """Give tracks a newer reference patch, cut where the old one was found."""
        self.patch[self._row[tracks]] = patches
        self.view[tracks] = view
        self.pixel[tracks] = pixel

    def has_patch(self, tracks: Ints) -> NDArray[np.bool_]:
        """Which tracks can still be continued."""
        return self._row[tracks] >= 0

    def proven(self) -> Ints:
        """Numbers of tracks that were measured against their patch at least once."""
        measured = [row[0][np.isfinite(row[4])] for row in self._rows]
        return np.unique(np.concatenate(measured)) if measured else np.zeros(0, np.int64)

    def forget_patches(self, keep: Ints) -> None:
        """Drop the patches of all tracks but these; the others can no longer be continued."""
        keep = keep[self._row[keep] >= 0]
        self.patch = self.patch[self._row[keep]]
        self._row = np.full(len(self), -1, np.int64)
        self._row[keep] = np.arange(len(keep))

    def observe(self, tracks: Ints, frame: int, eye: int, pixel: Array, sigma_px: Array) -> None:
        """Note where tracks were seen."""
        self._rows.append((tracks, frame, eye, pixel, sigma_px))

    def matches(self, frames: int, size: tuple[int, int], floor_px: float = 0.0) -> Matches:
        """Everything observed, less what stands alone.

        A reference is as uncertain as the sights that were compared with it: where its sigma is
        NaN it gets the median of its track. floor_px: added to every sigma, in squares.
        """
        if not self._rows:
            none = np.zeros(0, np.int64)
            return matches_from_rows(none, none, none, np.zeros((0, 2)), np.zeros(0), frames, size)
        track = np.concatenate([row[0] for row in self._rows])
        frame = np.concatenate([np.full(len(row[0]), row[1]) for row in self._rows])
        eye = np.concatenate([np.full(len(row[0]), row[2]) for row in self._rows])
        pixel = np.concatenate([row[3] for row in self._rows])
        sigma = np.concatenate([row[4] for row in self._rows])
        known = np.isfinite(sigma)
        alone = ~np.isin(track, track[known])
        usual = _median_of_track(track[known], sigma[known], int(track.max(initial=0)) + 1)
        sigma = np.hypot(np.where(known, sigma, usual[track]), floor_px)
        keep = ~alone
        return matches_from_rows(track[keep], frame[keep], eye[keep], pixel[keep], sigma[keep], frames, size)


@dataclass(frozen=True, eq=False)
class Proposals:
    """Ways in which points of a new frame may be joined, row by row.

    Either a track and a point of one eye (`track` >= 0, the other eye's point -1), or one point of
    each eye (`track` -1). point: (n, 2), rows of the left and the right eye's features, or -1.
    similarity: (n,).
    """

    track: Ints
    point: Ints
    similarity: Array


def join(proposals: Sequence[Proposals]) -> tuple[Ints, Ints]:
    """Groups that contradict nothing: at most one track, one left and one right point each.

    Proposals are taken from the most similar down; one that would join two tracks, or two points
    of one eye, is left out. Returns track (m,), -1 for a new one, and point (m, 2), -1 for none.
    """
    track = np.concatenate([p.track for p in proposals])
    point = np.concatenate([p.point for p in proposals])
    order = np.argsort(-np.concatenate([p.similarity for p in proposals]), kind="stable")
    groups: dict[int, list[int]] = {}  # number -> [track, left, right]
    group_of: dict[tuple[int, int], int] = {}  # (kind, row) -> number; kinds: 0 track, 1 left, 2 right
    for at in order.tolist():
        members = [
            (kind, row)
            for kind, row in enumerate((int(track[at]), int(point[at, LEFT]), int(point[at, RIGHT])))
            if row >= 0
        ]
        merged = [-1, -1, -1]
        touched = {group_of[m] for m in members if m in group_of}
        parts: Iterable[list[tuple[int, int]]] = [
            *([(kind, row) for kind, row in enumerate(groups[g]) if row >= 0] for g in touched),
            members,
        ]
        contradiction = False
        for part in parts:
            for kind, row in part:
                contradiction |= merged[kind] not in (-1, row)
                merged[kind] = row
        if contradiction:
            continue
        for g in touched:
            del groups[g]
        groups[at] = merged
        for kind, row in enumerate(merged):
            if row >= 0:
                group_of[kind, row] = at
    table = np.array(list(groups.values()), dtype=np.int64).reshape(-1, 3)
    return table[:, 0], table[:, 1:]


def _median_of_track(track: Ints, value: Array, tracks: int) -> Array:
    """Median (tracks,) of the values of each track, NaN where there are none."""
    out = np.full(tracks, np.nan)
    order = np.lexsort((value, track))
    track, value = track[order], value[order]
    start = np.flatnonzero(np.r_[True, np.diff(track) != 0]) if len(track) else np.zeros(0, np.int64)
    count = np.diff(np.r_[start, len(track)])
    out[track[start]] = 0.5 * (value[start + (count - 1) // 2] + value[start + count // 2])
    return out
