"""Numbered pictures as a clip: `shot.%04d.exr`, or `shot.####.exr`."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from autocal.errors import FootageError

_NUMBER = re.compile(r"%0?(\d*)d|#+")
#: Kinds of picture that are read and written.
PICTURE_SUFFIXES = (".exr", ".tif", ".tiff", ".png", ".dpx")


@dataclass(frozen=True)
class Sequence:
    """Pictures whose names differ in a number alone.

    folder, head, tail: what the names have in common; digits: the least length of the number.
    """

    folder: Path
    head: str
    digits: int
    tail: str

    def path(self, number: int) -> Path:
        """One picture's file."""
        return self.folder / f"{self.head}{number:0{self.digits}d}{self.tail}"

    @property
    def ffmpeg_pattern(self) -> str:
        """As FFmpeg's reader of pictures wants it."""
        return str(self.folder / f"{self.head}%0{self.digits}d{self.tail}")

    def numbers(self) -> range:
        """The numbers that are there.

        Raises FootageError where there are none, or where some in between are missing.
        """
        name = re.compile(rf"{re.escape(self.head)}(\d{{{self.digits},}}){re.escape(self.tail)}")
        files = self.folder.iterdir() if self.folder.is_dir() else ()
        found = sorted(int(m[1]) for m in (name.fullmatch(file.name) for file in files) if m)
        if not found:
            raise FootageError(
                f"{self.folder / (self.head + '#' * self.digits + self.tail)}: no such pictures; check "
                "the folder and the number sign"
            )
        missing = sorted(set(range(found[0], found[-1])) - set(found))
        if missing:
            raise FootageError(f"{self.path(missing[0])} is missing, and {len(missing) - 1} more")
        return range(found[0], found[-1] + 1)


def as_sequence(path: Path) -> Sequence | None:
    """The sequence that a path with a place for a number stands for; None for any other path."""
    match = _NUMBER.search(path.name)
    if match is None or path.suffix.lower() not in PICTURE_SUFFIXES:
        return None
    digits = len(match[0]) if match[0].startswith("#") else int(match[1] or 1)
    return Sequence(path.parent, path.name[: match.start()], digits, path.name[match.end() :])
