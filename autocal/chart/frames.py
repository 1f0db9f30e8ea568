"""Chart frames off the disk: pictures, or single frames of clips, with the board found in both eyes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import repeat
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from autocal.chart.board import Board, BoardView
from autocal.chart.calibrate import Rejected
from autocal.chart.detect import find_board
from autocal.errors import FootageError
from autocal.footage.survey import Picture
from autocal.geometry.lens import ImageCircle

Gray = NDArray[np.uint8]
Progress = Callable[[str, int, int], None]

_MOST_FRAMES_OF_A_CLIP: Final = 40


@dataclass(frozen=True, eq=False)
class ChartFrames:
    """What was seen of the board; the left half counts as the left eye.

    names: of the frames, in order; views: boards found; missing: where not, and why; circles: of
    both eyes, None where not seen; half_size: (width, height) px; digest: SHA-256 over the files.
    """

    names: tuple[str, ...]
    views: tuple[BoardView, ...]
    missing: tuple[Rejected, ...]
    circles: tuple[ImageCircle | None, ImageCircle | None]
    half_size: tuple[int, int]
    digest: str

    def exchanged(self) -> ChartFrames:
        """The same with the eyes exchanged, for frames that hold the left eye's picture on the right."""
        return replace(
            self,
            views=tuple(replace(view, eye=1 - view.eye) for view in self.views),
            missing=tuple(replace(each, eye=1 - each.eye) for each in self.missing),
            circles=self.circles[::-1],
        )


def read_chart_frames(files: Sequence[Path], board: Board, progress: Progress | None = None) -> ChartFrames:
    """Look for the board in both halves of every frame.

    Of clips up to 40 evenly spread frames are looked at. progress: takes a stage, frames looked at, and how
    many there are as far as is known. Raises FootageError where a file cannot be read, sizes differ, or no
    frame shows the board.
    """
    from autocal.footage import open_footage
    from autocal.footage.glimpse import GLIMPSE_PX, shrunk

    names: list[str] = []
    views: list[BoardView] = []
    missing: list[Rejected] = []
    small: tuple[list[Any], list[Any]] = ([], [])
    tell = progress or (lambda stage, done, total: None)
    with open_footage(list(files)) as footage:
        half_size, digest = footage.half_size, footage.digest()
    for number, file in enumerate(files):
        with open_footage([file]) as footage, ThreadPoolExecutor(2) as both:
            count = footage.frame_count
            chosen = np.unique(np.linspace(0, count - 1, min(count, _MOST_FRAMES_OF_A_CLIP)).astype(int))
            total = len(names) + len(chosen) + len(files) - number - 1
            for index in chosen:
                frame = len(names)
                tell("boards", frame, total)
                names.append(file.name if count == 1 else f"{file.name} frame {index}")
                grays = [_eight_bit(picture) for picture in footage.picture(0, int(index))]
                found = both.map(find_board, grays, repeat(board), repeat(frame), (0, 1))
                for eye, (gray, view) in enumerate(zip(grays, found, strict=True)):
                    small[eye].append(shrunk(gray, GLIMPSE_PX))
                    if view is None:
                        missing.append(Rejected(frame, eye, "the board is not seen whole"))
                    else:
                        views.append(view)
    tell("boards", len(names), len(names))
    if not views:
        raise FootageError(
            f"no board of {board.columns}x{board.rows} inner corners is found in any of {len(names)} frames: "
            "check --board (inner corners, not squares), and that the board is seen whole and evenly lit"
        )
    return ChartFrames(
        tuple(names), tuple(views), tuple(missing), _circles(small, half_size), half_size, digest
    )


def _eight_bit(picture: Picture) -> Gray:
    return picture if picture.dtype == np.uint8 else (picture >> 8).astype(np.uint8)


def _circles(
    small: tuple[list[Any], list[Any]], half_size: tuple[int, int]
) -> tuple[ImageCircle | None, ImageCircle | None]:
    from autocal.footage.image_circle import find_image_circle

    found = [find_image_circle(np.max(eye, axis=0), np.median(eye, axis=0), half_size) for eye in small]
    left, right = (f.circle if f.found else None for f in found)
    return left, right
