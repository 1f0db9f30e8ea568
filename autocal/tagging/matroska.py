"""Spatial metadata in Matroska files: StereoMode and Projection of a video track.

Sources: RFC 9559 (Matroska), section 5.1.4.1.28 (StereoMode, Projection) and section 5.1.1 (SeekHead).
Its text and older ones disagree on the signs of yaw and roll: only zeros are written.
"""

from __future__ import annotations

import struct
from typing import BinaryIO

from autocal.errors import DamagedFilmError, FootageError
from autocal.tagging.ebml import VOID, Element, ElementHeader, read_header, unsigned, void
from autocal.tagging.patch import Patch
from autocal.tagging.spatial import Equirect, SpatialTags

_EBML, _SEGMENT = 0x1A45DFA3, 0x18538067
_SEEK_HEAD, _SEEK, _SEEK_POSITION = 0x114D9B74, 0x4DBB, 0x53AC
_TRACKS, _TRACK_ENTRY, _TRACK_TYPE, _VIDEO = 0x1654AE6B, 0xAE, 0x83, 0xE0
_CLUSTER = 0x1F43B675
_MAY_COME_LAST = (0x1254C367, 0x1C53BB6B, 0x1941A469, 0x1043A770)  # Tags, Cues, Attachments, Chapters
_STEREO_MODE, _PROJECTION = 0x53B8, 0x7670
_PROJECTION_TYPE, _PROJECTION_PRIVATE = 0x7671, 0x7672
_POSE = (0x7673, 0x7674, 0x7675)  # yaw, pitch, roll
_STEREO = {0: "mono", 1: "left-right", 3: "top-bottom"}
_PROJECTIONS = {0: "rectangular", 1: "equirectangular", 2: "cubemap", 3: "mesh"}
_MAX_HEAD_BYTES = 64 << 20
_SETTLING_ROUNDS = 8


def read_matroska_tags(stream: BinaryIO, size: int) -> list[SpatialTags]:
    """The tags of each video track. Raises FootageError on a damaged or streamed file."""
    tracks = [e for _, e in _head(stream, size)[1] if e.ident == _TRACKS]
    return [_tags_of(video) for video in _video_elements(tracks)]


def tag_matroska(stream: BinaryIO, size: int, tags: SpatialTags) -> list[Patch]:
    """The patches that give every video track these tags; none where it has them already.

    The media does not move: room is made in the head, from its padding or by moving what may
    stand at the end of the file to there. Raises FootageError where that is not enough.
    """
    segment, head, media_start = _head(stream, size)
    videos = _video_elements([e for _, e in head if e.ident == _TRACKS])
    if not videos:
        raise FootageError("the file has no video track")
    if all(_tags_of(video) == tags for video in videos):
        return []
    for video in videos:
        _set_tags(video, tags)
    room = media_start - segment.body
    head_bytes = _lay_out(segment, head, room, to_end=())
    if head_bytes is not None:
        return [Patch(segment.body, media_start, head_bytes)]
    to_end = tuple(header.start for header, _ in head if header.ident in _MAY_COME_LAST)
    head_bytes = _lay_out(segment, head, room, to_end)
    if head_bytes is None:
        raise FootageError("the file's head has no room for the tags: copy it into a fresh file first")
    tail = b"".join(element.serialise() for header, element in head if header.start in to_end)
    return [
        Patch(segment.start + 4, segment.body, _grown_size(segment, len(tail))),
        Patch(segment.body, media_start, head_bytes),
        Patch(segment.end, segment.end, tail),
    ]


def _head(stream: BinaryIO, size: int) -> tuple[ElementHeader, list[tuple[ElementHeader, Element]], int]:
    """The segment, its elements before the first cluster, and where that cluster starts."""
    ebml = read_header(stream, 0, size)
    if ebml.ident != _EBML:
        raise FootageError("the file does not start with an EBML header: it is no Matroska file")
    segment = read_header(stream, ebml.end, size)
    if segment.ident != _SEGMENT or segment.body - segment.start < 5:
        raise DamagedFilmError("the file has no Matroska segment: it is damaged")
    head: list[tuple[ElementHeader, Element]] = []
    at = segment.body
    while at < segment.end:
        header = read_header(stream, at, segment.end)
        if header.ident == _CLUSTER:
            break
        if header.end - segment.body > _MAX_HEAD_BYTES:
            raise DamagedFilmError("the file's head is larger than any film's: it is damaged")
        stream.seek(header.body)
        head.append((header, Element(header.ident, stream.read(header.end - header.body))))
        at = header.end
    return segment, head, at


def _video_elements(tracks: list[Element]) -> list[Element]:
    videos = []
    for track_list in tracks:
        for entry in track_list.expand():
            if entry.ident != _TRACK_ENTRY:
                continue
            entry.expand()
            if any(unsigned(kind.payload) == 1 for kind in entry.find(_TRACK_TYPE)):
                videos += entry.find(_VIDEO)
    for video in videos:
        video.expand()
    return videos


def _tags_of(video: Element) -> SpatialTags:
    stereo: str | None = None
    for mode in video.find(_STEREO_MODE):
        stereo = _STEREO.get(unsigned(mode.payload), f"mode {unsigned(mode.payload)}")
    projection: str | None = None
    equirect: Equirect | None = None
    pose = [0.0, 0.0, 0.0]
    for element in video.find(_PROJECTION):
        inner = Element(_PROJECTION, element.body())
        inner.expand()
        for kind in inner.find(_PROJECTION_TYPE):
            number = unsigned(kind.payload)
            projection = _PROJECTIONS.get(number, f"type {number}")
        for private in inner.find(_PROJECTION_PRIVATE):
            if projection == "equirectangular":
                equirect = Equirect.from_payload(private.payload)
        for axis, ident in enumerate(_POSE):
            for angle in inner.find(ident):
                pose[axis] = _float(angle.payload)
    return SpatialTags(stereo, projection, equirect, (pose[0], pose[1], pose[2]))


def _set_tags(video: Element, tags: SpatialTags) -> None:
    numbers = {name: number for number, name in _STEREO.items()}
    if tags.stereo not in numbers or tags.equirect is None or any(tags.pose_deg):
        raise FootageError(f"can only write unturned equirectangular tags of a known stereo mode, got {tags}")
    projection = Element(_PROJECTION, children=[])
    projection.put(_PROJECTION_TYPE, b"\x01")
    projection.put(_PROJECTION_PRIVATE, tags.equirect.payload())
    for ident in _POSE:
        projection.put(ident, struct.pack(">f", 0.0))
    video.put(_STEREO_MODE, bytes([numbers[tags.stereo]]))
    video.put(_PROJECTION, projection.body())


def _float(payload: bytes) -> float:
    if len(payload) not in (0, 4, 8):
        raise DamagedFilmError("an angle of the projection is damaged")
    return float(struct.unpack({0: "", 4: ">f", 8: ">d"}[len(payload)], payload)[0]) if payload else 0.0


def _lay_out(
    segment: ElementHeader, head: list[tuple[ElementHeader, Element]], room: int, to_end: tuple[int, ...]
) -> bytes | None:
    """The head's new bytes, padded to `room`; None where they do not fit.

    to_end: where the elements start that go behind the segment's present end.
    """
    stays = [(h, e) for h, e in head if e.ident != VOID and h.start not in to_end]
    leaves = [(h, e) for h, e in head if h.start in to_end]
    places: dict[int, int] = {}
    content = b""
    for _ in range(_SETTLING_ROUNDS):  # positions in the SeekHead may change its own size
        moved: dict[int, int] = {}
        content = b""
        for header, element in stays:
            moved[header.start - segment.body] = len(content)
            fresh = _moved_seek_head(element, places) if element.ident == _SEEK_HEAD else element
            content += fresh.serialise()
        end = segment.end - segment.body
        for header, element in leaves:
            moved[header.start - segment.body] = end
            end += len(element.serialise())
        if moved == places:
            break
        places = moved
    spare = room - len(content)
    return None if spare < 0 or spare == 1 else content + void(spare)  # no Void is one byte long


def _moved_seek_head(element: Element, places: dict[int, int]) -> Element:
    """A SeekHead that follows the elements that moved (old place to new, from the segment's body)."""
    fresh = Element(element.ident, element.body())
    for seek in fresh.expand():
        if seek.ident != _SEEK:
            continue
        seek.expand()
        for position in seek.find(_SEEK_POSITION):
            old = unsigned(position.payload)
            new = places.get(old, old)
            length = max(len(position.payload), (new.bit_length() + 7) // 8)
            seek.put(_SEEK_POSITION, new.to_bytes(length, "big"))
    return fresh


def _grown_size(segment: ElementHeader, growth: int) -> bytes:
    length = segment.body - segment.start - 4
    size = segment.end - segment.body + growth
    if size >= (1 << 7 * length) - 1:
        raise FootageError("the file's size field is too short to grow: copy it into a fresh file first")
    return (size | 1 << 7 * length).to_bytes(length, "big")
