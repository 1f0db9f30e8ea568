"""Turning a stored picture into the picture as displayed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from autocal.footage.survey import Picture


@dataclass(frozen=True)
class Orientation:
    """Transpose first (rows become columns), then mirror along x and y."""

    transpose: bool = False
    mirror_x: bool = False
    mirror_y: bool = False

    @property
    def is_upright(self) -> bool:
        """Whether there is nothing to do."""
        return not (self.transpose or self.mirror_x or self.mirror_y)

    def apply(self, picture: Picture) -> Picture:
        """The picture (H, W) or (H, W, C) as displayed."""
        if self.transpose:
            picture = np.swapaxes(picture, 0, 1)
        if self.mirror_x:
            picture = picture[:, ::-1]
        if self.mirror_y:
            picture = picture[::-1]
        return picture

    def size(self, width: int, height: int) -> tuple[int, int]:
        """(width, height) as displayed of a picture stored with this width and height."""
        return (height, width) if self.transpose else (width, height)


UPRIGHT = Orientation()

# Tag 274 of TIFF 6.0 (1992), p. 36, which Exif takes over: where the stored row 0 and column 0 are shown.
_EXIF = {
    2: Orientation(mirror_x=True),
    3: Orientation(mirror_x=True, mirror_y=True),
    4: Orientation(mirror_y=True),
    5: Orientation(transpose=True),
    6: Orientation(transpose=True, mirror_x=True),
    7: Orientation(transpose=True, mirror_x=True, mirror_y=True),
    8: Orientation(transpose=True, mirror_y=True),
}


def orientation_of_exif(tag: int) -> Orientation:
    """The orientation an Exif or TIFF tag 274 asks for; unknown values count as upright."""
    return _EXIF.get(tag, UPRIGHT)


def orientation_of_display_matrix(matrix: Sequence[int]) -> Orientation:
    """The quarter turn and mirroring nearest to a display matrix of nine numbers, row by row.

    ISO/IEC 14496-12, 6.2.2: stored (p, q) is shown at (a p + c q, b p + d q), matrix = a b u, c d v, x y w.
    """
    a, b, c, d = matrix[0], matrix[1], matrix[3], matrix[4]
    if abs(a) + abs(d) >= abs(b) + abs(c):
        return Orientation(mirror_x=a < 0, mirror_y=d < 0)
    return Orientation(transpose=True, mirror_x=c < 0, mirror_y=b < 0)


def orientation_of_frame(frame: Any) -> Orientation:
    """The orientation that a decoded frame's display matrix asks for; upright where it has none.

    frame: an av.VideoFrame.
    """
    try:
        entries = frame.side_data
    except ValueError:  # side data of a kind that PyAV has no name for; upside down is all that can be told
        return Orientation(mirror_x=True, mirror_y=True) if abs(frame.rotation) == 180 else UPRIGHT
    matrix = entries.get("DISPLAYMATRIX")
    if matrix is None:
        return UPRIGHT
    return orientation_of_display_matrix(np.frombuffer(bytes(matrix), dtype="<i4").tolist())
