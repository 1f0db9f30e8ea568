"""Which rows are summed up together: those of a point, of a point in a frame, and of a frame.

Points are taken in the order of the frames that see them, a few at a time: few frames see any of them
(a burst, or two that overlap), and what is between points and poses then fits in small dense blocks.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import torch
from torch import Tensor

_POINTS_AT_ONCE = 96


@dataclass(frozen=True, eq=False)
class Bags:
    """Groups of the rows of a table (2 n, ...), the v of all observations after the u of all.

    order: (2 n,), the table's rows group by group. start: (groups,), where each begins in it.
    """

    order: Tensor
    start: Tensor

    @staticmethod
    def of(label: Tensor, groups: int) -> Bags:
        """label: (n,), the group of each observation."""
        count = 2 * torch.bincount(label, minlength=groups)
        return Bags(torch.argsort(label.repeat(2), stable=True), torch.cumsum(count, 0) - count)

    @cached_property
    def sizes(self) -> list[int]:
        """How many rows each group has."""
        return torch.diff(self.start, append=self.start.new_tensor([len(self.order)])).tolist()

    @cached_property
    def _thrice(self) -> tuple[Tensor, Tensor]:
        """`order` and `start` of three tables' groups, one table's after the other's."""
        size = len(self.order)
        start = size * torch.arange(3, device=self.start.device)[:, None] + self.start
        return self.order.repeat(3), start.flatten()

    def sums(self, weights: Tensor, table: Tensor) -> Tensor:
        """(3, groups, m): the rows of a table (2 n, m), thrice, each time weighted (3, 2, n) and summed."""
        order, start = self._thrice
        listed = weights.reshape(3, -1).gather(1, order.view(3, -1))
        # What embeds words serves as well: a weighted sum of the rows that a bag lists.
        found = torch.nn.functional.embedding_bag(
            order, table, start, mode="sum", per_sample_weights=listed.flatten()
        )
        return found.view(3, len(self.start), table.shape[1])


@dataclass(frozen=True, eq=False)
class Piece:
    """Some points (of the layout's order), their sights (of `Layout.by_sight`) and the frames these lie in.

    place: (sights,), point by point and frame by frame, where a sight lies among all there could be.
    """

    points: slice
    sights: slice
    frames: slice
    place: Tensor

    @property
    def shape(self) -> tuple[int, int]:
        """How many points and frames."""
        return self.points.stop - self.points.start, self.frames.stop - self.frames.start


@dataclass(frozen=True, eq=False)
class Layout:
    """The rows, group by group.

    point: (a,), the points that are seen at all, in order of the frames that see them; place: (n,), where in
    that order a row's point stands. sight_place, sight_frame: (q,), point and frame of each group of
    `by_sight`, point after point.
    """

    point: Tensor
    place: Tensor
    by_point: Bags
    by_sight: Bags
    by_frame: Bags
    sight_place: Tensor
    sight_frame: Tensor
    pieces: list[Piece]


def layout_of(point: Tensor, frame: Tensor) -> Layout:
    """The layout of rows of points and frames (n,)."""
    frames = int(frame.max()) + 1 if len(frame) else 1
    seen, index = torch.unique(point, return_inverse=True)
    first = torch.full_like(seen, frames).scatter_reduce(0, index, frame, "amin")
    last = torch.full_like(seen, -1).scatter_reduce(0, index, frame, "amax")
    order = torch.argsort(first * frames + last, stable=True)
    place = torch.empty_like(order)
    place[order] = torch.arange(len(order), device=order.device)
    place = place[index]
    sights, sight = torch.unique(place * frames + frame, return_inverse=True)
    sight_place = sights // frames
    return Layout(
        point=seen[order],
        place=place,
        by_point=Bags.of(place, len(seen)),
        by_sight=Bags.of(sight, len(sights)),
        by_frame=Bags.of(frame, frames),
        sight_place=sight_place,
        sight_frame=sights % frames,
        pieces=_pieces(first[order].tolist(), last[order].tolist(), sight_place, sights % frames),
    )


def _pieces(first: list[int], last: list[int], sight_place: Tensor, sight_frame: Tensor) -> list[Piece]:
    """first, last: (a,), the frames between which each point is seen."""
    starts = range(0, len(first), _POINTS_AT_ONCE)
    bounds = torch.searchsorted(sight_place, sight_place.new_tensor([*starts, len(first)])).tolist()
    pieces = []
    for start, *sights in zip(starts, bounds, bounds[1:], strict=False):
        points, own = slice(start, min(start + _POINTS_AT_ONCE, len(first))), slice(*sights)
        frames = slice(min(first[points]), max(last[points]) + 1)
        place = (sight_place[own] - start) * (frames.stop - frames.start) + sight_frame[own] - frames.start
        pieces.append(Piece(points, own, frames, place))
    return pieces
