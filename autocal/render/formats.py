"""Picture formats as planes: how many, how large, how deep, and what fill means in them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

from autocal.errors import FootageError, OutputError


@dataclass(frozen=True)
class PlanarFormat:
    """A planar format that is remapped plane by plane.

    name: as FFmpeg calls it. bits: used bits of a sample. is_rgb: planes are green, blue, red,
    else luma and two chroma planes (or luma alone). subsampling: (x, y) of the chroma planes.
    """

    name: str
    bits: int
    is_rgb: bool
    planes: int
    subsampling: tuple[int, int]

    @property
    def dtype(self) -> type[np.unsignedinteger[Any]]:
        """Of a sample."""
        return np.uint8 if self.bits <= 8 else np.uint16

    def plane_subsampling(self, plane: int) -> tuple[int, int]:
        """(x, y) of one plane."""
        return self.subsampling if plane and not self.is_rgb else (1, 1)


def planar_format(name: str) -> PlanarFormat:
    """The planar format in which pictures of an FFmpeg format are remapped, without loss of depth.

    Interleaved chroma, packed samples and full-range names have a planar twin; alpha is left out.
    Raises FootageError for formats without one (palettes, Bayer patterns).
    """
    format_ = av.VideoFormat(name)
    if format_.has_palette or format_.is_bayer or format_.is_bit_stream or not format_.components:
        raise FootageError(f"pictures of format {name} cannot be rendered: convert the clip first")
    if name.endswith(("f32le", "f16le", "f32be", "f16be")):
        raise FootageError(f"video of floating-point format {name} cannot be rendered: use EXR pictures")
    bits = max(component.bits for component in format_.components)
    if format_.is_rgb:
        return _rgb(bits)
    if len(format_.components) < 3:
        return PlanarFormat("gray" + _depth(bits), bits, False, 1, (1, 1))
    # A width and height that every subsampling divides show the subsampling.
    probe = av.VideoFormat(name, 64, 64)
    x, y = 64 // probe.chroma_width(64), 64 // probe.chroma_height(64)
    return yuv_format(bits, (x, y))


def yuv_format(bits: int, subsampling: tuple[int, int]) -> PlanarFormat:
    """The planar YUV format of a depth and subsampling."""
    names = {(2, 2): "420", (2, 1): "422", (1, 1): "444"}
    if subsampling not in names:
        raise FootageError(f"chroma subsampled by {subsampling} cannot be rendered: convert the clip first")
    return PlanarFormat(f"yuv{names[subsampling]}p{_depth(bits)}", bits, False, 3, subsampling)


def _rgb(bits: int) -> PlanarFormat:
    deep = 8 if bits <= 8 else bits
    return PlanarFormat(f"gbrp{_depth(deep)}", deep, True, 3, (1, 1))


def _depth(bits: int) -> str:
    return "" if bits <= 8 else f"{bits}le"


def encoder_format(source: PlanarFormat, codec: str) -> str:
    """The encoder's format that keeps most of the source: its depth first, then its chroma.

    codec: FFmpeg's encoder name. Raises OutputError where it is missing from this FFmpeg.
    """
    try:
        offered = [format_.name for format_ in av.Codec(codec, "w").video_formats or ()]
    except ValueError as error:  # av raises UnknownCodecError, a ValueError
        raise OutputError(f"the encoder {codec} is not available in this FFmpeg") from error

    def loss(name: str) -> tuple[bool, int, bool, int]:
        candidate = planar_format(name)
        chroma = [s / c for s, c in zip(source.subsampling, candidate.subsampling, strict=True)]
        missing = candidate.bits < source.bits
        coarser = min(chroma) < 1
        return missing, abs(candidate.bits - source.bits), coarser, int(sum(chroma))

    usable = [n for n in offered if _is_plain_planar(n) and (source.planes == 1 or "gray" not in n)]
    if source.name in usable:
        return source.name
    if source.is_rgb:
        source = yuv_format(source.bits, (1, 1))
    return min((n for n in usable if not n.startswith("gbr")), key=loss)


def _is_plain_planar(name: str) -> bool:
    try:
        return planar_format(name).name == name
    except FootageError:
        return False


def fill_values(
    format_: PlanarFormat, rgb: tuple[float, float, float], full_range: bool
) -> tuple[float, ...]:
    """A colour (0 to 1, as shown) in each plane's code values.

    Luma and chroma by Rec. ITU-R BT.709-6, items 3.2 to 3.4 and 4.6 (other matrices differ little, and
    not at all for greys).
    """
    scale = 1 << (format_.bits - 8)
    top = (1 << format_.bits) - 1
    red, green, blue = rgb
    if format_.is_rgb:
        return tuple(float(round(top * part)) for part in (green, blue, red))
    luma = 0.2126 * red + 0.7152 * green + 0.0722 * blue
    differences = ((blue - luma) / 1.8556, (red - luma) / 1.5748)
    middle = 128 * scale
    if full_range:
        codes = (top * luma, *(middle + top * d for d in differences))
    else:
        codes = (scale * (16 + 219 * luma), *(middle + scale * 224 * d for d in differences))
    return tuple(float(min(max(round(code), 0), top)) for code in codes[: format_.planes])


def plane_array(frame: av.VideoFrame, plane: int, format_: PlanarFormat) -> NDArray[Any]:
    """One plane of a frame as an array (height, width) that shares the frame's memory."""
    piece = frame.planes[plane]
    buffer: Any = piece
    samples = np.frombuffer(buffer, dtype=format_.dtype)
    pitch = abs(piece.line_size) // samples.itemsize
    return samples[: pitch * piece.height].reshape(piece.height, pitch)[:, : piece.width]
