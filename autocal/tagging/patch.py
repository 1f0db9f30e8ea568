"""New bytes for stretches of a file, applied to a copy beside it that then takes its place."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from autocal.errors import OutputError

_CHUNK = 4 << 20


@dataclass(frozen=True)
class Patch:
    """New bytes for one stretch [start, end) of a file; the rest stays."""

    start: int
    end: int
    replacement: bytes


def apply_patches(path: Path, patches: Sequence[Patch]) -> None:
    """Rewrite a file with the patches, in constant memory; the file is whole at every moment.

    Raises OutputError where the folder cannot be written or the disk is full; the file is then
    as it was.
    """
    handle, name = -1, ""
    try:
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
        with open(path, "rb") as source, os.fdopen(handle, "wb") as target:
            at = 0
            for patch in sorted(patches, key=lambda p: p.start):
                _copy(source, target, at, patch.start)
                target.write(patch.replacement)
                at = patch.end
            _copy(source, target, at, os.fstat(source.fileno()).st_size)
            target.flush()
            os.fsync(target.fileno())
        shutil.copymode(path, name)
        os.replace(name, path)
    except OSError as error:
        raise OutputError(
            f"{path}: cannot be rewritten ({error.strerror or error}); it is unchanged"
        ) from error
    finally:
        if name and os.path.exists(name):
            os.unlink(name)


def patch_in_place(path: Path, patches: Sequence[Patch]) -> None:
    """Patch a file that nobody relies on yet: what keeps its length, or the end of the file, on the spot.

    Media that would have to move is copied as `apply_patches` does. Raises OutputError as it does.
    """
    size = path.stat().st_size
    if any(len(p.replacement) != p.end - p.start and p.end != size for p in patches):
        apply_patches(path, patches)
        return
    try:
        with open(path, "r+b") as target:
            for patch in patches:
                target.seek(patch.start)
                target.write(patch.replacement)
                if patch.end == size:
                    target.truncate()
    except OSError as error:
        raise OutputError(f"{path}: cannot be tagged ({error.strerror or error})") from error


def _copy(source: BinaryIO, target: BinaryIO, start: int, end: int) -> None:
    source.seek(start)
    left = end - start
    while left > 0:
        data = source.read(min(_CHUNK, left))
        if not data:
            raise OSError("the file became shorter while it was read")
        target.write(data)
        left -= len(data)
