"""Which descriptor of one picture answers to which of another, as dense matrix products."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from autocal.geometry.lens import Array
from autocal.matches import Ints

if TYPE_CHECKING:
    import torch

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


def similarity_matrix(a: NDArray[np.float32], b: NDArray[np.float32], device: str) -> torch.Tensor:
    """Cosines (n, m) between unit descriptors (n, 128) and (m, 128)."""
    import torch

    return torch.from_numpy(a).to(device) @ torch.from_numpy(b).to(device).T


def mutual_pairs(
    cosines: torch.Tensor, gate: torch.Tensor | None = None, rivals: torch.Tensor | None = None
) -> Pairs:
    """Pairs that are each other's best, and clearly better than any rival of either point.

    cosines: (n, m). gate: (n, m) bool, pairs that are possible at all; None for any.
    rivals: (n, m) bool, pairs to be clearly better than; the gate where not given. Wider than the
    gate, it keeps one tooth of a comb from being taken for the next.
    """
    import torch

    n, m = cosines.shape
    if n < 2 or m < 2:
        return Pairs(np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0))
    allowed = cosines if gate is None else cosines.masked_fill(~gate, -1.0)
    best, of_a = allowed.max(dim=1)
    best_of_b = allowed.amax(dim=0)
    keep = (best == best_of_b[of_a]) & (best > _LEAST_SIMILARITY)
    a, b, best = torch.nonzero(keep)[:, 0], of_a[keep], best[keep]
    others = allowed if rivals is None else cosines.masked_fill(~rivals, -1.0)
    others[a, b] = -1.0  # put back below: a copy of so large a matrix costs more
    second = torch.maximum(others.amax(dim=1)[a], others.amax(dim=0)[b])
    others[a, b] = best
    limit = (_RATIO if gate is None else _GUIDED_RATIO) ** 2
    clear = (1.0 - best) < limit * (1.0 - second)  # squared distances of unit vectors: 2 - 2 cosine
    return Pairs(
        a[clear].cpu().numpy().astype(np.int64),
        b[clear].cpu().numpy().astype(np.int64),
        best[clear].cpu().numpy().astype(np.float64),
    )
