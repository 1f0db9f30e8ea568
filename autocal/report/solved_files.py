"""The files of a solve: the calibration, its ST map and the pictures that show what it does."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from pathlib import Path
from threading import Thread

import numpy as np

from autocal.allocator import make_room
from autocal.calibration import Calibration
from autocal.footage import Picture
from autocal.geometry import Rig, vertical_disparity
from autocal.mapping import st_map, write_st_map
from autocal.report import pictures
from autocal.solving import PairsSeen, Solved

#: Of an ST map on its way into its file: u, v, where it sees anything, and that as a channel. The empty one
#: takes no memory.
_BYTES_A_POSITION = (4, 4, 1, 4)


class SolvedFiles:
    """Writes the files of a solve into a folder, which is there.

    size: (width, height) px of the ST map of both eyes. drawing: draws the pictures, while the solver works
    and the map is packed.
    """

    def __init__(self, folder: Path, size: tuple[int, int], drawing: Executor) -> None:
        self._folder, self._size, self._drawing = folder, size, drawing
        self._before: Future[None] | None = None
        self._disparity: Future[None] | None = None
        self._solved = False

    def draw_before(self, picture: tuple[Picture, Picture], nominal: Rig) -> None:
        """Begin before.png, which needs no solve; told again, draw it again."""
        again = self._before is not None
        self._before = self._draw_before(picture, nominal, overwrite=again)
        if not again:
            self._before.add_done_callback(self._make_room)

    def _make_room(self, drawn: Future[None]) -> None:
        """For the map, while there is time for it."""
        if not (self._solved or drawn.cancelled() or drawn.exception()):
            sizes = [each * self._size[0] * self._size[1] for each in _BYTES_A_POSITION]
            # Not in this thread, which has the next picture to ask for.
            Thread(target=make_room, args=sizes, name="making room", daemon=True).start()

    def draw_disparity(self, nominal: Rig, unseen: PairsSeen, unseen_rig: Rig) -> None:
        """Begin disparity.png, which needs no more than what the solve is judged by."""
        self._disparity = self._draw_disparity(nominal, unseen, unseen_rig)

    def write(self, solved: Solved, tell: Callable[[str, int, int], None]) -> None:
        """Write calibration.json, stmap.exr and the pictures that are not begun yet.

        tell: progress, a stage and how far it is. Raises OutputError where a file cannot be written.
        """
        self._solved = True
        solved.calibration.save(self._folder / "calibration.json")
        with ThreadPoolExecutor(1) as beside:
            packed = beside.submit(_write_map, self._folder / "stmap.exr", solved.calibration, self._size)
            drawn = (
                self._before or self._draw_before(solved.picture, solved.nominal),
                self._draw_after(solved),
                self._draw_matches(solved),
                self._disparity or self._draw_disparity(solved.nominal, solved.unseen, solved.unseen_rig),
            )
            for done, picture in enumerate(drawn):
                tell("pictures", done, len(drawn))
                picture.result()
            tell("pictures", len(drawn), len(drawn))
            tell("ST map", 0, 1)
            packed.result()
            tell("ST map", 1, 1)

    def _draw_before(
        self, picture: tuple[Picture, Picture], nominal: Rig, *, overwrite: bool = False
    ) -> Future[None]:
        return self._drawing.submit(
            pictures.write_anaglyph_sheet,
            self._folder / "before.png",
            *picture,
            nominal,
            title="Before",
            subtitle="nominal lenses, no rotation",
            overwrite=overwrite,
        )

    def _draw_after(self, solved: Solved) -> Future[None]:
        return self._drawing.submit(
            pictures.write_anaglyph_sheet,
            self._folder / "after.png",
            *solved.picture,
            solved.calibration.view_rig,
            title="After",
            subtitle="as calibrated",
        )

    def _draw_matches(self, solved: Solved) -> Future[None]:
        used, rejected, rig = solved.used, solved.rejected, solved.calibration.rig
        here, there = used.frame == solved.picture_frame, rejected.frame == solved.picture_frame
        vertical = np.rad2deg(
            vertical_disparity(rig.directions(0, used.left[here]), rig.directions(1, used.right[here]))
        )
        return self._drawing.submit(
            pictures.write_matches_picture,
            self._folder / "matches.png",
            *solved.picture,
            used.left[here],
            used.right[here],
            60 * vertical,
            rejected.left[there],
            rejected.right[there],
            subtitle="in the frame that has most of them; "
            "rejected: not where the solved rig would see the point",
        )

    def _draw_disparity(self, nominal: Rig, unseen: PairsSeen, unseen_rig: Rig) -> Future[None]:
        return self._drawing.submit(
            pictures.write_disparity_picture,
            self._folder / "disparity.png",
            pictures.field_disparity(nominal, unseen.left, unseen.right),
            pictures.field_disparity(unseen_rig, unseen.left, unseen.right),
            subtitle="matches that were not used in the solve",
        )


def _write_map(path: Path, calibration: Calibration, size: tuple[int, int]) -> None:
    write_st_map(path, st_map(calibration, size), calibration)
