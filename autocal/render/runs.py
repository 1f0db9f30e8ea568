"""Where the filter sits for every output sample, in little more than a byte a sample.

Along a row of the output, the position in the source moves on by nearly even steps. So a row is cut
into runs of one weight table width, a run says where it starts and the first step, and each sample
only by how much the step bends there: the second difference of the position, counted in the 1 / PHASES
px that positions are held to. Adding up gives the positions back exactly. Eight bytes a sample would
be 0.3 GB for a film of 8192x4096, and slower to fetch (`benchmarks/bench_render.py`).

A position is one number: y in units of 1 / PHASES px in the upper 32 bits, x in the lower. Steps and
bends are the same sum of two, so that one addition moves both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from autocal.render.filters import PHASES

#: Marks an output sample that has no place.
NOT_HERE = 0xFFFF
#: A bend code's low half is the bend along x, its upper half that along y, both less this.
_STRAIGHT = 8
_UNBENT = _STRAIGHT << 4 | _STRAIGHT
_Y_BITS = 32

Uint16 = NDArray[np.uint16]
Int64 = NDArray[np.int64]


def _bends() -> Int64:
    code = np.arange(256, dtype=np.int64)
    bends = ((code >> 4) - _STRAIGHT << _Y_BITS) + (code & 15) - _STRAIGHT
    bends.setflags(write=False)
    return bends


#: (256,) what a code adds to the step.
BENDS = _bends()


@dataclass(frozen=True, eq=False)
class Places:
    """Where the filter sits, plainly.

    first_x, first_y: (height, width) first source pixel under the filter, or NOT_HERE;
    row_x, row_y: the same shape, rows of the weight table, or NOT_HERE.
    """

    first_x: Uint16
    first_y: Uint16
    row_x: Uint16
    row_y: Uint16


@dataclass(frozen=True, eq=False)
class Runs:
    """Where the filter sits, packed.

    bends: (height, width) index into `BENDS`. runs: (n, 5), in order of rows: the run's first column, the
    position and the step as they were one sample earlier, and the rows of the weight table along x
    and y that belong to phase 0, negative where the samples have no place. first_run: (height + 1,)
    where each row's runs begin; the last is n.
    """

    bends: NDArray[np.uint8]
    runs: Int64
    first_run: Int64

    def places(self) -> Places:
        """The same, plainly."""
        height, width = self.bends.shape
        row = np.repeat(np.arange(height), np.diff(self.first_run))
        start = row * width + self.runs[:, 0]
        length = np.diff(start, append=height * width)
        before, step, row_x, row_y = (np.repeat(column, length) for column in self.runs[:, 1:].T)
        # Sums run on from row to row and wrap: only what they gain within a run counts.
        gained = BENDS[self.bends.ravel()].cumsum()
        step += gained - np.repeat(gained[start], length)
        travelled = step.cumsum()
        position = before + travelled - np.repeat(travelled[start] - step[start], length)
        x, y = position & ((1 << _Y_BITS) - 1), position >> _Y_BITS
        columns = (x // PHASES, y // PHASES, row_x + x % PHASES, row_y + y % PHASES)
        plain = (np.where(row_x < 0, NOT_HERE, c).astype(np.uint16).reshape(height, width) for c in columns)
        return Places(*plain)


def packed_runs(x: Int64, y: Int64, row_x: Int64, row_y: Int64, here: NDArray[np.bool_]) -> Runs:
    """Pack the places of some rows of output samples.

    x, y: (height, width) first source pixel under the filter plus the phase, in 1 / PHASES px, not
    negative where `here`. row_x, row_y: rows of the weight table that belong to phase 0. here:
    which samples have a place.
    """
    bend_x, bend_y = (np.diff(position, 2, axis=1) + _STRAIGHT for position in (x, y))
    bends = (bend_y << 4) | bend_x
    starts = np.ones(x.shape, dtype=bool)
    starts[:, 1:] = here[:, 1:] != here[:, :-1]
    starts[:, 1:] |= here[:, 1:] & ((row_x[:, 1:] != row_x[:, :-1]) | (row_y[:, 1:] != row_y[:, :-1]))
    starts[:, 2:] |= here[:, 2:] & ((bend_x | bend_y) & ~15 != 0)
    # The first sample of a run says where it is, the second how far it is from one to the next.
    told = starts[:, 2:] | starts[:, 1:-1] | ~here[:, 2:]
    codes = np.full(x.shape, _UNBENT, np.uint8)
    codes[:, 2:] = np.where(told, _UNBENT, bends)
    row, column = np.nonzero(starts)
    second = np.minimum(column + 1, x.shape[1] - 1)
    position = (y << _Y_BITS) + x
    step = np.where(starts[row, second], 0, position[row, second] - position[row, column])
    columns = (column, position[row, column] - step, step, row_x[row, column], row_y[row, column])
    runs = np.stack(columns, axis=1)
    runs[~here[row, column], 1:] = (0, 0, -1, -1)
    return Runs(codes, runs, np.append(0, starts.sum(axis=1).cumsum()))


def joined(bands: Sequence[Runs]) -> Runs:
    """Bands of rows below each other, as one."""
    counts = np.concatenate([np.diff(band.first_run) for band in bands])
    return Runs(
        np.concatenate([band.bends for band in bands]),
        np.concatenate([band.runs for band in bands]),
        np.append(0, counts.cumsum()),
    )
