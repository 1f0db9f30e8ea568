"""Pieces of a film: closed groups of pictures, each encoded by an encoder of its own.

A piece depends on nothing outside it, so pieces can be made again, later, or elsewhere, and joined
without encoding again. A piece's file keeps the order of its pictures; their times are the clip's.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import Any
from uuid import uuid4

import av
from av.video.reformatter import ColorRange

from autocal.errors import OutputError
from autocal.render.clip import Clip
from autocal.render.settings import Compression

#: NUT holds every codec but this.
_PIECE_FORMATS = {"prores": "mov"}
_PIECE_SECONDS = 4
_GROUP_SECONDS = 1
#: Of fewer pictures x265 gives decoding times from memory that it never set; they need none of their own.
_ENOUGH_TO_REORDER = 3


def group_size(rate: float) -> int:
    """Pictures in a closed group: about a second."""
    return max(round(_GROUP_SECONDS * rate), 1)


def piece_size(rate: float) -> int:
    """Pictures in a piece: a whole number of groups, about four seconds."""
    return group_size(rate) * (_PIECE_SECONDS // _GROUP_SECONDS)


class PieceWriter:
    """Encodes the pictures of one piece into a file that appears under its name when whole."""

    def __init__(self, path: Path, clip: Clip, compression: Compression, size: tuple[int, int]) -> None:
        """Raises OutputError where the place cannot be written or the encoder refuses."""
        self._path = path
        # A name of its own: a worker that was given up may still be at the same piece elsewhere.
        self._part = path.with_suffix(f".{uuid4().hex[:12]}.part")
        self._format = compression.pixel_format(clip.format)
        self._pictures = 0
        try:
            self._container = av.open(
                str(self._part), "w", format=_PIECE_FORMATS.get(compression.codec, "nut")
            )
        except (av.error.FFmpegError, OSError) as error:
            raise _not_written(path, error) from error
        try:
            self._stream = self._encoder(clip, compression, size)
            self._stream.codec_context.open()
        except (av.error.FFmpegError, ValueError) as error:
            self.abandon()
            raise OutputError(
                f"the encoder {compression.encoder} refuses {size[0]}x{size[1]} px, {self._format}, "
                f"preset {compression.preset} ({error}): try another preset, codec or size"
            ) from error

    def _encoder(self, clip: Clip, compression: Compression, size: tuple[int, int]) -> Any:
        rate = clip.rate
        stream: Any = self._container.add_stream(compression.encoder, rate=rate)
        stream.width, stream.height = size
        stream.pix_fmt = self._format
        context = stream.codec_context
        context.time_base = clip.time_base
        context.options = compression.options(group_size(float(rate)), size)
        if compression.bitrate:
            context.bit_rate = compression.bitrate
        if compression.codec in ("hevc", "h264"):
            context.gop_size = group_size(float(rate))
        set_colour(context, clip)
        return stream

    def add(self, frame: av.VideoFrame) -> None:
        """Encode a picture; its pts and time_base must be set."""
        if frame.format.name != self._format:
            pts, time_base = frame.pts, frame.time_base
            frame = frame.reformat(format=self._format)
            frame.pts, frame.time_base = pts, time_base
        self._pictures += 1
        self._mux(frame)

    def finish(self) -> None:
        """Flush, close and give the file its name."""
        self._mux(None)
        try:
            self._container.close()
            os.replace(self._part, self._path)
        except (av.error.FFmpegError, OSError) as error:
            raise _not_written(self._path, error) from error

    def abandon(self) -> None:
        """Leave nothing behind."""
        with suppress(av.error.FFmpegError, OSError):  # it is being thrown away
            self._container.close()
        self._part.unlink(missing_ok=True)

    def _mux(self, frame: av.VideoFrame | None) -> None:
        try:
            for packet in self._stream.encode(frame):
                if self._pictures < _ENOUGH_TO_REORDER:
                    packet.dts = packet.pts
                self._container.mux(packet)
        except (av.error.FFmpegError, OSError) as error:
            raise _not_written(self._path, error) from error


def set_colour(context: Any, clip: Clip) -> None:
    """Carry the clip's colour tags over to an encoder, unchanged."""
    colour = clip.colour
    context.color_primaries, context.color_trc = colour.primaries, colour.transfer
    context.colorspace = colour.matrix
    context.color_range = ColorRange(colour.range)


def encode_piece(
    path: Path, frames: Iterable[av.VideoFrame], clip: Clip, compression: Compression, size: tuple[int, int]
) -> None:
    """Encode all pictures of a piece; the file appears when whole, or not at all."""
    writer = PieceWriter(path, clip, compression, size)
    try:
        for frame in frames:
            writer.add(frame)
            del frame  # pictures are large: hold none longer than needed
        writer.finish()
    except BaseException:
        writer.abandon()
        raise


def _not_written(path: Path, error: Exception) -> OutputError:
    reason = getattr(error, "strerror", None) or str(error)
    return OutputError(
        f"{path.parent}: a piece of the film could not be written ({reason}). What is finished is kept: "
        "make room, then give the same command again"
    )
