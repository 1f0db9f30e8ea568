"""Two halves of one moment: a side-by-side reel cut in two, or two reels of equal timing."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Protocol

from autocal.errors import FootageError
from autocal.footage.reel import Reel, ReelFrame
from autocal.footage.survey import StereoFrame

# A side-by-side frame of two square halves is 2:1; sensors of 4:3 make it 2.67:1, upright ones 1.5:1.
# A flat 16:9 picture (1.78) passes here; whether its halves show one scene is for the matcher to find.
_NARROWEST, _WIDEST = 1.45, 3.05
# Rates are read from rounded time stamps.
_TOLERATED_RATE_DIFFERENCE = 1e-3


class StereoReel(Protocol):
    """Pairs of halves in order."""

    files: tuple[Path, ...]
    half_size: tuple[int, int]
    frame_count: int
    frame_rate: float | None
    key_frames: Sequence[int]

    @property
    def name(self) -> str:
        """How messages call it."""

    @property
    def notes(self) -> list[str]:
        """What a person should be told."""

    @property
    def read_as_seen(self) -> bool:
        """Whether `read` gives pictures as people see them, like `shown`."""

    def glance(self, index: int) -> StereoFrame | None:
        """The key frame at or before `index`, cheaply."""

    def read(self, indices: Sequence[int]) -> Iterator[StereoFrame]:
        """These frames, as far as they can be decoded."""

    def shown(self, index: int) -> StereoFrame:
        """Frame `index` as people see it; FootageError where it cannot be decoded."""

    def close(self) -> None:
        """Let go of the files."""


class SideBySide:
    """One reel whose frames hold both halves."""

    def __init__(self, clip: int, reel: Reel) -> None:
        """FootageError where a frame cannot be cut into equal halves."""
        width, height = reel.size
        if width % 2:
            raise FootageError(
                f"{reel.name}: is {width} px wide, which makes halves of unequal size; "
                "export it at an even width, or give the eyes with --left and --right"
            )
        if not _NARROWEST <= width / height <= _WIDEST:
            raise FootageError(
                f"{reel.name}: {width}x{height} px cannot be two fisheye pictures side by side (about 2:1 is "
                "expected); give the side-by-side recording, or two files with --left and --right"
            )
        self._clip, self._reel = clip, reel
        self.files = reel.files
        self.half_size: tuple[int, int] = (width // 2, height)
        self.frame_count = reel.frame_count
        self.frame_rate = reel.frame_rate
        self.key_frames = reel.key_frames

    @property
    def name(self) -> str:
        """The reel's name."""
        return self._reel.name

    @property
    def notes(self) -> list[str]:
        """What a person should be told."""
        return self._reel.notes

    @property
    def read_as_seen(self) -> bool:
        """Whether `read` gives pictures as people see them, like `shown`."""
        return self._reel.read_as_seen

    def glance(self, index: int) -> StereoFrame | None:
        """The key frame at or before `index`, cheaply."""
        frame = self._reel.glance(index)
        return None if frame is None else self.cut(frame)

    def read(self, indices: Sequence[int]) -> Iterator[StereoFrame]:
        """These frames, as far as they can be decoded."""
        for frame in self._reel.read(indices):
            yield self.cut(frame)

    def shown(self, index: int) -> StereoFrame:
        """Frame `index` as people see it; FootageError where it cannot be decoded."""
        return self.cut(self._reel.shown(index))

    def close(self) -> None:
        """Close the reel."""
        self._reel.close()

    def cut(self, frame: ReelFrame) -> StereoFrame:
        """The halves of one of the reel's frames."""
        middle = self.half_size[0]
        halves = frame.columns(0, middle), frame.columns(middle, 2 * middle)
        return StereoFrame(self._clip, frame.index, frame.time_s, halves)


class TwoFiles:
    """Two reels of equal timing, one for each half."""

    def __init__(self, clip: int, left: Reel, right: Reel) -> None:
        """FootageError where size, rate or length differ."""
        for what, left_value, right_value in (
            ("px", "x".join(map(str, left.size)), "x".join(map(str, right.size))),
            ("frames long", left.frame_count, right.frame_count),
        ):
            if left_value != right_value:
                raise FootageError(
                    f"{right.name}: is {right_value} {what}, but {left.name} is {left_value}; "
                    "give two files of one shot, equal in size, length and frame rate"
                )
        rates = left.frame_rate, right.frame_rate
        if rates[0] and rates[1] and abs(rates[0] / rates[1] - 1) > _TOLERATED_RATE_DIFFERENCE:
            raise FootageError(
                f"{right.name}: runs at {rates[1]:.4g} frames a second, but {left.name} at {rates[0]:.4g}; "
                "the eyes must be exposed together: give two files of one shot"
            )
        self._clip, self._left, self._right = clip, left, right
        self.files = (*left.files, *right.files)
        self.half_size: tuple[int, int] = left.size
        self.frame_count = left.frame_count
        self.frame_rate = left.frame_rate
        self.key_frames = left.key_frames

    @property
    def name(self) -> str:
        """Both names."""
        return f"{self._left.name} and {self._right.name}"

    @property
    def notes(self) -> list[str]:
        """What a person should be told."""
        return [*self._left.notes, *self._right.notes]

    @property
    def read_as_seen(self) -> bool:
        """Whether `read` gives pictures as people see them, like `shown`."""
        return self._left.read_as_seen and self._right.read_as_seen

    def glance(self, index: int) -> StereoFrame | None:
        """The left file's key frame at or before `index`, cheaply, and what the right file shows then."""
        left = self._left.glance(index)
        if left is None:
            return None
        if left.index in self._right.key_frames:
            right = self._right.glance(left.index)
        else:
            right = next(iter(self._right.read([left.index])), None)
        return self._joined(left, right) if right and left.index == right.index else None

    def read(self, indices: Sequence[int]) -> Iterator[StereoFrame]:
        """The frames of these numbers that both files yield."""
        lefts, rights = self._left.read(indices), self._right.read(indices)
        left, right = next(lefts, None), next(rights, None)
        while left and right:
            if left.index == right.index:
                yield self._joined(left, right)
            behind = min(left.index, right.index)
            step_left, step_right = left.index == behind, right.index == behind
            left = next(lefts, None) if step_left else left
            right = next(rights, None) if step_right else right

    def shown(self, index: int) -> StereoFrame:
        """Frame `index` as people see it; FootageError where it cannot be decoded."""
        return self._joined(self._left.shown(index), self._right.shown(index))

    def close(self) -> None:
        """Close both reels."""
        self._left.close()
        self._right.close()

    def _joined(self, left: ReelFrame, right: ReelFrame) -> StereoFrame:
        width = self.half_size[0]
        halves = left.columns(0, width), right.columns(0, width)
        return StereoFrame(self._clip, left.index, left.time_s, halves)
