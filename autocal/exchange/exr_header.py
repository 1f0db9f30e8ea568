"""The header of an OpenEXR file, read with suspicion, before a library allocates what it promises.

Source: "OpenEXR File Layout" (openexr.com): magic number, version and flags, then attributes
(name, type, size, value) up to an empty name; little-endian.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from autocal.errors import CalibrationFileError

_MAGIC: Final = b"\x76\x2f\x31\x01"
_LARGEST_HEADER_BYTES: Final = 2**20
_MOST_PIXELS: Final = 2**26  # 16384 x 4096
_LONGEST_SIDE: Final = 32768
_MOST_CHANNELS: Final = 64
_DEEP, _MULTIPART = 0x800, 0x1000
_PIXEL_TYPES: Final = ("uint", "half", "float")
_COMPRESSIONS: Final = (
    "none", "rle", "zips", "zip", "piz", "pxr24", "b44", "b44a", "dwaa", "dwab", "htj2k256", "htj2k32",
)  # fmt: skip
Window = tuple[int, int, int, int]


@dataclass(frozen=True)
class ExrHeader:
    """What counts of a header. Windows: (x_min, y_min, x_max, y_max), inclusive, y down."""

    channels: dict[str, str]
    data_window: Window
    display_window: Window
    compression: str

    @property
    def size(self) -> tuple[int, int]:
        """(width, height) of the display window: of the picture."""
        x0, y0, x1, y1 = self.display_window
        return x1 - x0 + 1, y1 - y0 + 1


def read_exr_header(path: str | Path) -> ExrHeader:
    """Read and check a header. Raises CalibrationFileError on anything missing, absurd or unusable."""
    path = Path(path)
    try:
        with path.open("rb") as file:
            data = file.read(_LARGEST_HEADER_BYTES)
    except OSError as problem:
        raise CalibrationFileError(
            f"{path} cannot be read: {problem.strerror or problem}; check the name"
        ) from problem
    try:
        return _header(data)
    except CalibrationFileError as problem:
        raise CalibrationFileError(f"{path} is no usable ST map: {problem}") from problem
    except (struct.error, IndexError, ValueError, UnicodeDecodeError) as problem:
        raise CalibrationFileError(
            f"{path} is no usable ST map: its OpenEXR header is damaged; write the map again"
        ) from problem


def _header(data: bytes) -> ExrHeader:
    if data[:4] != _MAGIC:
        raise CalibrationFileError("it is no OpenEXR file; give a .exr")
    (version,) = struct.unpack_from("<I", data, 4)
    if version & 0xFF != 2:
        raise CalibrationFileError(f"OpenEXR version {version & 0xFF} is not known")
    if version & (_DEEP | _MULTIPART):
        raise CalibrationFileError("deep and multi-part OpenEXR files are no ST maps: write a flat one")
    attributes = _attributes(data)
    for name in ("channels", "compression", "dataWindow", "displayWindow"):
        if name not in attributes:
            raise CalibrationFileError(f"its header lacks {name}")
    header = ExrHeader(
        _channels(attributes["channels"]),
        _window("dataWindow", attributes["dataWindow"]),
        _window("displayWindow", attributes["displayWindow"]),
        _COMPRESSIONS[attributes["compression"][0]],
    )
    return header


def _attributes(data: bytes) -> dict[str, bytes]:
    attributes: dict[str, bytes] = {}
    at = 8
    while data[at] != 0:
        name_end = data.index(b"\0", at)
        type_end = data.index(b"\0", name_end + 1)
        (size,) = struct.unpack_from("<i", data, type_end + 1)
        start = type_end + 5
        if max(name_end - at, type_end - name_end) > 256 or not 0 <= size <= len(data) - start:
            raise CalibrationFileError(f"an attribute of {size} bytes does not fit in its header")
        attributes[data[at:name_end].decode()] = data[start : start + size]
        at = start + size
    return attributes


def _channels(data: bytes) -> dict[str, str]:
    channels: dict[str, str] = {}
    at = 0
    while data[at] != 0:
        name_end = data.index(b"\0", at)
        kind, x_sampling, y_sampling = struct.unpack_from("<i4xii", data, name_end + 1)
        if x_sampling != 1 or y_sampling != 1:
            raise CalibrationFileError("its channels are subsampled")
        channels[data[at:name_end].decode()] = _PIXEL_TYPES[kind] if 0 <= kind < 3 else "unknown"
        at = name_end + 17
    if len(channels) > _MOST_CHANNELS:
        raise CalibrationFileError(f"it has {len(channels)} channels")
    return channels


def _window(name: str, data: bytes) -> Window:
    x0, y0, x1, y1 = struct.unpack("<4i", data)
    width, height = x1 - x0 + 1, y1 - y0 + 1
    if not (1 <= width <= _LONGEST_SIDE and 1 <= height <= _LONGEST_SIDE and width * height <= _MOST_PIXELS):
        raise CalibrationFileError(f"its {name} claims {width} x {height} px, more than any map has")
    if max(abs(x0), abs(y0)) > 2 * _LONGEST_SIDE:
        raise CalibrationFileError(f"its {name} begins at ({x0}, {y0})")
    return x0, y0, x1, y1
