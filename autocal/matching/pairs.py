"""Which descriptor of one picture answers to which of another, freely or within reach."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from autocal.geometry.lens import Array
from autocal.matches import Ints

Floats = NDArray[np.float32]

_RATIO = 0.82  # Lowe, IJCV 60(2), 2004, sec. 7.1: best over second best distance
_GUIDED_RATIO = 0.85  # the rivals lie near, or on one curve: fewer chances to be like
_LEAST_SIMILARITY = 0.72
_BLOCK = 256  # rows at a time: stays in a processor's cache


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
    import torch

    n, m = len(a), len(b)
    if n < 2 or m < 2:
        return _NO_PAIRS
    rows_of, columns = torch.from_numpy(a).to(device), torch.from_numpy(b).to(device).T
    best_of_b = torch.full((m,), -1.0, device=device)
    rival_of_b = best_of_b
    parts = []
    for start in range(0, n, _BLOCK):
        cosines = rows_of[start : start + _BLOCK] @ columns
        best, index = cosines.topk(2, dim=1)
        parts.append((best, index[:, 0]))
        first = cosines.amax(dim=0)
        second = cosines.masked_fill_(cosines == first, -1.0).amax(dim=0)
        rival_of_b = torch.maximum(torch.minimum(best_of_b, first), torch.maximum(rival_of_b, second))
        best_of_b = torch.maximum(best_of_b, first)
    best, index = (torch.cat(list(part)) for part in zip(*parts, strict=True))
    found = (values.cpu().numpy() for values in (best[:, 0], index, best[:, 1], best_of_b, rival_of_b))
    best_of_a, index_of_a, rival_of_a, best_at_b, rival_at_b = found
    rows = np.flatnonzero(best_of_a == best_at_b[index_of_a])
    rival = np.maximum(rival_of_a[rows], rival_at_b[index_of_a[rows]])
    return _clear(rows, index_of_a[rows], best_of_a[rows], rival, _RATIO)


def guided_pairs(a: Floats, b: Floats, reach: Reach) -> Pairs:
    """Pairs that are each other's best of what is possible, and clearly better than any rival within reach.

    a: (n, 128), b: (m, 128), unit descriptors.
    """
    from autocal.matching.pairs_kernel import best_within_reach

    index, best, rival = best_within_reach(
        a, b, reach.target, reach.twice, reach.possible, reach.alike, reach.normal, reach.half_width
    )
    rows = np.flatnonzero(index >= 0)
    return _clear(rows, index[rows], best[rows], rival[rows], _GUIDED_RATIO)


def _clear(a: Ints, b: Ints, similarity: Floats, rival: Floats, ratio: float) -> Pairs:
    """The pairs that are alike and clearly more so than their rivals."""
    # Squared distances of unit vectors: 2 - 2 cosine.
    keep = (similarity > _LEAST_SIMILARITY) & (1.0 - similarity < ratio**2 * (1.0 - rival))
    return Pairs(a[keep].astype(np.int64), b[keep].astype(np.int64), similarity[keep].astype(np.float64))


_NO_PAIRS = Pairs(np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0))
