"""Numbered pictures being written: the note by which an interrupted run goes on, and the files themselves."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocal.errors import OutputError
from autocal.render.sequence import Sequence


class NumberedOrder:
    """A note beside the pictures while they are being made: what they are made from, which were bad."""

    def __init__(self, target: Sequence, facts: dict[str, Any]) -> None:
        """facts: all that the pictures depend on, as JSON holds it."""
        self._target = target
        self._note = target.folder / f".{target.head}{target.tail}.rendering.json"
        self._facts = json.loads(json.dumps(facts))  # as they will be read back
        self.repeated: list[int] = []

    def begin(self, numbers: range, overwrite: bool) -> set[int]:
        """The numbers that an interrupted run of the same order has finished.

        Raises OutputError where pictures of another order are in the way.
        """
        there = {n for n in numbers if self._target.path(n).exists()}
        try:
            if self._note.exists():
                noted = json.loads(self._note.read_text())
                if noted["facts"] == self._facts:
                    self.repeated = noted["repeated"]
                    return there
            if there and not overwrite:
                first = self._target.path(min(there))
                raise OutputError(
                    f"{first} exists already: choose another name, or give --force to replace it"
                )
            self._write()
        except OSError as error:
            raise OutputError(
                f"{self._target.folder}: cannot be written ({error.strerror or error})"
            ) from error
        return set()

    def note_repeated(self, numbers: Iterable[int]) -> None:
        """Keep which pictures stand in for bad ones; to be called before these are written."""
        merged = sorted({*self.repeated, *numbers})
        if merged != self.repeated:
            self.repeated = merged
            self._write()

    def end(self) -> None:
        """All pictures are there."""
        self._note.unlink(missing_ok=True)

    def _write(self) -> None:
        self._note.write_text(json.dumps({"facts": self._facts, "repeated": self.repeated}))


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
        raise OSError(oiio.geterror())
    if not (file.open(str(path), spec) and file.write_image(picture) and file.close()):
        raise OSError(file.geterror())
