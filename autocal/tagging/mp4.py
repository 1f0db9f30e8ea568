"""Spatial metadata in MP4 and MOV files: the st3d and sv3d boxes of the Spherical Video V2 RFC.

Only the index of the file (moov) is rewritten; the media is copied as it is.
"""

from __future__ import annotations

import struct
from typing import BinaryIO

from autocal.errors import DamagedFilmError, FootageError
from autocal.tagging.boxes import Box, BoxHeader, top_level_boxes
from autocal.tagging.patch import Patch
from autocal.tagging.spatial import STEREO_MODES, Equirect, SpatialTags

_MAX_INDEX_BYTES = 256 << 20
_SAMPLE_ENTRY_FIELDS = 78  # ISO/IEC 14496-12, 12.1.3: VisualSampleEntry before its boxes
_BEFORE = (b"clap", b"pasp")  # the RFC: st3d and sv3d come before these
_SOURCE = b"autocal\0"


def read_mp4_tags(stream: BinaryIO, size: int) -> list[SpatialTags]:
    """The tags of each video track. Raises FootageError on a damaged or fragmented file."""
    _, moov = _open_index(stream, size)
    return [_tags_of(entry) for entry in _sample_entries(moov)]


def tag_mp4(stream: BinaryIO, size: int, tags: SpatialTags) -> list[Patch]:
    """The patches that give every video track these tags; none where it has them already."""
    header, moov = _open_index(stream, size)
    entries = _sample_entries(moov)
    if not entries:
        raise FootageError("the file has no video track")
    if all(_tags_of(entry) == tags for entry in entries):
        return []
    for entry in entries:
        _set_tags(entry, tags)
    growth = len(moov.serialise()) - (header.end - header.start)
    _move_chunk_offsets(moov, header, growth, size)
    return [Patch(header.start, header.end, moov.serialise())]


def _open_index(stream: BinaryIO, size: int) -> tuple[BoxHeader, Box]:
    boxes = list(top_level_boxes(stream, size))
    if any(box.kind == b"moof" for box in boxes):
        raise FootageError("the file is fragmented (moof): copy it into a plain MP4 or MOV first")
    indexes = [box for box in boxes if box.kind == b"moov"]
    if len(indexes) != 1:
        raise DamagedFilmError(
            f"expected one index (moov), found {len(indexes)}: the file is incomplete or damaged"
        )
    header = indexes[0]
    if header.end - header.start > _MAX_INDEX_BYTES:
        raise DamagedFilmError(f"the index claims {header.end - header.start} bytes: the file is damaged")
    stream.seek(header.body)
    payload = stream.read(header.end - header.body)
    moov = Box(b"moov", payload, long_size=header.body - header.start == 16)
    moov.expand(0, tail_allowed=True)
    if moov.find(b"mvex"):
        raise FootageError("the file is fragmented (mvex): copy it into a plain MP4 or MOV first")
    if moov.find(b"cmov"):
        raise FootageError("the file's index is compressed (cmov): copy it into a plain MP4 or MOV first")
    if any(box.kind == b"meta" for box in boxes):
        raise FootageError("the file stores items by place (meta at its top): copy it into a plain MP4 first")
    return header, moov


def _sample_tables(moov: Box) -> list[tuple[Box, bool]]:
    """The sample table of every track, and whether it is video."""
    tables: list[tuple[Box, bool]] = []
    for trak in moov.find(b"trak"):
        trak.expand(0, tail_allowed=True)
        mdia = _only(trak, b"mdia")
        mdia.expand(0, tail_allowed=True)
        handler = _only(mdia, b"hdlr").payload or b""
        minf = _only(mdia, b"minf")
        minf.expand(0, tail_allowed=True)
        stbl = _only(minf, b"stbl")
        stbl.expand(0, tail_allowed=True)
        tables.append((stbl, handler[8:12] == b"vide"))
    return tables


def _sample_entries(moov: Box) -> list[Box]:
    entries: list[Box] = []
    for stbl, is_video in _sample_tables(moov):
        if not is_video:
            continue
        stsd = _only(stbl, b"stsd")
        for entry in stsd.expand(8, tail_allowed=True):
            entry.expand(_SAMPLE_ENTRY_FIELDS, tail_allowed=True)
            entries.append(entry)
    return entries


def _only(parent: Box, kind: bytes) -> Box:
    found = parent.find(kind)
    if len(found) != 1:
        name, inside = kind.decode("ascii"), parent.kind.decode("latin-1")
        raise DamagedFilmError(
            f"expected one '{name}' in '{inside}', found {len(found)}: the file is damaged"
        )
    return found[0]


def _tags_of(entry: Box) -> SpatialTags:
    stereo: str | None = None
    projection: str | None = None
    equirect: Equirect | None = None
    pose = (0.0, 0.0, 0.0)
    for box in entry.find(b"st3d"):
        payload = box.payload or b""
        if len(payload) < 5:
            raise DamagedFilmError("the st3d box is cut short")
        known = payload[4] < len(STEREO_MODES)
        stereo = STEREO_MODES[payload[4]] if known else f"mode {payload[4]}"
    for sv3d in entry.find(b"sv3d"):
        copy = Box(b"sv3d", sv3d.payload)
        copy.expand(0)
        for proj in copy.find(b"proj"):
            for part in proj.expand(0):
                body = part.payload or b""
                if part.kind == b"prhd" and len(body) >= 16:
                    yaw, pitch, roll = struct.unpack(">3i", body[4:16])
                    pose = (yaw / 65536, pitch / 65536, roll / 65536)
                elif part.kind == b"equi":
                    projection, equirect = "equirectangular", Equirect.from_payload(body)
                elif part.kind in (b"cbmp", b"mshp"):
                    projection = {b"cbmp": "cubemap", b"mshp": "mesh"}[part.kind]
    return SpatialTags(stereo, projection, equirect, pose)


def _set_tags(entry: Box, tags: SpatialTags) -> None:
    kept = [box for box in entry.children or () if box.kind not in (b"st3d", b"sv3d")]
    at = next((i for i, box in enumerate(kept) if box.kind in _BEFORE), len(kept))
    entry.children = [*kept[:at], *_spatial_boxes(tags), *kept[at:]]


def _spatial_boxes(tags: SpatialTags) -> list[Box]:
    if tags.stereo not in STEREO_MODES or tags.equirect is None:
        raise FootageError(f"can only write equirectangular tags of a known stereo mode, got {tags}")
    yaw, pitch, roll = (round(angle * 65536) for angle in tags.pose_deg)
    prhd = Box(b"prhd", struct.pack(">I3i", 0, yaw, pitch, roll))
    equi = Box(b"equi", tags.equirect.payload())
    proj = Box(b"proj", None, children=[prhd, equi])
    svhd = Box(b"svhd", struct.pack(">I", 0) + _SOURCE)
    sv3d = Box(b"sv3d", Box(b"sv3d", None, children=[svhd, proj]).body())
    st3d = Box(b"st3d", struct.pack(">IB", 0, STEREO_MODES.index(tags.stereo)))
    return [st3d, sv3d]


def _move_chunk_offsets(moov: Box, header: BoxHeader, growth: int, file_size: int) -> None:
    """Let the chunk offsets follow media that lies behind the index, which grows by `growth` bytes."""
    for stbl, _ in _sample_tables(moov):
        if stbl.find(b"saio"):
            raise FootageError("the file is encrypted (saio): it cannot be tagged")
        for box in stbl.children or ():
            if box.kind in (b"stco", b"co64"):
                box.payload = _moved(box, header, growth, file_size)


def _moved(box: Box, header: BoxHeader, growth: int, file_size: int) -> bytes:
    import numpy as np

    payload = box.payload or b""
    width = 4 if box.kind == b"stco" else 8
    count = int.from_bytes(payload[4:8], "big") if len(payload) >= 8 else -1
    if count < 0 or len(payload) < 8 + count * width:
        raise DamagedFilmError(f"box '{box.kind.decode('ascii')}' is cut short: the file is damaged")
    offsets = np.frombuffer(payload, dtype=f">u{width}", count=count, offset=8)
    if count and (int(offsets.max()) > file_size):
        raise DamagedFilmError("the index points beyond the end of the file: it is truncated or damaged")
    moved = offsets.astype(np.int64) + np.where(offsets >= header.end, growth, 0)
    if width == 4 and count and int(moved.max()) >= 2**32:
        raise FootageError(
            "the index in front of the media cannot grow: its 32-bit offsets are full. "
            "Copy the file so that its index comes last, then tag it"
        )
    return payload[:8] + moved.astype(f">u{width}").tobytes() + payload[8 + count * width :]
