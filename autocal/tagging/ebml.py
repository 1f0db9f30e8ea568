"""Elements of an EBML file, read as a tree and written back.

Layout: RFC 8794 (EBML), sections 4 to 6 and 11.3 (CRC-32 and Void elements).
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from typing import BinaryIO

from autocal.errors import DamagedFilmError, FootageError

VOID = 0xEC
CRC_32 = 0xBF
_UNKNOWN = -1


@dataclass(frozen=True)
class ElementHeader:
    """Where an element lies in the file: [start, body) is its header, [body, end) its content."""

    ident: int
    start: int
    body: int
    end: int


@dataclass(eq=False)
class Element:
    """An element in memory: `payload`, or `children` where it was expanded."""

    ident: int
    payload: bytes = b""
    children: list[Element] | None = None

    def body(self) -> bytes:
        """The content; a leading checksum is brought up to date."""
        if self.children is None:
            return self.payload
        with_checksum = bool(self.children) and self.children[0].ident == CRC_32
        content = b"".join(child.serialise() for child in self.children[with_checksum:])
        if not with_checksum:
            return content
        return Element(CRC_32, zlib.crc32(content).to_bytes(4, "little")).serialise() + content

    def serialise(self) -> bytes:
        """Header and content."""
        body = self.body()
        return _ident_bytes(self.ident) + _size_bytes(len(body)) + body

    def expand(self) -> list[Element]:
        """Parse the payload into children, and return them. Raises FootageError where one does not fit."""
        if self.children is None:
            self.children = _parse(self.payload)
            self.payload = b""
        return self.children

    def find(self, ident: int) -> list[Element]:
        """Children with this identifier; the element must have been expanded."""
        return [child for child in self.children or () if child.ident == ident]

    def put(self, ident: int, payload: bytes) -> None:
        """Set the one child with this identifier, in its place or at the end."""
        children = self.expand()
        places = [i for i, child in enumerate(children) if child.ident == ident]
        fresh = Element(ident, payload)
        if places:
            children[places[0]] = fresh
            self.children = [c for i, c in enumerate(children) if i not in places[1:]]
        else:
            children.append(fresh)


def void(length: int) -> bytes:
    """A Void element of exactly `length` bytes: 0, or 2 and more."""
    if length == 0:
        return b""
    size_length = 1 if length < 128 else 8
    content = length - 1 - size_length
    return bytes([VOID]) + (content | 1 << 7 * size_length).to_bytes(size_length, "big") + bytes(content)


def unsigned(payload: bytes) -> int:
    """The value of an unsigned integer element."""
    return int.from_bytes(payload, "big")


def read_header(stream: BinaryIO, at: int, limit: int) -> ElementHeader:
    """The header of the element at byte `at`. Raises FootageError where it does not end by `limit`."""
    stream.seek(at)
    head = stream.read(12)
    ident, size, length = _header_fields(head)
    if size == _UNKNOWN:
        raise FootageError(
            "the file was written as a stream (unknown sizes): copy it into a plain file first"
        )
    if at + length + size > limit:
        raise DamagedFilmError(
            f"element {ident:X} at byte {at} needs {size} bytes, only {max(limit - at - length, 0)} "
            "are there: the file is truncated or damaged"
        )
    return ElementHeader(ident, at, at + length, at + length + size)


def _parse(data: bytes) -> list[Element]:
    elements = []
    at = 0
    while at < len(data):
        ident, size, length = _header_fields(data[at : at + 12])
        end = at + length + size
        if size == _UNKNOWN or end > len(data):
            raise DamagedFilmError(f"element {ident:X} does not fit into what holds it: the file is damaged")
        elements.append(Element(ident, data[at + length : end]))
        at = end
    return elements


def _header_fields(head: bytes) -> tuple[int, int, int]:
    """Identifier, size of the content (or _UNKNOWN), length of the header."""
    ident_length = _vint_length(head, 0, 4)
    size_length = _vint_length(head, ident_length, 8)
    length = ident_length + size_length
    size = int.from_bytes(head[ident_length:length], "big") & ((1 << 7 * size_length) - 1)
    if size == (1 << 7 * size_length) - 1:
        size = _UNKNOWN
    return int.from_bytes(head[:ident_length], "big"), size, length


def _vint_length(head: bytes, at: int, longest: int) -> int:
    length = 9 - head[at].bit_length() if at < len(head) else longest + 1
    if length > longest or at + length > len(head):
        raise DamagedFilmError("an element's header is damaged or cut short")
    return length


def _ident_bytes(ident: int) -> bytes:
    return ident.to_bytes((ident.bit_length() + 7) // 8, "big")


def _size_bytes(size: int) -> bytes:
    length = next(n for n in range(1, 9) if size < (1 << 7 * n) - 1)
    return (size | 1 << 7 * length).to_bytes(length, "big")
