"""The printed board: where its corners are, and what was seen of it. Plain data."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from autocal.errors import FootageError
from autocal.geometry.lens import Array

_FEWEST_INNER: Final = 3


@dataclass(frozen=True)
class Board:
    """A chessboard, or with a `dictionary` a ChArUco board.

    columns, rows: inner corners, those where four squares meet. dictionary: an OpenCV marker
    dictionary such as "5X5_100"; marker_share: a marker's side over a square's.
    """

    columns: int
    rows: int
    square_mm: float = 30.0
    dictionary: str | None = None
    marker_share: float = 0.75

    @property
    def corners(self) -> int:
        """How many inner corners there are."""
        return self.columns * self.rows

    @property
    def points_mm(self) -> Array:
        """(corners, 3), mm, row by row; x along the rows, y down, z = 0."""
        x, y = np.meshgrid(np.arange(self.columns), np.arange(self.rows))
        flat = np.stack([x.ravel(), y.ravel(), np.zeros(self.corners)], axis=1).astype(np.float64)
        return flat * self.square_mm


@dataclass(frozen=True, eq=False)
class BoardView:
    """What one eye saw of the board in one frame.

    frame: index; eye: LEFT or RIGHT. corner: (n,), indices into `Board.points_mm`; pixel: (n, 2), px.
    """

    frame: int
    eye: int
    corner: NDArray[np.int64]
    pixel: Array

    def __len__(self) -> int:
        return len(self.corner)


def board_of(text: str, square_mm: float, dictionary: str | None, marker_share: float) -> Board:
    """The board of a text like "10x7". Raises FootageError on what is no board."""
    match = re.fullmatch(r"(\d{1,3})[xX](\d{1,3})", text.strip())
    if not match or min(int(match[1]), int(match[2])) < _FEWEST_INNER:
        raise FootageError(
            f"--board {text}: expected how many inner corners, at least {_FEWEST_INNER} each way, like 10x7 "
            "(a chessboard of 11 x 8 squares)"
        )
    if not square_mm > 0:
        raise FootageError(f"--square-mm {square_mm:g}: a square has a side of more than nothing")
    if not 0.1 < marker_share < 1.0:
        raise FootageError("a marker's side must be between 0.1 and 1 of its square's")
    return Board(int(match[1]), int(match[2]), square_mm, dictionary, marker_share)
