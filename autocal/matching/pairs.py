"""Which descriptor of one picture answers to which of another, freely or within reach."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from autocal.geometry.lens import Array
from autocal.matches import Ints

Floats = NDArray[np.float32]

_RATIO = 0.82  # Lowe, IJCV 60(2), 2004, sec. 7.1: best over second best distance
_GUIDED_RATIO = 0.85  # the rivals lie near, or on one curve: fewer chances to be like
_LEAST_SIMILARITY = 0.72
_BLOCK = 128  # rows at a time: stays in a processor's cache


@dataclass(frozen=True, eq=False)
class Pairs:
    """Rows that answer to each other. a, b: (n,) rows of two feature sets; similarity: (n,), at most 1."""

    a: Ints
    b: Ints
    similarity: Array

    def __len__(self) -> int:
        return len(self.a)

    def where(self, keep: NDArray[np.bool_] | Ints) -> Pairs:
        """Only the pairs marked, or listed, in `keep`."""
        return Pairs(self.a[keep], self.b[keep], self.similarity[keep])


@dataclass(frozen=True, eq=False)
class Reach:
    """Where in picture b the points of picture a may lie, and, wider, where a thing may lie that only looks
    like them: the wider reach keeps one tooth of a comb from being taken for the next.

    target: (m, 3), bearings in b. A row's reach about its expected place is a circle, twice . target >
    possible, its rivals' one twice . target > alike; of both only the strip |normal . target| <
    half_width. twice, normal: (n, 3); possible, alike: (n,).
    """

    target: Floats
    twice: Floats
    possible: Floats
    alike: Floats
    normal: Floats
    half_width: float


def mutual_pairs(a: Floats, b: Floats, device: str = "cpu") -> Pairs:
    """Pairs that are each other's best, and clearly better than any rival of either point.

    a: (n, 128), b: (m, 128), unit descriptors. Everything is possible, and a rival.
    """
    nearest = _clearly_nearest if device == "cpu" else partial(_clearly_nearest_on, device)
    rows, columns = nearest(a, b)
    column, place = np.unique(columns, return_inverse=True)
    answering, answer = nearest(b[column], a)
    row_of = np.full(len(column), -1)
    row_of[answering] = answer
    mutual = row_of[place] == rows
    rows, columns = rows[mutual], columns[mutual]
    similarity = np.einsum("ij,ij->i", a[rows], b[columns]).astype(np.float64)
    return Pairs(rows, columns, similarity).where(similarity > _LEAST_SIMILARITY)


def _clearly_nearest(rows: Floats, others: Floats) -> tuple[Ints, Ints]:
    """(k,) rows (n, 128) that have a clearly nearest among others (m, 128), and (k,) which.

    On the processor, which need not load kornia and all its modules for it.
    """
    if len(others) < 2:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    nearest, clear = np.empty(len(rows), dtype=np.int64), np.empty(len(rows), dtype=bool)
    for start in range(0, len(rows), _BLOCK):
        block = slice(start, start + _BLOCK)
        cosine = rows[block] @ others.T
        each = np.arange(len(cosine))
        nearest[block] = cosine.argmax(axis=1)
        best = cosine[each, nearest[block]]
        cosine[each, nearest[block]] = -1.0
        # Squared distances of unit vectors: 2 - 2 cosine.
        clear[block] = 1.0 - best <= _RATIO**2 * (1.0 - cosine.max(axis=1))
    found = np.flatnonzero(clear)
    return found, nearest[found]


def _clearly_nearest_on(device: str, rows: Floats, others: Floats) -> tuple[Ints, Ints]:
    """`_clearly_nearest`, found by a card."""
    import torch
    from kornia.feature import match_snn

    _, index = match_snn(torch.from_numpy(rows).to(device), torch.from_numpy(others).to(device), _RATIO)
    found, nearest = index.cpu().numpy().T
    return found, nearest


def guided_pairs(a: Floats, b: Floats, reach: Reach) -> Pairs:
    """Pairs that are each other's best of what is possible, and clearly better than any rival within reach.

    a: (n, 128), b: (m, 128), unit descriptors.
    """
    from autocal.matching.pairs_kernel import best_within_reach

    index, best, rival = best_within_reach(
        a, b, reach.target, reach.twice, reach.possible, reach.alike, reach.normal, reach.half_width
    )
    # Squared distances of unit vectors: 2 - 2 cosine.
    clear = 1.0 - best < _GUIDED_RATIO**2 * (1.0 - rival)
    rows = np.flatnonzero((index >= 0) & (best > _LEAST_SIMILARITY) & clear)
    return Pairs(rows, index[rows].astype(np.int64), best[rows].astype(np.float64))
