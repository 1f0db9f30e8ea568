"""Which descriptor of one picture answers to which of another, as dense matrix products."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from autocal.geometry.lens import Array
from autocal.matches import Ints

if TYPE_CHECKING:
    import torch

    Reach = Callable[[slice], tuple[torch.Tensor, torch.Tensor]]

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


def mutual_pairs(
    a: NDArray[np.float32], b: NDArray[np.float32], device: str = "cpu", reach: Reach | None = None
) -> Pairs:
    """Pairs that are each other's best, and clearly better than any rival of either point.

    a: (n, 128), b: (m, 128), unit descriptors. reach: for a slice of the rows of `a`, two masks
    (rows, m): pairs that are possible at all, and pairs to be clearly better than. The second
    holds the first; wider, it keeps one tooth of a comb from being taken for the next. Without
    it everything is possible, and a rival.
    """
    import torch

    n, m = len(a), len(b)
    if n < 2 or m < 2:
        return Pairs(np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0))
    rows_of, columns = torch.from_numpy(a).to(device), torch.from_numpy(b).to(device).T
    best_of_b = torch.full((m,), -1.0, device=device)
    rival_of_b = next_rival_of_b = best_of_b
    parts = []
    for start in range(0, n, _BLOCK):
        rows = slice(start, start + _BLOCK)
        cosines = rows_of[rows] @ columns
        allowed = cosines
        if reach is not None:
            gate, rivals = reach(rows)
            allowed = cosines.masked_fill(~gate, -1.0)
            cosines.masked_fill_(~rivals, -1.0)
        best, index = allowed.max(dim=1)
        best_of_b = torch.maximum(best_of_b, allowed.amax(dim=0))
        parts.append((best, index, cosines.topk(2, dim=1).values))
        first = cosines.amax(dim=0)
        second = cosines.masked_fill_(cosines == first, -1.0).amax(dim=0)
        beaten = torch.minimum(rival_of_b, first)
        next_rival_of_b = torch.maximum(beaten, torch.maximum(next_rival_of_b, second))
        rival_of_b = torch.maximum(rival_of_b, first)
    best, index, rivals_of_a = (torch.cat(list(part)) for part in zip(*parts, strict=True))
    keep = torch.nonzero((best == best_of_b[index]) & (best > _LEAST_SIMILARITY))[:, 0]
    best, index = best[keep], index[keep]
    # The pair itself is among the rivals: where it is the best of them, the second counts.
    by_row = torch.where(rivals_of_a[keep, 0] == best, rivals_of_a[keep, 1], rivals_of_a[keep, 0])
    by_column = torch.where(rival_of_b[index] == best, next_rival_of_b[index], rival_of_b[index])
    limit = (_RATIO if reach is None else _GUIDED_RATIO) ** 2
    # Squared distances of unit vectors: 2 - 2 cosine.
    clear = (1.0 - best) < limit * (1.0 - torch.maximum(by_row, by_column))
    return Pairs(
        keep[clear].cpu().numpy().astype(np.int64),
        index[clear].cpu().numpy().astype(np.int64),
        best[clear].cpu().numpy().astype(np.float64),
    )
