"""Opening footage: what a person names on the command line becomes clips, looked over and read in bursts."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from itertools import groupby
from operator import itemgetter
from pathlib import Path
from threading import Event
from types import TracebackType

from autocal.ahead import Ahead
from autocal.errors import FootageError
from autocal.footage.halves import SideBySide, StereoReel, TwoFiles
from autocal.footage.inputs import files_by_clip, files_named, is_still
from autocal.footage.reel import Reel
from autocal.footage.survey import Picture, Progress, StereoFrame, Survey
from autocal.tagging import refuse_finished

_DIGEST_CHUNK_BYTES = 1 << 22
#: Enough that decoding goes on while libraries are loaded and a lead is searched; each of 8192x4096 in 10
#: bits holds 67 MB.
_FRAMES_AHEAD = 6


def open_footage(clips: Sequence[Path], *, left: Path | None = None, right: Path | None = None) -> Footage:
    """Open footage of one rig.

    clips: side-by-side videos; pictures, in order; folders of pictures; sequences named like shot.####.exr or
    shot.%04d.exr. left, right: the two eyes as two files of equal timing, instead of `clips`.
    Raises FootageError: a file is missing, unreadable, not stereo, a finished film by its own tags, or does
    not go with the others.
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
        for number, paths in enumerate(files_by_clip(clips)):
            refuse_finished(paths[0])
            reel = open_reel(paths)
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
        self._reading: Ahead[tuple[int, StereoFrame]] | None = None
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
        self._stop_reading()
        for clip in self._clips:
            clip.close()

    def choose(self, n_frames: int, *, burst: int = 3, progress: Progress | None = None) -> Survey:
        """Choose about `n_frames` frames in bursts: spread over the clips, sharp, textured, not black.

        Short clips are used whole. Looks at up to two key frames a burst. Raises FootageError where every
        frame looked at is black, white or without texture, and where both halves are one picture.
        """
        from autocal.footage.surveying import take_survey

        if n_frames < 1 or burst < 1:
            raise ValueError(f"at least one frame and bursts of at least one, got {n_frames} and {burst}")
        survey, notes = take_survey(self._clips, n_frames, burst, progress)
        self._own_notes += [note for note in notes if note not in self._own_notes]
        return survey

    def bursts(self, survey: Survey, *, joined: bool = False) -> Iterator[Iterator[StereoFrame]]:
        """The frames of the chosen bursts, blank ones left out; a cut ends a burst.

        joined: bursts of one shot between which no frame is missing come as one. The first few frames are
        decoded at once, and then always a few ahead. The frames of a burst are to be taken before the next
        is asked for.
        """
        self._stop_reading()
        self._reading = Ahead(self._frames(survey, joined), _FRAMES_AHEAD)
        bursts = groupby(self._reading, key=itemgetter(0))
        return ((frame for _, frame in burst) for _, burst in bursts)

    def _frames(self, survey: Survey, joined: bool) -> Iterator[tuple[int, StereoFrame]]:
        """Each frame with the number of its burst."""
        from autocal.footage.glimpse import GLIMPSE_PX, blankness, same_shot, shrunk, thumb

        burst, before, reached = 0, None, (-1, -1)
        for choice in survey.bursts:
            if not (joined and reached == (choice.clip, choice.indices[0] - 1)):
                before = None
            for frame in self._clips[choice.clip].read(choice.indices):
                small = [shrunk(half, GLIMPSE_PX) for half in frame.reduced]
                if any(blankness(half, frame.halves[0].dtype) for half in small):
                    continue
                now = thumb(small[0])
                burst += before is None or not same_shot(before, now)
                yield burst, frame
                before, reached = now, (frame.clip, frame.index)

    def _stop_reading(self) -> None:
        if self._reading is not None:
            self._reading.close()

    def picture(self, clip: int, index: int) -> tuple[Picture, Picture]:
        """Luma of the two halves of one frame, (H, W), uint8 or uint16, to look at: scene-linear pictures
        are brightened for people. FootageError where it cannot be decoded."""
        self._stop_reading()
        return self._clips[clip].shown(index).halves

    def as_seen(self, clip: int, index: int, halves: tuple[Picture, Picture]) -> tuple[Picture, Picture]:
        """`picture` of a frame whose halves were read; read again only where people see it otherwise."""
        return halves if self._clips[clip].read_as_seen else self.picture(clip, index)

    def digest(self, given_up: Event | None = None) -> str:
        """SHA-256, in hexadecimal, over the contents of all files in order; "" once nobody waits for it."""
        sha = hashlib.sha256()
        for path in self.files:
            with path.open("rb") as file:
                while chunk := file.read(_DIGEST_CHUNK_BYTES):
                    sha.update(chunk)
                    if given_up is not None and given_up.is_set():
                        return ""
        return sha.hexdigest()


def _two_files(left: Path, right: Path) -> StereoReel:
    left_reel = open_reel(files_named(left))
    try:
        right_reel = open_reel(files_named(right))
    except BaseException:
        left_reel.close()
        raise
    try:
        return TwoFiles(0, left_reel, right_reel)
    except BaseException:
        left_reel.close()
        right_reel.close()
        raise


def open_reel(paths: Sequence[Path]) -> Reel:
    """The pictures of one video, or of stills in order. Raises FootageError where they cannot be read."""
    if is_still(paths[0]):
        from autocal.footage.stills import StillReel

        return StillReel(paths)
    from autocal.footage.video import VideoReel

    return VideoReel(paths[0])
