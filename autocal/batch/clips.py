"""Which clips a shoot day holds, and what each is called, so that no two results collide."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path

from autocal.batch.table import CSV_NAME, INDEX_NAME
from autocal.errors import FootageError
from autocal.footage.inputs import is_still
from autocal.render.sequence import as_sequence

VIDEO_ENDINGS = frozenset({".mp4", ".mov", ".mkv", ".m4v", ".mxf", ".avi", ".webm", ".ts", ".mts"})


@dataclass(frozen=True)
class NamedClip:
    """A clip and its name, which no other clip of the batch has. path: absolute."""

    path: Path
    name: str


def find_clips(named: Sequence[Path], out: Path) -> list[NamedClip]:
    """The clips that a person named, in order, each once.

    named: clips (videos, numbered pictures like shot.%04d.exr) and folders. A folder stands for the videos
    anywhere in it; without videos, for the clip that the pictures in it are. Hidden files, and what lies
    in `out`, are passed over. Raises FootageError where a name stands for nothing.
    """
    found = [clip for name in named for clip in _stands_for(name.absolute(), out.absolute())]
    unique = list(dict.fromkeys(found))
    names = distinct_names(unique, taken=(CSV_NAME, INDEX_NAME))
    return [NamedClip(path, name) for path, name in zip(unique, names, strict=True)]


def distinct_names(paths: Sequence[Path], *, taken: Collection[str] = ()) -> list[str]:
    """A name for each path: its stem, with as many of its folders before it as tell it from the others.

    Where files of one folder differ in their ending alone, it is part of the name. Capitals do not tell
    names apart, as on some disks they do not. taken: names that no clip gets.
    """
    beside = Counter((path.parent, _stem(path).casefold()) for path in paths)
    labels = [
        f"{_stem(path)}-{path.suffix[1:]}" if beside[path.parent, _stem(path).casefold()] > 1 else _stem(path)
        for path in paths
    ]
    depth = [0] * len(paths)
    while True:
        names = ["-".join([*_last(p, n), label]) for p, n, label in zip(paths, depth, labels, strict=True)]
        often = Counter(name.casefold() for name in names)
        deeper = [
            n
            for n, name in enumerate(names)
            if often[name.casefold()] > 1 and depth[n] < len(paths[n].parent.parts) - 1
        ]
        if not deeper:
            return _numbered(names, taken)
        for n in deeper:
            depth[n] += 1


def _stem(path: Path) -> str:
    # A place for a number (%04d, ####) is no part of a name.
    stem = path.stem if as_sequence(path) is None else path.name.split("%")[0].split("#")[0].rstrip("._-")
    return stem.lstrip(".") or "pictures"  # a dot in front would hide the folder, two would leave it


def _last(path: Path, count: int) -> tuple[str, ...]:
    folders = path.parent.parts
    return folders[len(folders) - count :]


def _numbered(names: Sequence[str], not_to_use: Collection[str]) -> list[str]:
    seen = Counter(name.casefold() for name in not_to_use)
    taken = {name.casefold() for name in names} | set(seen)
    result = []
    for name in names:
        key = name.casefold()
        seen[key] += 1
        number = seen[key]
        fresh = name
        while number > 1 and (fresh := f"{name}-{number}").casefold() in taken:
            number += 1
        taken.add(fresh.casefold())
        result.append(fresh)
    return result


def _stands_for(path: Path, out: Path) -> list[Path]:
    if path.is_file():
        return [path]
    if not path.is_dir():
        if as_sequence(path) is not None and path.parent.is_dir():
            return [path]
        raise FootageError(f"{path}: no such clip or folder; check the name")
    videos = sorted(
        file
        for file in path.rglob("*")
        if file.suffix.lower() in VIDEO_ENDINGS
        and file.is_file()
        and not any(part.startswith(".") for part in file.relative_to(path).parts)
        and not file.is_relative_to(out)
    )
    if videos:
        return videos
    if any(is_still(file) and not file.name.startswith(".") for file in path.iterdir()):
        return [path]
    raise FootageError(f"{path}: a folder without clips; give the clips, or the folder that they are in")
