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
_GUIDED_RATIO = 0.88  # inside a gate there are few rivals, all of them near
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


def mutual_pairs(cosines: torch.Tensor, gate: torch.Tensor | None = None) -> Pairs:
    """Pairs that are each other's best, and clearly better than the second best both ways.

    cosines: (n, m). gate: (n, m) bool, pairs that are possible at all; None for any.
    """
    import torch

    n, m = cosines.shape
    if n < 2 or m < 2:
        return Pairs(np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0))
    if gate is not None:
        cosines = cosines.masked_fill(~gate, -1.0)
    two, index = cosines.topk(2, dim=1)
    best_of_b = cosines.max(dim=0).indices
    best = index[:, 0]
    mutual = best_of_b[best] == torch.arange(n, device=cosines.device)
    # Squared distances of unit vectors: 2 - 2 cosine.
    limit = (_RATIO if gate is None else _GUIDED_RATIO) ** 2
    clear = (1.0 - two[:, 0]) < limit * (1.0 - two[:, 1])
    keep = torch.nonzero(mutual & clear & (two[:, 0] > _LEAST_SIMILARITY))[:, 0]
    return Pairs(
        keep.cpu().numpy().astype(np.int64),
        best[keep].cpu().numpy().astype(np.int64),
        two[keep, 0].cpu().numpy().astype(np.float64),
    )
