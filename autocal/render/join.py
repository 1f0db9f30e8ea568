"""Joining the pieces of a film and the clip's own sound, without encoding again."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction
from math import lcm
from pathlib import Path
from typing import Any

import av

from autocal.errors import OutputError
from autocal.render.clip import Clip, opened
from autocal.render.encode import set_colour
from autocal.render.work import Piece

_FASTEST_CLOCK = 10_000_000  # ticks a second: a day still fits the 64-bit fields by far


def join(
    pieces: Sequence[Piece], clip: Clip, target: Path, *, first: int, last: int, shift: int, title: str
) -> None:
    """Write the film: the pieces' pictures, and the sound between the first and last picture's times.

    first, last: the pictures' places in the clip, last excluded. shift: taken off every time stamp,
    in the clip's time base. The sound's packets are copied as they are.
    Raises OutputError where the target cannot hold what the clip has.
    """
    try:
        with opened(clip.path, clip.rate) as source, _output(target, clip, source) as output:
            packets = _merged(output, pieces, clip, source, first, last, shift)
            output.metadata["title"] = title
            for packet in packets:
                output.mux(packet)
    except (av.error.FFmpegError, OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise OutputError(
            f"the {target.suffix} file cannot be written: {reason}. "
            "If the sound does not fit this kind of file, take .mov or .mkv"
        ) from error


def _output(target: Path, clip: Clip, source: Any) -> Any:
    """The film's file; MP4 and MOV get a clock on which every stream's start is a whole number."""
    if target.suffix.lower() not in (".mp4", ".mov"):
        return av.open(str(target), "w")
    ticks = lcm(clip.time_base.denominator, *(s.time_base.denominator for s in source.streams.audio))
    options = {"movflags": "+write_colr", "movie_timescale": str(min(ticks, _FASTEST_CLOCK))}
    return av.open(str(target), "w", options=options)


def _merged(
    output: Any, pieces: Sequence[Piece], clip: Clip, source: Any, first: int, last: int, shift: int
) -> Iterator[Any]:
    """Set up the streams; then all packets in order of decoding time."""
    with av.open(str(pieces[0].path)) as file:
        encoded = file.streams.video[0]
        video = output.add_stream_from_template(encoded)
        is_hevc = encoded.codec_context.name == "hevc"
    video.time_base = clip.time_base
    if video.codec_context is not None:
        set_colour(video.codec_context, clip)
        if is_hevc and output.format.name in ("mp4", "mov"):
            video.codec_context.codec_tag = (
                "hvc1"  # parameter sets outside the pictures: what players ask for
            )
    if clip.timecode:
        video.metadata["timecode"] = clip.timecode
    sound = {s.index: output.add_stream_from_template(s) for s in source.streams.audio}
    return _by_time(_pictures(pieces, video, clip, shift), _sound(source, sound, clip, first, last, shift))


def _pictures(pieces: Sequence[Piece], stream: Any, clip: Clip, shift: int) -> Iterator[Any]:
    """The pieces' packets with decoding times that rise through the whole film.

    As in one long encode, a packet's decoding time is the presentation time of the picture `delay` places
    earlier, where `delay` is how far any picture is held back.
    """
    shown = [pts for piece in pieces for pts in _shown(piece, clip)]
    ordered = sorted(shown)
    place = {pts: n for n, pts in enumerate(ordered)}
    delay = max((n - place[pts] for n, pts in enumerate(shown)), default=0)
    step = max(round(1 / (clip.rate * clip.time_base)), 1)
    count = 0
    for piece in pieces:
        with av.open(str(piece.path)) as file:
            for packet in file.demux(video=0):
                if not packet.size:
                    continue
                pts = shown[count]
                early = count - delay
                packet.dts = (ordered[early] if early >= 0 else ordered[0] + early * step) - shift
                packet.pts = pts - shift
                following = place[pts] + 1
                packet.duration = (ordered[following] if following < len(ordered) else pts + step) - pts
                packet.time_base = clip.time_base
                packet.stream = stream
                count += 1
                yield packet


def _shown(piece: Piece, clip: Clip) -> list[int]:
    """The clip's pts of a piece's packets, in order of decoding.

    The piece's file knows the pictures' order; their times are the clip's own, exactly.
    Raises OutputError where pictures are missing.
    """
    with av.open(str(piece.path)) as file:
        packets: Iterator[Any] = file.demux(video=0)
        stored = [packet.pts for packet in packets if packet.size]
    if len(set(stored)) != piece.last - piece.first:
        raise OutputError(f"{piece.path} is damaged: delete it, then give the same command again")
    place = {pts: piece.first + n for n, pts in enumerate(sorted(stored))}
    return [clip.pts[place[pts]] for pts in stored]


def _sound(
    source: Any, streams: dict[int, Any], clip: Clip, first: int, last: int, shift: int
) -> Iterator[Any]:
    if not streams:
        return
    whole = first == 0 and last == len(clip.pts)
    step = 1 / clip.rate
    start = clip.pts[first] * clip.time_base
    end = clip.pts[last - 1] * clip.time_base + step
    for packet in source.demux([s for s in source.streams.audio if s.index in streams]):
        if not packet.size:
            continue
        at = packet.pts if packet.pts is not None else packet.dts
        if not whole and at is not None and not start <= at * packet.time_base < end:
            continue
        moved = round(shift * clip.time_base / packet.time_base)
        packet.pts = None if packet.pts is None else packet.pts - moved
        packet.dts = None if packet.dts is None else packet.dts - moved
        packet.stream = streams[packet.stream_index]
        yield packet


def _by_time(*sources: Iterator[Any]) -> Iterator[Any]:
    """Merge packets by decoding time, so that sound and pictures lie close together in the file."""
    heads: dict[Iterator[Any], Any] = {source: next(source, None) for source in sources}
    while waiting := [source for source, packet in heads.items() if packet is not None]:
        source = min(waiting, key=lambda s: _time(heads[s]))
        yield heads[source]
        heads[source] = next(source, None)


def _time(packet: Any) -> Fraction:
    at = packet.dts if packet.dts is not None else packet.pts
    return Fraction(0) if at is None else at * packet.time_base
