"""What the footage room hands on: frames, the bursts chosen, and the survey they were chosen from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from autocal.averaging import averaged_by_halves

if TYPE_CHECKING:
    from autocal.footage.image_circle import FoundCircle

#: More than any look at a whole half needs.
REDUCED_PX = 1024
#: Luma, (H, W), uint8 or uint16; fewer than 16 bits stand on top, so that every type spans its range.
Picture = NDArray[np.unsignedinteger[Any]]
#: Called with the stage, what is done, and what there is to do.
Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, eq=False)
class StereoFrame:
    """One moment seen by both lenses.

    clip: which clip of the footage; index: frame number in it, display order; time_s: from its first frame.
    halves: two (H, W) luma pictures, uint8 or uint16; the left half of the frame (or the --left file) first.
    reduced: the same, averaged down by halves to some REDUCED_PX across; who needs them smaller begins there.
    """

    clip: int
    index: int
    time_s: float
    halves: tuple[Picture, Picture]

    @cached_property
    def reduced(self) -> tuple[Picture, Picture]:
        """Worked out once, for all who look."""
        left, right = (averaged_by_halves(half, REDUCED_PX) for half in self.halves)
        return left, right


@dataclass(frozen=True)
class FrameChoice:
    """One burst: frames of one clip that follow each other. indices: display order, rising."""

    clip: int
    indices: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class Survey:
    """The bursts chosen, and what the probed frames looked like at low resolution.

    bursts: in the order of clips and time. half_size: (width, height) of a half, px.
    probed: (clip, index) of every frame looked at.
    brightest, typical: (2, h, w) float32 in 0..1, per half: maximum and mean over all probed.
    circles: of the two halves, where choosing found them.
    """

    bursts: tuple[FrameChoice, ...]
    half_size: tuple[int, int]
    probed: tuple[tuple[int, int], ...]
    brightest: NDArray[np.float32]
    typical: NDArray[np.float32]
    circles: tuple[FoundCircle, FoundCircle] | None = None

    @property
    def frame_count(self) -> int:
        """How many frames the bursts hold."""
        return sum(len(burst.indices) for burst in self.bursts)
