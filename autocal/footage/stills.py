"""Stills read through OpenImageIO: a numbered sequence, or a list of single pictures.

Imported late: OpenImageIO takes its time to load.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import OpenImageIO as oiio
from numpy.typing import NDArray

from autocal.errors import FootageError
from autocal.footage.orientation import orientation_of_exif
from autocal.footage.reel import ReelFrame
from autocal.footage.survey import Picture
from autocal.footage.tone import display_coded, log_coded, luma
from autocal.image_library import reason


class StillReel:
    """Pictures in the order given. Without a rate of their own, times are frame numbers."""

    read_as_seen = False  # scene-linear ones are not

    def __init__(self, files: Sequence[Path]) -> None:
        """Look at the headers of `files`; FootageError where one is unreadable or of another size."""
        self.files: tuple[Path, ...] = tuple(files)
        self.notes: list[str] = []
        self.frame_count: int = len(files)
        self.frame_rate: float | None = None
        self.key_frames: Sequence[int] = range(len(files))
        sizes = [_displayed_size(path) for path in files]
        for path, size in zip(files, sizes, strict=True):
            if size != sizes[0]:
                raise FootageError(
                    f"{path}: is {size[0]}x{size[1]} px, but {files[0]} is {sizes[0][0]}x{sizes[0][1]}; "
                    "give pictures of one rig at one size"
                )
        self.size: tuple[int, int] = sizes[0]

    @property
    def name(self) -> str:
        """The first picture, and the last where there are several."""
        first, last = self.files[0], self.files[-1]
        return str(first) if first == last else f"{first} .. {last.name}"

    def close(self) -> None:
        """Nothing is held open."""

    def glance(self, index: int) -> ReelFrame | None:
        """Picture `index`, whole: a still has no cheaper form. FootageError where it is damaged."""
        return ReelFrame(index, float(index), self._luma(index, log_coded))

    def read(self, indices: Sequence[int]) -> Iterator[ReelFrame]:
        """Yield these pictures."""
        for index in indices:
            frame = self.glance(index)
            if frame is not None:
                yield frame

    def shown(self, index: int) -> ReelFrame:
        """Picture `index` as people see it; FootageError where it is damaged."""
        return ReelFrame(index, float(index), self._luma(index, display_coded))

    def _luma(self, index: int, coded: Callable[[NDArray[Any]], Picture]) -> Picture:
        """Luma of a picture; that of scene-linear light `coded`."""
        samples = luma(_read(self.files[index]))
        return coded(samples) if np.issubdtype(samples.dtype, np.floating) else samples


def _displayed_size(path: Path) -> tuple[int, int]:
    with _opened(path) as picture:
        spec = picture.spec()
        if spec.depth > 1 or spec.deep:
            raise FootageError(f"{path}: holds volume or deep data, not a picture; export it flat")
        turn = orientation_of_exif(spec.get_int_attribute("Orientation", 1))
        return turn.size(spec.width, spec.height)


def _read(path: Path) -> NDArray[Any]:
    """Samples (H, W, C) as displayed: uint8, uint16, or float32; red, green, blue first, where named."""
    with _opened(path) as picture:
        spec = picture.spec()
        kind = {"uint8": "uint8", "uint16": "uint16", "uint10": "uint16"}.get(str(spec.format), "float")
        samples = picture.read_image(0, 0, 0, spec.nchannels, kind)
        if samples is None:
            raise FootageError(f"{path}: is damaged ({reason(picture)}); export it anew or leave it out")
        samples = np.asarray(samples).reshape(spec.height, spec.width, spec.nchannels)
        names = list(spec.channelnames)
        wanted = [names.index(name) for name in ("R", "G", "B") if name in names]
        if len(wanted) == 3:
            samples = samples[..., wanted]
        elif "Y" in names:
            samples = samples[..., [names.index("Y")]]
        turn = orientation_of_exif(spec.get_int_attribute("Orientation", 1))
        turned: NDArray[Any] = turn.apply(samples)
        return turned


class _opened:
    """A picture file, open while its block runs."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def __enter__(self) -> Any:
        self._input: Any = oiio.ImageInput.open(str(self._path))
        if self._input is None:
            raise FootageError(
                f"{self._path}: cannot be read as a picture ({reason()}); give JPEG, PNG, TIFF, DPX or EXR"
            )
        return self._input

    def __exit__(self, *_: object) -> None:
        self._input.close()
