"""Robust losses: two functions of the squared, whitened residual each.

A loss knows nothing of what is measured; the optimiser knows nothing of the loss's shape.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from torch import Tensor


class Loss(Protocol):
    """`value(r2)` is what is minimised, `weight(r2)` its derivative: the weight in least squares."""

    def value(self, r2: Tensor) -> Tensor: ...

    def weight(self, r2: Tensor) -> Tensor: ...


@dataclass(frozen=True)
class Squares:
    """Plain least squares."""

    def value(self, r2: Tensor) -> Tensor:
        return r2

    def weight(self, r2: Tensor) -> Tensor:
        return r2.new_ones(r2.shape)


@dataclass(frozen=True)
class GemanMcClure:
    """r2 / (1 + r2 / c2): what lies far beyond `scale` sigmas stops pulling.

    Geman and McClure, Bulletin of the International Statistical Institute 52(4), 1987; annealed
    from a wide scale to a narrow one as in Yang et al., IEEE RA-L 5(2), 2020 (graduated non-convexity).
    """

    scale: float

    def value(self, r2: Tensor) -> Tensor:
        return r2 / (1 + r2 / self.scale**2)

    def weight(self, r2: Tensor) -> Tensor:
        return 1 / (1 + r2 / self.scale**2) ** 2
