"""Numbered pictures being written: the note by which an interrupted run goes on, and the files themselves."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocal.errors import OutputError
from autocal.image_library import reason
from autocal.render.sequence import Sequence
from autocal.whole_file import whole_file


class NumberedOrder:
    """A note beside the pictures while they are being made: what they are made from, which pictures of an
    earlier order they replace (number and time of change, ns), which were bad."""

    def __init__(self, target: Sequence, facts: dict[str, Any]) -> None:
        """facts: all that the pictures depend on, as JSON holds it."""
        self._target = target
        self._note = target.folder / f".{target.head}{target.tail}.rendering.json"
        self._facts = json.loads(json.dumps(facts))  # as they will be read back
        self._older: dict[str, int] = {}
        self.repeated: list[int] = []

    def begin(self, numbers: Iterable[int], overwrite: bool) -> set[int]:
        """The numbers that an interrupted run of the same order has finished.

        Pictures that were there before that run, to be replaced by it, do not count until it has done so.
        Raises OutputError where pictures of another order are in the way.
        """
        if not self._target.folder.is_dir():
            raise OutputError(f"{self._target.folder}: no such folder; make it, or choose another for OUT")
        try:
            there = self._there(numbers)
            if self._note.exists():
                noted = json.loads(self._note.read_text())
                if noted["facts"] == self._facts:
                    self._older, self.repeated = noted["older"], noted["repeated"]
                    return self._finished(there)
            if there and not overwrite:
                raise OutputError(
                    f"{self._target.path(min(there))} exists already: choose another name, or give --force "
                    "to replace it"
                )
            self._older = {str(n): changed for n, changed in there.items()}
            self._write()
        except OSError as error:
            raise OutputError(
                f"{self._target.folder}: cannot be written ({error.strerror or error})"
            ) from error
        return set()

    @contextmanager
    def going_on(self, numbers: Iterable[int]) -> Iterator[None]:
        """While the pictures are made; where that fails before the first one, no note is left behind."""
        try:
            yield
        except BaseException:
            if not self._finished(self._there(numbers)):
                self._note.unlink(missing_ok=True)
            raise

    def note_repeated(self, numbers: Iterable[int]) -> None:
        """Keep which pictures stand in for bad ones; to be called before these are written."""
        merged = sorted({*self.repeated, *numbers})
        if merged != self.repeated:
            self.repeated = merged
            self._write()

    def end(self) -> None:
        """All pictures are there."""
        self._note.unlink(missing_ok=True)

    def _there(self, numbers: Iterable[int]) -> dict[int, int]:
        """The pictures that are there, by number, and when each was changed, ns."""
        paths = ((n, self._target.path(n)) for n in numbers)
        return {n: path.stat().st_mtime_ns for n, path in paths if path.exists()}

    def _finished(self, there: dict[int, int]) -> set[int]:
        return {n for n, changed in there.items() if self._older.get(str(n)) != changed}

    def _write(self) -> None:
        with whole_file(self._note, overwrite=True) as beside:
            noted = {"facts": self._facts, "older": self._older, "repeated": self.repeated}
            beside.write_text(json.dumps(noted))


def write_picture(path: Path, picture: NDArray[Any], like: Any = None) -> None:
    """Write a picture (height, width, channels), uint8, uint16, float16 or float32.

    like: an OpenImageIO ImageSpec whose notes (time code, colour space) are carried over. Raises OSError
    where the file cannot be written.
    """
    import OpenImageIO as oiio

    height, width, channels = picture.shape
    kinds = {"uint8": oiio.UINT8, "uint16": oiio.UINT16, "float16": oiio.HALF, "float32": oiio.FLOAT}
    kind = kinds[np.dtype(picture.dtype).name]
    spec = oiio.ImageSpec(width, height, channels, kind) if like is None else oiio.ImageSpec(like)
    spec.width, spec.height = width, height
    spec.full_width, spec.full_height = width, height
    spec.x = spec.y = spec.full_x = spec.full_y = 0
    spec.tile_width = spec.tile_height = spec.tile_depth = 0
    spec.attribute("Orientation", 1)
    if path.suffix.lower() == ".exr" and picture.dtype.kind == "u":
        spec.set_format(oiio.FLOAT)  # half would not hold 16 bits
    file = oiio.ImageOutput.create(str(path))
    if file is None:
        raise OSError(reason())
    if not (file.open(str(path), spec) and file.write_image(picture) and file.close()):
        raise OSError(reason(file))
