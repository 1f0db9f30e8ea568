"""A reel: pictures in order, from a video file or from stills. What the rest of the room asks of one."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np

from autocal.footage.survey import Picture


@dataclass(frozen=True, eq=False)
class ReelFrame:
    """One whole picture of a reel, as displayed: luma (H, W), its number in display order and its time.

    samples: luma, possibly a view of memory the decoder uses again: take `columns` before the next frame.
    shift: by how many bits the samples must be moved up to stand on top of their type.
    """

    index: int
    time_s: float
    samples: Picture
    shift: int = 0

    def columns(self, first: int, last: int) -> Picture:
        """Luma of columns `first` to `last` - 1, to keep: a copy, in one pass."""
        part = self.samples[:, first:last]
        return np.left_shift(part, self.shift, order="C") if self.shift else part.copy(order="C")


class Reel(Protocol):
    """Pictures in order. `notes` grows while frames are read, as damage comes to light.

    read_as_seen: whether `read` gives pictures as people see them too, like `shown`.
    """

    files: tuple[Path, ...]
    size: tuple[int, int]
    frame_count: int
    frame_rate: float | None
    key_frames: Sequence[int]
    read_as_seen: bool
    notes: list[str]

    @property
    def name(self) -> str:
        """How messages call the reel."""

    def glance(self, index: int) -> ReelFrame | None:
        """The key frame at or near `index`, decoded as cheaply as can be; None where it cannot be decoded."""

    def read(self, indices: Sequence[int]) -> Iterator[ReelFrame]:
        """The frames of these rising numbers, as far as they can be decoded."""

    def shown(self, index: int) -> ReelFrame:
        """Picture `index` as people see it; FootageError where it cannot be decoded."""

    def close(self) -> None:
        """Let go of the files."""
