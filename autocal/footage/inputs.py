"""What a person names on the command line: which files it stands for, and which of them make one clip."""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import groupby
from pathlib import Path

from autocal.errors import FootageError

STILL_ENDINGS = frozenset({".jpg", ".jpeg", ".png", ".tif", ".tiff", ".dpx", ".exr"})


def files_by_clip(named: Sequence[Path]) -> list[list[Path]]:
    """Files by clip: each video is one, all pictures in a row are one."""
    paths = [path for name in named for path in files_named(name)]
    clips: list[list[Path]] = []
    for still, group in groupby(paths, key=is_still):
        members = list(group)
        clips += [members] if still else [[path] for path in members]
    return clips


def is_still(path: Path) -> bool:
    """Whether the file's ending is a picture's."""
    return path.suffix.lower() in STILL_ENDINGS


def files_named(named: Path) -> list[Path]:
    """The files a name stands for: itself, the pictures of a folder, or those of a numbered pattern."""
    if named.is_file():
        if named.stat().st_size == 0:
            raise FootageError(f"{named}: is empty; copy it again from the card")
        return [named]
    if named.is_dir():
        found = sorted((path for path in named.iterdir() if is_still(path)), key=_natural_order)
        if not found:
            raise FootageError(f"{named}: a folder without pictures; give the clip, or a folder of pictures")
        return found
    pattern = re.sub(r"#+|%0?\d*d", "(\0)", named.name)
    if "\0" in pattern:
        exact = re.compile(re.escape(pattern).replace(re.escape("(\0)"), r"\d+"))
        folder = named.parent.iterdir() if named.parent.is_dir() else iter(())
        found = sorted((path for path in folder if exact.fullmatch(path.name)), key=_natural_order)
        if not found:
            raise FootageError(
                f"{named}: no picture has a name of this form; check the folder and the number sign"
            )
        return found
    raise FootageError(f"{named}: no such file; check the name and the folder")


def _natural_order(path: Path) -> list[tuple[int, str]]:
    """Sort key by which frame 10 comes after frame 9."""
    return [
        (int(part), "") if part.isdigit() else (-1, part) for part in re.split(r"(\d+)", path.name) if part
    ]
