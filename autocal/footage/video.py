"""A video file read through PyAV: key frames found without decoding, and no frame decoded needlessly.

Imported late: PyAV takes its time to load.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import av
import numpy as np
from av.stream import Discard
from numpy.typing import NDArray

from autocal.cores import cores
from autocal.errors import DamagedFilmError, FootageError
from autocal.footage.orientation import UPRIGHT, orientation_of_frame
from autocal.footage.reel import ReelFrame
from autocal.footage.survey import Picture
from autocal.footage.timeline import Timeline, read_timeline

_MOST_THREADS = 4
# Containers without an index are sought by guessing; a guess behind the aim is repeated this much earlier.
_SEEK_EARLIER_S = (0, 1, 10, 1_000_000)
# Pixel formats whose first plane is luma with its bits on top of each 16-bit sample (P010 and its kin).
_BITS_ON_TOP = ("p01", "p21", "p41")


class VideoReel:
    """One video file. Luma comes straight from the decoder's first plane where the format has one."""

    read_as_seen = True

    def __init__(self, path: Path) -> None:
        """Open `path`; FootageError where it is no video or holds no frame."""
        self.files: tuple[Path, ...] = (path,)
        self.notes: list[str] = []
        self._path = path
        self._container, self._stream = _open(path)
        try:
            timeline, notes = read_timeline(path, self._container, self._stream)
            self.notes += notes
            self._timeline: Timeline = timeline
            self.frame_count: int = timeline.frame_count
            self.key_frames: Sequence[int] = timeline.key_frames
            self.frame_rate: float | None = timeline.frame_rate
            self._position: int | None = None
            self._frames: Iterator[Any] = iter(())
            self._orientation = UPRIGHT
            self._damaged = False
            self._prober: tuple[Any, Any] | None = None
        except BaseException:
            self._container.close()
            raise
        #: The first key frame that decodes, at which the reel stands until another is asked for: of a clip
        #: that is read from its beginning it is not decoded twice.
        self._first: Any | None = None
        try:
            first = self._first = self._first_frame()
        except BaseException:
            self.close()
            raise
        self._orientation = orientation_of_frame(first)
        self.size: tuple[int, int] = self._orientation.size(first.width, first.height)
        if not self._orientation.is_upright:
            self.notes.append(f"{path}: turned as its rotation metadata asks")
        ratio = self._stream.sample_aspect_ratio
        if ratio not in (None, 0, 1):
            self.notes.append(f"{path}: says its pixels are not square ({ratio}); taken as square")

    @property
    def name(self) -> str:
        """The file."""
        return str(self._path)

    def close(self) -> None:
        """Close the file and its decoders."""
        self._frames = iter(())
        self._first = None
        self._end_looking()
        self._container.close()
        self._stream = None  # or its decoder lives on, with hundreds of megabytes of frames

    def glance(self, index: int) -> ReelFrame | None:
        """The last key frame at or before `index`; but for the first, decoded alone and without its smoothing
        filter."""
        key = self._timeline.key_at(index)
        at_hand = self._first is not None and self._position == key
        frame = self._first if at_hand else self._key_frame(key)
        return None if frame is None else self._reel_frame(frame)

    def read(self, indices: Sequence[int]) -> Iterator[ReelFrame]:
        """Yield these frames, seeking only where a key frame lies between one and the next."""
        pending = list(indices)
        if any(later <= earlier for earlier, later in pairwise(pending)):
            raise ValueError(f"frame numbers must rise, got {pending}")
        while pending:
            frame = self._advance(pending[0])
            if frame is None:  # the file ends here, but there may be more behind a later key frame
                key = self._timeline.key_at(pending[0])
                pending = [index for index in pending if self._timeline.key_at(index) > key]
                continue
            reached = self._index_of(frame)
            if reached in pending:
                if frame.is_corrupt:
                    self._note_damage(reached)
                else:
                    yield self._reel_frame(frame)
            pending = [index for index in pending if index > reached]

    def shown(self, index: int) -> ReelFrame:
        """Frame `index`; FootageError where it cannot be decoded."""
        frame = next(self.read([index]), None)
        if frame is None:
            raise FootageError(f"{self.name}: frame {index} cannot be decoded; use another clip")
        return frame

    def _first_frame(self) -> Any:
        for key in self.key_frames:
            frame = self._from_key(key, key)
            if frame is not None and not frame.is_corrupt:
                return frame
        raise FootageError(
            f"{self.name}: not one frame can be decoded; check that it plays, or export it anew"
        )

    def _key_frame(self, key: int) -> Any | None:
        """That key frame, decoded alone; None where it is damaged."""
        if self._prober is None:
            # One key frame alone: only slices can share the work, and a look at it needs no smoothing.
            self._prober = _open(self._path, thread_type="SLICE", options={"skip_loop_filter": "all"})
        container, stream = self._prober
        for packet in _packets_from(container, stream, self._timeline, key):
            try:
                frames = stream.codec_context.decode(packet) + stream.codec_context.decode(None)
            except av.FFmpegError:
                return None
            return next((frame for frame in frames if not frame.is_corrupt), None)
        return None

    def _end_looking(self) -> None:
        """Give back what looks at key frames keep in memory."""
        if self._prober is not None:
            self._prober[0].close()
            self._prober = None

    def _advance(self, index: int) -> Any | None:
        """Decode up to frame `index`, or the next there is; None where none is left."""
        here = self._position
        first, self._first = self._first, None
        if first is not None and index == here:
            self._end_looking()
            return first
        key = self._timeline.key_at(index)
        if here is not None and index > here and key <= here + 1:
            return self._decode_up_to(index)
        frame = self._from_key(key, index)
        if key > 0 and (frame is None or self._position != index):
            # Of an open group of pictures the first shown need the group before.
            frame = self._from_key(self._timeline.key_at(key - 1), index)
        return frame

    def _from_key(self, key: int, index: int) -> Any | None:
        self._position = None
        self._end_looking()
        self._frames = self._decoded(_packets_from(self._container, self._stream, self._timeline, key))
        return self._decode_up_to(index)

    def _decode_up_to(self, index: int) -> Any | None:
        for frame in self._frames:
            self._position = self._index_of(frame)
            if self._position >= index:
                return frame
        self._position = None
        return None

    def _decoded(self, packets: Iterator[Any]) -> Iterator[Any]:
        """Frames of the packets; damaged packets are passed over and noted."""
        context = self._stream.codec_context
        for packet in packets:
            try:
                yield from context.decode(packet)
            except av.FFmpegError:
                self._note_damage(None)
        try:
            yield from context.decode(None)
        except av.FFmpegError:
            self._note_damage(None)

    def _note_damage(self, index: int | None) -> None:
        if not self._damaged:
            where = "" if index is None else f" (frame {index})"
            self.notes.append(f"{self.name}: some of it is damaged{where}; what decodes is used")
        self._damaged = True

    def _index_of(self, frame: Any) -> int:
        stamp = frame.pts if frame.pts is not None else frame.dts
        if stamp is None:
            return 0 if self._position is None else self._position + 1
        return self._timeline.index_of(stamp)

    def _reel_frame(self, frame: Any) -> ReelFrame:
        index = self._index_of(frame)
        samples, shift = luma_plane(frame)
        return ReelFrame(index, self._timeline.time_of(index), self._orientation.apply(samples), shift)


def luma_plane(frame: Any) -> tuple[Picture, int]:
    """Luma (H, W) of a decoded frame, uint8 or uint16, and by how many bits it must be moved up.

    A view of the decoder's memory where it can be.
    """
    layout = frame.format
    first = layout.components[0]
    if first.is_luma and first.plane == 0 and layout.is_big_endian is False and not layout.is_bit_stream:
        packed = sum(component.plane == 0 for component in layout.components) > 1
        if not packed:
            plane = frame.planes[0]
            samples = np.uint8 if first.bits == 8 else np.dtype("<u2")
            rows: NDArray[Any] = np.frombuffer(plane, dtype=samples).reshape(plane.height, -1)
            picture = rows[:, : frame.width]
            if first.bits == 8 or layout.name.startswith(_BITS_ON_TOP):
                return picture, 0
            return picture, 16 - first.bits
    deep = max(component.bits for component in layout.components) > 8
    grey: Picture = frame.reformat(format="gray16le" if deep else "gray").to_ndarray()
    return grey, 0


def _open(path: Path, thread_type: str = "AUTO", options: dict[str, str] | None = None) -> tuple[Any, Any]:
    """The container and its first video stream. FootageError where there is none."""
    try:
        container = av.open(str(path))
    except av.FFmpegError as error:
        why = "the file ends early or is no video" if _is_invalid(error) else error.strerror
        raise DamagedFilmError(
            f"{path}: cannot be opened as a video ({why}). Pictures must be JPEG, PNG, TIFF, DPX or EXR"
        ) from error
    if not container.streams.video:
        container.close()
        raise FootageError(f"{path}: holds no video stream; give the clip that shows the pictures")
    stream = container.streams.video[0]
    stream.thread_type = thread_type
    # Each thread holds frames of its own: 100 MB for one of 8192x4096 in 10 bits.
    stream.codec_context.thread_count = min(cores(), _MOST_THREADS)
    if options:
        stream.codec_context.options = options
    for other in container.streams:
        if other.index != stream.index:
            other.discard = Discard.all
    return container, stream


def _packets_from(container: Any, stream: Any, timeline: Timeline, key: int) -> Iterator[Any]:
    """Packets from key frame `key` on, in decoding order."""
    aim = timeline.seek_stamp(key)
    reached = False
    try:
        for earlier_s in _SEEK_EARLIER_S:
            container.seek(aim - round(earlier_s / timeline.time_base), stream=stream)
            for packet in container.demux(stream):
                if packet.size == 0:
                    break
                behind = timeline.behind_key(key, packet)
                if not reached and behind > 0 and earlier_s != _SEEK_EARLIER_S[-1]:
                    break  # the seek landed too late
                reached = reached or behind >= 0
                if reached:
                    yield packet
            if reached:
                return
    except av.FFmpegError:
        return


def _is_invalid(error: Exception) -> bool:
    return isinstance(error, (av.InvalidDataError, av.EOFError))
