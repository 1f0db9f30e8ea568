"""The clip that a film is made from: every picture's time, and the pictures themselves in order."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

import av

from autocal.errors import DamagedFilmError, FootageError
from autocal.footage.orientation import Orientation, orientation_of_frame
from autocal.render.formats import PlanarFormat, planar_format
from autocal.render.sequence import as_sequence
from autocal.render.settings import LARGE_PIXELS

_SEQUENCE_RATE = 30
#: Each decoding thread holds pictures of its own; two keep up with any encoder at this size.
_LARGE_THREADS = 1


@dataclass(frozen=True)
class ColourTags:
    """How the code values are to be read (Rec. ITU-T H.273 numbers); carried over, never changed."""

    primaries: int
    transfer: int
    matrix: int
    range: int


@dataclass(frozen=True, eq=False)
class Clip:
    """What is known of a clip before its pictures are decoded.

    pts: of every picture, in order of display, in units of time_base seconds. keys: the pts at which
    decoding can start. size: (width, height) as displayed. declared_s: how long the file says that
    it is, or NaN.
    """

    path: Path
    pts: tuple[int, ...]
    keys: tuple[int, ...]
    time_base: Fraction
    rate: Fraction
    size: tuple[int, int]
    format: PlanarFormat
    orientation: Orientation
    colour: ColourTags
    timecode: str | None
    has_sound: bool
    declared_s: float
    sample_aspect: Fraction | None = None

    def seconds(self, pts: int) -> float:
        """When a picture is shown."""
        return float(pts * self.time_base)

    @property
    def missing_end_s(self) -> float:
        """By how much the pictures end before the file says so, where it is more than two pictures' time."""
        shown = self.seconds(self.pts[-1] - self.pts[0]) + float(1 / self.rate)
        missing = self.declared_s - shown
        return missing if missing > 2 / float(self.rate) else 0.0


@dataclass
class Repairs:
    """Which pictures were bad and replaced by the last good one before (or, at the start, the next)."""

    repeated: list[int] = field(default_factory=list)


def open_clip(path: Path, rate: Fraction | None = None) -> Clip:
    """Read every picture's time, and one picture for its size and format.

    path: a film, or a sequence of pictures (`autocal.render.sequence`) shown at `rate` a second,
    by default 30. Raises FootageError where the file is missing, no video, or holds nothing that decodes.
    """
    pts: list[int] = []
    keys: list[int] = []
    with opened(path, rate) as container:
        stream = container.streams.video[0]
        rate = stream.average_rate or stream.guessed_rate or Fraction(25)
        time_base = stream.time_base or Fraction(1, 1000)
        step = max(round(1 / (rate * time_base)), 1)
        try:
            for packet in container.demux(stream):
                if not packet.size or packet.is_discard:
                    continue
                at = packet.pts if packet.pts is not None else packet.dts
                at = at if at is not None else (pts[-1] + step if pts else 0)
                pts.append(at)
                if packet.is_keyframe:
                    keys.append(at)
        except av.error.FFmpegError:
            pass  # a damaged end: what came before counts, and `missing_end_s` tells
        declared = _declared_seconds(container, stream)
        timecode = stream.metadata.get("timecode") or container.metadata.get("timecode")
        timecode = timecode or _timecode_of_data_streams(container)
        has_sound = bool(container.streams.audio)
        aspect = stream.sample_aspect_ratio
    if not pts or not keys:
        raise FootageError(f"{path}: holds no pictures that can be decoded")
    ordered = tuple(sorted(set(pts)))
    first = _first_frame(path)
    orientation = orientation_of_frame(first)
    colour = ColourTags(
        *(int(v) for v in (first.color_primaries, first.color_trc, first.colorspace, first.color_range))
    )
    if first.format.name.startswith("yuvj"):
        colour = ColourTags(colour.primaries, colour.transfer, colour.matrix, 2)
    return Clip(
        path=path,
        pts=ordered,
        keys=tuple(sorted(set(keys))),
        time_base=time_base,
        rate=rate,
        size=orientation.size(first.width, first.height),
        format=planar_format(first.format.name),
        orientation=orientation,
        colour=colour,
        timecode=timecode,
        has_sound=has_sound,
        declared_s=declared,
        sample_aspect=aspect,
    )


def frames(clip: Clip, first: int, last: int, repairs: Repairs) -> Iterator[tuple[int, av.VideoFrame]]:
    """Pictures first to last - 1, each with its place in `clip.pts`; every place comes once, in order.

    Where a picture does not decode, the last good one takes its place and `repairs` says which.
    """
    expected = first
    good: av.VideoFrame | None = None
    for place, frame in _decoded(clip, first, last):
        if place < expected:
            good = frame
            continue
        if good is None and place > expected:
            good = _last_good(clip, expected)
        for missing in range(expected, min(place, last)):
            repairs.repeated.append(missing)
            yield missing, good or frame
        expected = max(expected, min(place, last))
        if place >= last:
            return
        yield place, frame
        good, expected = frame, place + 1
    for missing in range(expected, last):
        good = good or _last_good(clip, expected)
        if good is None:
            raise FootageError(f"{clip.path}: no picture decodes near {clip.seconds(clip.pts[first]):.3f} s")
        repairs.repeated.append(missing)
        yield missing, good


def _last_good(clip: Clip, before: int) -> av.VideoFrame | None:
    """The last picture before a place that decodes, however far back.

    So pieces made apart are the same as pieces made in a row.
    """
    places = {pts: place for place, pts in enumerate(clip.pts)}
    for key in reversed([pts for pts in clip.keys if pts < clip.pts[before]]):
        good = None
        for place, frame in _decoded(clip, places[key], before):
            if place < before:
                good = frame
        if good is not None:
            return good
    return None


def _decoded(clip: Clip, first: int, last: int) -> Iterator[tuple[int, av.VideoFrame]]:
    """Pictures that decode, from a key picture before `first` to one past `last`, by place."""
    place_of = {pts: place for place, pts in enumerate(clip.pts)}
    before = bisect_right(clip.keys, clip.pts[first]) - 1
    # One key picture further back: pictures that lead the key picture in display lean on the one before.
    start = clip.keys[max(before - 1, 0)]
    with opened(clip.path, clip.rate) as container:
        stream = container.streams.video[0]
        if clip.size[0] * clip.size[1] >= LARGE_PIXELS:
            stream.thread_count = _LARGE_THREADS
        stream.thread_type = "AUTO"
        stream.codec_context.options = {"err_detect": "explode"}
        if before > 0:
            container.seek(start, stream=stream)
        for frame in _good_frames(container, stream):
            place = place_of.get(frame.pts) if frame.pts is not None else None
            if place is None:
                continue
            yield place, _as_format(clip, frame)
            if place >= last:
                return


def _good_frames(container: Any, stream: Any) -> Iterator[av.VideoFrame]:
    packets = container.demux(stream)
    while True:
        try:
            packet = next(packets)
        except StopIteration:
            return
        except av.error.FFmpegError:
            return  # the container itself ends in damage
        try:
            decoded = packet.decode()
        except av.error.FFmpegError:
            continue
        for frame in decoded:
            if not frame.is_corrupt:
                yield frame


def _as_format(clip: Clip, frame: av.VideoFrame) -> av.VideoFrame:
    if clip.orientation.size(frame.width, frame.height) != clip.size:
        raise FootageError(
            f"{clip.path}: the picture changes its size to {frame.width}x{frame.height} px "
            f"at {frame.time:.3f} s: cut the clip there"
        )
    name = frame.format.name
    if name in (clip.format.name, clip.format.name.replace("yuv", "yuvj")):
        return frame
    return frame.reformat(format=clip.format.name)


def _first_frame(path: Path) -> av.VideoFrame:
    with opened(path) as container:
        for frame in _good_frames(container, container.streams.video[0]):
            return frame
    raise FootageError(f"{path}: no picture of it decodes")


def _declared_seconds(container: Any, stream: Any) -> float:
    if stream.duration is not None:
        return float(stream.duration * stream.time_base)
    return container.duration / av.time_base if container.duration else float("nan")


def _timecode_of_data_streams(container: Any) -> str | None:
    return next((s.metadata["timecode"] for s in container.streams if "timecode" in s.metadata), None)


@contextmanager
def opened(path: Path, rate: Fraction | None = None) -> Iterator[Any]:
    """The clip's container, closed at the end. Raises FootageError where it is no film with pictures."""
    sequence = as_sequence(path)
    try:
        if sequence is not None:
            first = sequence.numbers()[0]
            options = {"framerate": str(rate or _SEQUENCE_RATE), "start_number": str(first)}
            container = av.open(sequence.ffmpeg_pattern, format="image2", options=options)
        else:
            container = av.open(str(path))
    except FileNotFoundError as error:
        raise FootageError(f"{path}: no such file; check the name and the folder") from error
    except IsADirectoryError as error:
        raise FootageError(
            f"{path}: a folder; give the clip, or numbered pictures like {path / 'shot.%04d.exr'}"
        ) from error
    except (av.error.InvalidDataError, av.error.EOFError) as error:
        raise DamagedFilmError(
            f"{path}: cannot be opened as a video (the file ends early or is no video)"
        ) from error
    except (av.error.FFmpegError, OSError) as error:
        raise FootageError(
            f"{path}: cannot be opened as a video ({error.strerror or error}); check that it may be read"
        ) from error
    with container:
        if not container.streams.video:
            raise FootageError(f"{path}: holds no video")
        yield container
