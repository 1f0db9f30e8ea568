"""Spatial metadata of film files: what kind of stereo, and which part of the sphere.

Open specifications alone: the st3d and sv3d boxes of the Spherical Video V2 RFC in MP4 and MOV,
StereoMode and Projection in Matroska.
"""

from __future__ import annotations

import os
from pathlib import Path

from autocal.errors import AutocalError, DamagedFilmError, FootageError
from autocal.tagging.matroska import read_matroska_tags, tag_matroska
from autocal.tagging.mp4 import read_mp4_tags, tag_mp4
from autocal.tagging.patch import apply_patches, patch_in_place
from autocal.tagging.spatial import HALF_EQUIRECT_LEFT_RIGHT, Equirect, SpatialTags

__all__ = [
    "HALF_EQUIRECT_LEFT_RIGHT",
    "Equirect",
    "SpatialTags",
    "read_tags",
    "refuse_finished",
    "tag_file",
    "tags_if_any",
]

_TAGGED_KINDS = (".mp4", ".mov", ".m4v", ".mkv", ".webm")
_EBML_MAGIC = b"\x1a\x45\xdf\xa3"
_BOX_KINDS = (b"ftyp", b"moov", b"mdat", b"free", b"skip", b"wide", b"pnot", b"styp")


def read_tags(path: str | Path) -> list[SpatialTags]:
    """The spatial metadata of each video track.

    Raises FootageError where the file is missing, damaged, fragmented, or of another kind.
    """
    path = Path(path)
    with _Naming(path), open(path, "rb") as stream:
        size = os.fstat(stream.fileno()).st_size
        read = read_matroska_tags if _is_matroska(stream.read(8)) else read_mp4_tags
        return read(stream, size)


def tags_if_any(path: Path) -> SpatialTags | None:
    """What a file says of its first video track; None where it is silent, or of a kind that cannot say.

    Whether it can be read at all, reading tells.
    """
    if path.suffix.lower() not in _TAGGED_KINDS or not path.is_file():
        return None
    try:
        return next(iter(read_tags(path)), None)
    except FootageError:
        return None


def refuse_finished(path: Path) -> None:
    """FootageError where a file says that it is mapped already, no longer as the lenses drew it."""
    tags = tags_if_any(path)
    if tags is not None and tags.equirect is not None:
        raise FootageError(
            f"{path}: is a finished film by its own tags ({tags.describe()}); give the recording in fisheye "
            "circles that it was made from (to check a film by itself: autocal check --rendered FILM)"
        )


def tag_file(
    path: str | Path, tags: SpatialTags = HALF_EQUIRECT_LEFT_RIGHT, *, in_place: bool = False
) -> bool:
    """Add or correct the spatial metadata of every video track; the media data stays as it is.

    in_place: the file is fresh and nobody relies on it yet, so it need not be copied.
    Returns whether the file had to change. Raises FootageError as `read_tags` does, and OutputError
    where the file cannot be rewritten; it is then as it was, bit for bit.
    """
    path = Path(path)
    with _Naming(path), open(path, "rb") as stream:
        size = os.fstat(stream.fileno()).st_size
        tag = tag_matroska if _is_matroska(stream.read(8)) else tag_mp4
        patches = tag(stream, size, tags)
    if patches:
        (patch_in_place if in_place else apply_patches)(path, patches)
    return bool(patches)


def _is_matroska(head: bytes) -> bool:
    if head[:4] == _EBML_MAGIC:
        return True
    if head[4:8] in _BOX_KINDS:
        return False
    if not head:
        raise DamagedFilmError("the file is empty")
    raise FootageError("neither an MP4, a MOV nor a Matroska file: only these carry the tags")


class _Naming:
    """Puts the file's name before what went wrong inside it."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        if isinstance(error, AutocalError):
            raise FootageError(f"{self.path}: {error}") from error
        if isinstance(error, OSError):
            raise FootageError(
                f"{self.path} cannot be read: {error.strerror or error}; check the name"
            ) from error
