"""Opening footage: what a person names on the command line becomes clips, looked over and read in bursts."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator, Sequence
from itertools import groupby
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING

import numpy as np

from autocal.errors import FootageError
from autocal.footage.choosing import bursts_at, is_out_of_reach, segments, share_out, whole_clip
from autocal.footage.halves import SideBySide, StereoReel, TwoFiles
from autocal.footage.reel import Reel
from autocal.footage.survey import FrameChoice, Picture, Progress, StereoFrame, Survey

if TYPE_CHECKING:
    from autocal.footage.glimpse import Glimpse

STILL_ENDINGS = frozenset({".jpg", ".jpeg", ".png", ".tif", ".tiff", ".dpx", ".exr"})

# Decoding towards frames far behind their key frame stops after this many px: half a minute on two cores.
_FORWARD_BUDGET_PX = 8e9
_DIGEST_CHUNK_BYTES = 1 << 22


def open_footage(clips: Sequence[Path], *, left: Path | None = None, right: Path | None = None) -> Footage:
    """Open footage of one rig.

    clips: side-by-side videos; pictures, in order; folders of pictures; sequences named like shot.####.exr or
    shot.%04d.exr. left, right: the two eyes as two files of equal timing, instead of `clips`.
    Raises FootageError: a file is missing, unreadable, not stereo, or does not go with the others.
    """
    if (left is None) != (right is None):
        raise FootageError("--left and --right go together: give both files, or one side-by-side clip")
    if left is not None and right is not None:
        if clips:
            raise FootageError("give either side-by-side clips or --left and --right, not both")
        return Footage([_two_files(left, right)])
    if not clips:
        raise FootageError("no footage: give a side-by-side clip, or --left and --right")
    opened: list[StereoReel] = []
    try:
        for number, paths in enumerate(_by_clip(clips)):
            reel = _open_reel(paths)
            try:
                opened.append(SideBySide(number, reel))
            except BaseException:
                reel.close()
                raise
        return Footage(opened)
    except BaseException:
        for clip in opened:
            clip.close()
        raise


class Footage:
    """Clips of one rig, open for reading. A context manager: leaving it closes every file."""

    def __init__(self, clips: Sequence[StereoReel]) -> None:
        """Take over open clips; FootageError where their halves differ in size."""
        self._clips = tuple(clips)
        self.half_size: tuple[int, int] = clips[0].half_size
        for clip in clips:
            if clip.half_size != self.half_size:
                raise FootageError(
                    f"{clip.name}: halves of {clip.half_size[0]}x{clip.half_size[1]} px, but those of "
                    f"{clips[0].name} are {self.half_size[0]}x{self.half_size[1]}; solve clips of different "
                    "read-outs one by one"
                )
        self._own_notes: list[str] = []
        if self.frame_count == 1:
            self._own_notes.append(
                f"{self.files[0]}: one frame only: nothing can be followed over time, so the shape of the "
                "lenses stays with the prior; a clip in which the rig moves tells more"
            )

    @property
    def files(self) -> tuple[Path, ...]:
        """Every input file, in order."""
        return tuple(path for clip in self._clips for path in clip.files)

    @property
    def frame_count(self) -> int:
        """Frames in all clips together."""
        return sum(clip.frame_count for clip in self._clips)

    @property
    def frame_rate(self) -> float | None:
        """Frames a second of the first clip; None for stills."""
        return self._clips[0].frame_rate

    @property
    def notes(self) -> list[str]:
        """What a person should be told; grows while frames are read."""
        return [*self._own_notes, *(note for clip in self._clips for note in clip.notes)]

    def __enter__(self) -> Footage:
        """The footage itself."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close every file."""
        self.close()

    def close(self) -> None:
        """Close every file."""
        for clip in self._clips:
            clip.close()

    def choose(self, n_frames: int, *, burst: int = 3, progress: Progress | None = None) -> Survey:
        """Choose about `n_frames` frames in bursts: spread over the clips, sharp, textured, not black.

        Short clips are used whole. Looks at up to two key frames a burst. Raises FootageError where every
        frame looked at is black, white or without texture, and where both halves are one picture.
        """
        from autocal.footage.glimpse import glimpse

        if n_frames < 1 or burst < 1:
            raise ValueError(f"at least one frame and bursts of at least one, got {n_frames} and {burst}")
        shares = share_out([clip.frame_count for clip in self._clips], n_frames)
        plans = [
            self._candidates(clip, share, burst) for clip, share in zip(self._clips, shares, strict=True)
        ]
        total = sum(len(candidates) for plan in plans for candidates in plan)
        done = 0
        chosen: list[FrameChoice] = []
        seen: list[Glimpse] = []
        for number, (clip, share, plan) in enumerate(zip(self._clips, shares, plans, strict=True)):
            starts = []
            for candidates in plan:
                glimpses = []
                for index in candidates:
                    frame = _look(clip, index)
                    if frame is not None:
                        glimpses.append(glimpse(frame))
                    done += 1
                    if progress:
                        progress("choosing frames", done, total)
                seen += glimpses
                best = max(glimpses, key=lambda one: one.score, default=None)
                if best is not None and best.score >= 0:
                    starts.append(best.index)
            if clip.frame_count <= share:
                bursts = whole_clip(clip.frame_count, clip.key_frames, burst)
            else:
                bursts = bursts_at(sorted(set(starts)), clip.frame_count, min(burst, share))
            chosen += [FrameChoice(number, indices) for indices in bursts]
        self._refuse_unusable(seen)
        small = np.stack([np.stack(one.small) for one in seen])
        return Survey(
            tuple(chosen),
            self.half_size,
            tuple((one.clip, one.index) for one in seen),
            small.max(axis=0),
            np.quantile(small, 0.75, axis=0).astype(np.float32),
        )

    def bursts(self, survey: Survey) -> Iterator[tuple[StereoFrame, ...]]:
        """Decode the chosen bursts, one at a time, leaving out blank frames; a cut ends a burst."""
        from autocal.footage.glimpse import is_blank, same_shot, thumb

        for choice in survey.bursts:
            burst: list[StereoFrame] = []
            before = now = np.zeros(0, dtype=np.float32)
            for frame in self._clips[choice.clip].read(choice.indices):
                if is_blank(frame):
                    continue
                now = thumb(frame.halves[0])
                if burst and not same_shot(before, now):
                    yield tuple(burst)
                    burst = []
                burst.append(frame)
                before = now
            if burst:
                yield tuple(burst)

    def picture(self, clip: int, index: int) -> tuple[Picture, Picture]:
        """The two halves of one frame in colour, (H, W, 3), uint8 or uint16."""
        return self._clips[clip].colour(index)

    def digest(self) -> str:
        """SHA-256, in hexadecimal, over the contents of all files in order."""
        sha = hashlib.sha256()
        for path in self.files:
            with path.open("rb") as file:
                while chunk := file.read(_DIGEST_CHUNK_BYTES):
                    sha.update(chunk)
        return sha.hexdigest()

    def _candidates(self, clip: StereoReel, share: int, burst: int) -> list[tuple[int, ...]]:
        """Frames to look at: for each burst to come, where it may start."""
        if clip.frame_count <= share:
            if len(clip.key_frames) == clip.frame_count:
                return [(index,) for index in clip.key_frames]
            return [(indices[0],) for indices in whole_clip(clip.frame_count, clip.key_frames, burst)]
        width, height = self.half_size
        bursts = max(1, round(share / burst))
        budget = int(_FORWARD_BUDGET_PX / (2 * width * height))
        reach = max(burst, budget // min(bursts, len(clip.key_frames)))
        plan = segments(clip.frame_count, clip.key_frames, bursts, min(burst, share), reach)
        note = f"{clip.name}: key frames are rare; only the first {reach} frames after each are used"
        if is_out_of_reach(clip.frame_count, clip.key_frames, plan, reach) and note not in self._own_notes:
            self._own_notes.append(note)
        return [segment.candidates for segment in plan]

    def _refuse_unusable(self, seen: Sequence[Glimpse]) -> None:
        names = ", ".join(clip.name for clip in self._clips)
        if not seen:
            raise FootageError(f"{names}: none of the frames looked at can be decoded; export the clip anew")
        for half, side in enumerate(("left", "right")):
            blanks = [one.blank[half] for one in seen]
            if all(blanks):
                both = all(all(one.blank) for one in seen)
                where = "every frame" if both else f"the {side} half of every frame"
                look = max(sorted(set(blanks)), key=blanks.count)
                raise FootageError(
                    f"{names}: {where} looked at is {look}; use a clip that shows a lit, textured "
                    "scene in both eyes (are the lens caps off?)"
                )
        usable = [one for one in seen if not any(one.blank)]
        if usable and all(one.same_picture for one in usable):
            raise FootageError(
                f"{names}: both halves show the same picture, so there is no stereo in it; give the "
                "recording with one lens in each half, not a flat film doubled"
            )


def _look(clip: StereoReel, index: int) -> StereoFrame | None:
    if index in clip.key_frames:
        return clip.glance(index)
    return next(iter(clip.read([index])), None)


def _two_files(left: Path, right: Path) -> StereoReel:
    left_reel = _open_reel(_expand(left))
    try:
        right_reel = _open_reel(_expand(right))
    except BaseException:
        left_reel.close()
        raise
    try:
        return TwoFiles(0, left_reel, right_reel)
    except BaseException:
        left_reel.close()
        right_reel.close()
        raise


def _open_reel(paths: Sequence[Path]) -> Reel:
    if _is_still(paths[0]):
        from autocal.footage.stills import StillReel

        return StillReel(paths)
    from autocal.footage.video import VideoReel

    return VideoReel(paths[0])


def _by_clip(named: Sequence[Path]) -> list[list[Path]]:
    """Files by clip: each video is one, all pictures in a row are one."""
    paths = [path for name in named for path in _expand(name)]
    clips: list[list[Path]] = []
    for still, group in groupby(paths, key=_is_still):
        members = list(group)
        clips += [members] if still else [[path] for path in members]
    return clips


def _is_still(path: Path) -> bool:
    return path.suffix.lower() in STILL_ENDINGS


def _expand(named: Path) -> list[Path]:
    """The files a name stands for: itself, the pictures of a folder, or those of a numbered pattern."""
    if named.is_file():
        if named.stat().st_size == 0:
            raise FootageError(f"{named}: is empty; copy it again from the card")
        return [named]
    if named.is_dir():
        found = sorted((path for path in named.iterdir() if _is_still(path)), key=_natural_order)
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
