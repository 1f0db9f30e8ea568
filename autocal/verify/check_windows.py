"""A take in windows: bursts of frames, each with its own estimate of how the eyes are turned."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from autocal.geometry.lens import Array
from autocal.geometry.rig import Rig
from autocal.verify.check_rotation import Rows, axes_from_fitted, refined, yaw_pitch_roll_deg
from autocal.verify.clip_pairs import Moment

#: What a window needs to have an estimate of its own.
FEWEST_MATCHES: Final = 40
FEWEST_CELLS: Final = 12


@dataclass(frozen=True, eq=False)
class Window:
    """One burst. clip: number of the clip, from 0; first_frame, last_frame: frame numbers in it;
    start_s, end_s: times of these in the clip; elapsed_s: middle of the window over all clips.

    rotation_deg: (3,), yaw, pitch, roll of the right eye against where the calibration has it;
    covariance_deg2: (3, 3), of the matches alone: what windows of one take do not share.
    matches: that agree; rejected: that do not.
    """

    clip: int
    first_frame: int
    last_frame: int
    start_s: float
    end_s: float
    elapsed_s: float
    rotation_deg: Array
    covariance_deg2: Array
    matches: int
    rejected: int

    @property
    def sigma_deg(self) -> Array:
        """(3,), of the matches alone."""
        return np.sqrt(np.diag(self.covariance_deg2))


@dataclass(frozen=True, eq=False)
class Timeline:
    """windows: those with enough matches. of_row: (n,) which window each row belongs to, -1 for none.
    agreeing: (n,) rows that agree within their window. left_out: windows with too few matches."""

    windows: tuple[Window, ...]
    of_row: NDArray[np.int64]
    agreeing: NDArray[np.bool_]
    left_out: int


def timeline(rows: Rows, moments: Sequence[Moment], rig: Rig, otherwise: NDArray[np.bool_]) -> Timeline:
    """Estimate every window on its own. otherwise: (n,) which rows agree, where a window cannot say."""
    windows: list[Window] = []
    of_row = np.full(len(rows), -1, dtype=np.int64)
    agreeing = otherwise.copy()
    to_axes = axes_from_fitted(rig)
    before, left_out = _elapsed_before(moments), 0
    frame_burst = np.array([m.burst for m in moments])
    for burst in dict.fromkeys(m.burst for m in moments):
        inside = [m for m in moments if m.burst == burst]
        members = np.flatnonzero(frame_burst[rows.frame] == burst)
        if len(members) < FEWEST_MATCHES or len(np.unique(rows.cell[members])) < FEWEST_CELLS:
            left_out += 1
            continue
        moved, fit = refined(rows.where(np.isin(np.arange(len(rows)), members)), rig)
        if fit.agreeing.sum() < FEWEST_MATCHES or fit.cells < FEWEST_CELLS:
            left_out += 1
            continue
        of_row[members] = len(windows)
        agreeing[members] = fit.agreeing
        first, last = inside[0], inside[-1]
        windows.append(
            Window(
                first.clip,
                first.index,
                last.index,
                first.time_s,
                last.time_s,
                before[first.clip] + (first.time_s + last.time_s) / 2,
                yaw_pitch_roll_deg(moved, fit.vector, rig),
                to_axes @ fit.covariance @ to_axes.T,
                int(fit.agreeing.sum()),
                int(np.sum(~fit.agreeing)),
            )
        )
    return Timeline(tuple(windows), of_row, agreeing, left_out)


def _elapsed_before(moments: Sequence[Moment]) -> dict[int, float]:
    """Seconds from the first clip's start to each clip's, as if they followed each other."""
    ends: dict[int, float] = {}
    for m in moments:
        ends[m.clip] = max(ends.get(m.clip, 0.0), m.time_s)
    starts, elapsed = {}, 0.0
    for clip in sorted(ends):
        starts[clip] = elapsed
        elapsed += ends[clip] + 1.0  # a moment passes between clips; how long is not known
    return starts
