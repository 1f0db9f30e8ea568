"""Finding a board's corners in one eye's picture, by OpenCV's detectors.

A board near the rim of a fisheye is small and bent: what one detector misses, the other finds, or
either finds in the picture enlarged. Corners are then refined on the picture itself.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from autocal.chart.board import Board, BoardView
from autocal.errors import FootageError
from autocal.geometry.lens import Array

Gray = NDArray[np.uint8]

_SCALES: Final = (1.0, 2.0, 0.5)
_WINDOW_SHARE: Final = 0.22  # of the distance to the next corner: no other corner in the window
_WIDEST_WINDOW_PX: Final = 7
_LARGEST_SIDE_PX: Final = 3000  # a detector sees no more in larger pictures, and takes its time
_FEWEST_CHARUCO: Final = 8


def find_board(picture: Gray, board: Board, frame: int, eye: int) -> BoardView | None:
    """The board's corners in an eye's picture (height, width), or None where it is not found.

    Corners are numbered so that the first inner square is dark, where the board's shape allows to
    tell; a chessboard is seen whole, or not at all.

    Raises FootageError on an unknown marker dictionary.
    """
    import cv2

    picture = np.ascontiguousarray(picture)
    if board.dictionary:
        return _find_charuco(cv2, picture, board, frame, eye)
    for scaled, scale in _enlarged(cv2, picture):
        for pixel in _chessboards(cv2, scaled, board):
            refined = _refined(cv2, picture, (pixel + 0.5) / scale - 0.5, board)
            grid = _numbered(picture, refined, board)
            if grid is not None:
                return BoardView(frame, eye, np.arange(board.corners), grid)
    return None


def _enlarged(cv2: Any, picture: Gray) -> Iterator[tuple[Gray, float]]:
    longest = max(picture.shape)
    for factor in _SCALES:
        scale = factor * min(1.0, _LARGEST_SIDE_PX / longest / max(_SCALES))
        if scale == 1.0:
            yield picture, 1.0
            continue
        how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
        size = (round(picture.shape[1] * scale), round(picture.shape[0] * scale))
        # Rounding the size bends the scale by less than the refinement takes back.
        yield cv2.resize(picture, size, interpolation=how), scale


def _chessboards(cv2: Any, picture: Gray, board: Board) -> Iterator[Array]:
    size = (board.columns, board.rows)
    found, pixel = cv2.findChessboardCorners(
        picture,
        size,
        flags=cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE | cv2.CALIB_CB_FAST_CHECK,
    )
    if found:
        yield np.asarray(pixel, dtype=np.float64).reshape(-1, 2)
    found, pixel = cv2.findChessboardCornersSB(
        picture, size, flags=cv2.CALIB_CB_NORMALIZE_IMAGE | cv2.CALIB_CB_ACCURACY
    )
    if found:
        yield np.asarray(pixel, dtype=np.float64).reshape(-1, 2)


def _refined(cv2: Any, picture: Gray, pixel: Array, board: Board) -> Array:
    """Corners to a fraction of a pixel, each in a window that holds no other."""
    grid = pixel.reshape(board.rows, board.columns, 2)
    gaps = np.full((board.rows, board.columns), np.inf)
    along, down = (np.linalg.norm(np.diff(grid, axis=axis), axis=-1) for axis in (1, 0))
    gaps[:, 1:], gaps[:, :-1] = along, np.minimum(gaps[:, :-1], along)
    gaps[:, :-1] = np.minimum(gaps[:, :-1], along)
    gaps[1:], gaps[:-1] = np.minimum(gaps[1:], down), np.minimum(gaps[:-1], down)
    windows = np.clip(_WINDOW_SHARE * gaps.ravel(), 2, _WIDEST_WINDOW_PX).astype(int)
    refined = pixel.copy()
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 60, 1e-4)
    for window in np.unique(windows):
        chosen = windows == window
        start = pixel[chosen].astype(np.float32).reshape(-1, 1, 2)
        found = cv2.cornerSubPix(picture, start, (int(window), int(window)), (-1, -1), stop)
        refined[chosen] = found.reshape(-1, 2)
    strayed = np.linalg.norm(refined - pixel, axis=1) > windows
    refined[strayed] = pixel[strayed]
    return refined


def _numbered(picture: Gray, pixel: Array, board: Board) -> Array | None:
    """The corners in the board's own order; None where they are no board that faces the camera.

    Turned by half a turn a board looks the same, but for its colours when rows and columns are not
    both odd or both even.
    """
    grid = pixel.reshape(board.rows, board.columns, 2)
    along, down = grid[:-1, 1:] - grid[:-1, :-1], grid[1:, :-1] - grid[:-1, :-1]
    facing = along[..., 0] * down[..., 1] - along[..., 1] * down[..., 0]
    if np.all(facing < 0):
        grid = grid[:, ::-1]
    elif not np.all(facing > 0):
        return None
    if (board.columns + board.rows) % 2 and _first_square_is_light(picture, grid):
        grid = grid[::-1, ::-1]
    return grid.reshape(-1, 2).copy()


def _first_square_is_light(picture: Gray, grid: Array) -> bool:
    centres = 0.25 * (grid[:-1, :-1] + grid[1:, :-1] + grid[:-1, 1:] + grid[1:, 1:])
    x, y = np.clip(np.round(centres), 0, np.array(picture.shape[::-1]) - 1).astype(int).reshape(-1, 2).T
    values = picture[y, x].astype(np.float64).reshape(centres.shape[:2])
    parity = np.add.outer(np.arange(values.shape[0]), np.arange(values.shape[1])) % 2
    return bool(np.median(values[parity == 0]) > np.median(values[parity == 1]))


def _find_charuco(cv2: Any, picture: Gray, board: Board, frame: int, eye: int) -> BoardView | None:
    name = f"DICT_{(board.dictionary or '').upper().removeprefix('DICT_')}"
    if not hasattr(cv2.aruco, name):
        raise FootageError(f"unknown marker dictionary {board.dictionary!r}: expected one like 5X5_100")
    charuco = cv2.aruco.CharucoBoard(
        (board.columns + 1, board.rows + 1),
        board.square_mm,
        board.square_mm * board.marker_share,
        cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name)),
    )
    detector = cv2.aruco.CharucoDetector(charuco)
    best: BoardView | None = None
    for scaled, scale in _enlarged(cv2, picture):
        pixel, number, _, _ = detector.detectBoard(scaled)
        if number is None or len(number) < _FEWEST_CHARUCO or (best and len(number) <= len(best)):
            continue
        places = (np.asarray(pixel, dtype=np.float64).reshape(-1, 2) + 0.5) / scale - 0.5
        best = BoardView(frame, eye, np.asarray(number, dtype=np.int64).ravel(), places)
    return best
