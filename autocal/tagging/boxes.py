"""Boxes of an ISO base media file, read as a tree and written back byte for byte.

Layout: ISO/IEC 14496-12, 4.2 (size and type, 64-bit sizes, size 0 to the end of the file).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO

from autocal.errors import DamagedFilmError

_MAX_TOP_LEVEL = 1_000_000
_MAX_CHILDREN = 100_000


@dataclass(frozen=True)
class BoxHeader:
    """Where a top-level box lies in the file: [start, body) is its header, [body, end) its content."""

    kind: bytes
    start: int
    body: int
    end: int


@dataclass(eq=False)
class Box:
    """A box in memory. payload: its content, or None where `children` hold it.

    prefix: bytes between the header and the first child; suffix: after the last.
    """

    kind: bytes
    payload: bytes | None
    prefix: bytes = b""
    children: list[Box] | None = None
    suffix: bytes = b""
    long_size: bool = False

    def body(self) -> bytes:
        """Everything after the header."""
        if self.children is None:
            return self.payload or b""
        return self.prefix + b"".join(child.serialise() for child in self.children) + self.suffix

    def serialise(self) -> bytes:
        """Header and body."""
        body = self.body()
        if self.long_size or len(body) + 8 >= 2**32:
            return struct.pack(">I4sQ", 1, self.kind, len(body) + 16) + body
        return struct.pack(">I4s", len(body) + 8, self.kind) + body

    def expand(self, prefix_length: int, *, tail_allowed: bool = False) -> list[Box]:
        """Parse the payload into children after `prefix_length` bytes, and return them.

        tail_allowed: up to 7 bytes that are no box may follow (QuickTime ends lists with zeros).
        Raises FootageError where a child does not fit.
        """
        if self.children is None:
            payload = self.payload or b""
            if len(payload) < prefix_length:
                raise DamagedFilmError(f"box '{_name(self.kind)}' is cut short")
            self.prefix = payload[:prefix_length]
            self.children, self.suffix = _parse(payload[prefix_length:], self.kind, tail_allowed)
            self.payload = None
        return self.children

    def find(self, kind: bytes) -> list[Box]:
        """Children of one kind; the box must have been expanded."""
        return [child for child in self.children or () if child.kind == kind]


def top_level_boxes(stream: BinaryIO, file_size: int) -> Iterator[BoxHeader]:
    """Headers of the top-level boxes in file order, reading no content.

    Raises FootageError where the file ends inside a box.
    """
    start = 0
    for _ in range(_MAX_TOP_LEVEL):
        if start == file_size:
            return
        stream.seek(start)
        head = stream.read(16)
        if len(head) < 8:
            raise DamagedFilmError(f"{file_size - start} stray bytes at the end: the file is damaged")
        size, kind = struct.unpack(">I4s", head[:8])
        body = start + 8
        if size == 1 and len(head) == 16:
            size, body = int.from_bytes(head[8:16], "big"), start + 16
        elif size == 0:
            size = file_size - start
        if start + size > file_size:
            raise DamagedFilmError(
                f"box '{_name(kind)}' at byte {start} needs {size} bytes, the file ends after "
                f"{file_size - start}: it is truncated or damaged"
            )
        if start + size < body:
            raise DamagedFilmError(f"box at byte {start} claims {size} bytes: the file is damaged")
        yield BoxHeader(kind, start, body, start + size)
        start += size
    raise DamagedFilmError("more boxes than any film has: the file is damaged")


def _parse(data: bytes, parent: bytes, tail_allowed: bool) -> tuple[list[Box], bytes]:
    children: list[Box] = []
    at = 0
    while at < len(data):
        left = len(data) - at
        if left < 8 or data[at : at + 4] == b"\0\0\0\0":
            # A zero size ends a list in QuickTime; deep inside a file it means nothing else.
            if tail_allowed and left < 8:
                return children, data[at:]
            raise DamagedFilmError(f"box '{_name(parent)}' holds {left} bytes that are no box: damaged")
        size, kind = struct.unpack(">I4s", data[at : at + 8])
        body = 8
        if size == 1 and left >= 16:
            size, body = int.from_bytes(data[at + 8 : at + 16], "big"), 16
        if not body <= size <= left:
            raise DamagedFilmError(
                f"box '{_name(kind)}' in '{_name(parent)}' claims {size} of {left} bytes: damaged"
            )
        children.append(Box(kind, data[at + body : at + size], long_size=body == 16))
        if len(children) > _MAX_CHILDREN:
            raise DamagedFilmError(f"box '{_name(parent)}' holds more boxes than any film has: damaged")
        at += size
    return children, b""


def _name(kind: bytes) -> str:
    return kind.decode("latin-1").encode("unicode_escape").decode("ascii")
