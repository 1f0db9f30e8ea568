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

    a: (n, 128), b: (m, 128), unit descriptors. Everything is possible, and a rival: few thousands, as the
    table of all distances is held.
    """
    import torch
    from kornia.feature import match_smnn

    one, other = torch.from_numpy(a).to(device), torch.from_numpy(b).to(device)
    cosines = one @ other.T
    _, index = match_smnn(one, other, _RATIO, (2.0 - 2.0 * cosines).clamp_min(0.0).sqrt())
    rows, columns = index.unbind(1)
    similarity = cosines[rows, columns].double()
    pairs = Pairs(rows.cpu().numpy(), columns.cpu().numpy(), similarity.cpu().numpy())
    return pairs.where(pairs.similarity > _LEAST_SIMILARITY)


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
