"""The ST map as an OpenEXR file: 32-bit float, lossless, and saying in its header what it means.

Channels: R = u, G = v, B = 0, A = 1 inside the lens and 0 outside. B carries nothing: some
compositing nodes only take RGBA, and zeros take next to no room. Half floats step by 4 px at
8192 px, so they are never written; nor are PXR24, B44 and DWA, which lose precision. PIZ is
lossless, read by every compositing program, and makes these maps a quarter smaller than ZIP does.
What is packed are tiles as wide as the map: every piece of a file gets a code of its own, and for the
32 rows that make a piece of a file without tiles, that alone is a third of the work.
"""

from __future__ import annotations

import hashlib
import json
import mmap
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import asdict
from math import prod
from pathlib import Path
from typing import Any, Final

import numpy as np

from autocal.calibration import Calibration
from autocal.cores import cores
from autocal.errors import CalibrationFileError, OutputError
from autocal.image_library import read_rows, reason
from autocal.mapping.stmap import Float32, Mask, Source, StMap
from autocal.version import program_version
from autocal.whole_file import whole_file

#: Rows of a tile. With more of them writing takes less time still, but reading more: they leave the cache.
_TILE_ROWS = 64
_U: Final = "(x + 0.5) / sourceWidth, x in px from the left, 0 at the centre of the first pixel"
_V: Final = {
    "bottom": "1 - (y + 0.5) / sourceHeight, y in px from the top, 0 at the centre of the first row",
    "top": "(y + 0.5) / sourceHeight, y in px from the top, 0 at the centre of the first row",
}
_PROJECTION: Final = (
    "half-equirectangular: each eye's view spans longitude -90 to +90 degrees left to right and "
    "latitude +90 to -90 degrees top to bottom, edge to edge; poles vertical"
)
_SOURCE: Final[dict[Source, str]] = {
    "frame": "whole side-by-side frame",
    "eye": "the eye's own picture",
}
_LAYOUT: Final = {
    "both": "side by side, left half is the left eye",
    "left": "left eye only",
    "right": "right eye only",
}


def write_st_map(
    path: str | Path, st_map: StMap, calibration: Calibration, *, overwrite: bool = False
) -> None:
    """Write an ST map to an OpenEXR file, whole or not at all.

    Raises OutputError when the file exists and `overwrite` is not given, when its name does not
    end in .exr, and when it cannot be written.
    """
    import OpenEXR

    if Path(path).suffix.lower() != ".exr":
        raise OutputError(f"{path}: an ST map is an OpenEXR file: give it a name that ends in .exr")
    tiles = OpenEXR.TileDescription()
    tiles.xSize, tiles.ySize = st_map.size[0], min(_TILE_ROWS, st_map.size[1])
    header = {
        "compression": OpenEXR.PIZ_COMPRESSION,
        "type": OpenEXR.tiledimage,
        "tiles": tiles,
        **header_of(st_map, calibration),
    }
    OpenEXR.set_global_thread_count(cores())
    with whole_file(path, overwrite=overwrite) as beside:
        try:
            OpenEXR.File(header, _channels(st_map)).write(str(beside))
        except RuntimeError as problem:  # its words name the file, under the name it has until it is whole
            why = str(problem).rpartition('". ')[2].rstrip(".")
            raise OutputError(f"{path} could not be written: {why}; make room for it") from problem


def _channels(st_map: StMap) -> dict[str, Float32]:
    channels = {"R": st_map.u, "G": st_map.v, "B": _nothing(st_map.u.shape), "A": st_map.valid}
    # The library takes memory as it lies, whatever its strides.
    return {name: np.ascontiguousarray(values, dtype=np.float32) for name, values in channels.items()}


def _nothing(shape: tuple[int, ...]) -> Float32:
    """Zeros to be read only, which take no memory: of pages that nobody writes to the system keeps but one.

    Those of np.zeros may lie where something was before, and then are written. Of large pages fewer are to be
    asked for: a tenth of the time, where the system has them.
    """
    pages = mmap.mmap(-1, 4 * prod(shape), access=mmap.ACCESS_COPY)
    with suppress(AttributeError, OSError):
        pages.madvise(mmap.MADV_HUGEPAGE)
    return np.frombuffer(pages, dtype=np.float32).reshape(shape)


def header_of(st_map: StMap, calibration: Calibration) -> dict[str, str | int | float]:
    """What the file says about itself, by attribute name; nothing over 255 characters, at which FFmpeg 5 and
    earlier lose their way."""
    header: dict[str, str | int | float] = {
        "Software": f"autocal {program_version()}",
        "comments": (
            f"ST map of a stereo fisheye rig. R = u from the left, G = v from the {st_map.v_origin}, as "
            "shares of the source's width and height, at pixel centres. B = 0. A = 1 inside the lens, 0 "
            "outside (there u = v = 0)."
        ),
        "autocal:u": _U,
        "autocal:v": _V[st_map.v_origin],
        "autocal:vOrigin": st_map.v_origin,
        "autocal:alpha": "1 inside the lens, 0 outside (there u = v = 0)",
        "autocal:sourceWidth": st_map.source_size[0],
        "autocal:sourceHeight": st_map.source_size[1],
        "autocal:source": _SOURCE[st_map.source],
        "autocal:outputWidth": st_map.size[0],
        "autocal:outputHeight": st_map.size[1],
        "autocal:eye": st_map.eye,
        "autocal:layout": _LAYOUT[st_map.eye],
        "autocal:projection": _PROJECTION,
        "autocal:convergenceDeg": float(calibration.far.shift_deg),
        "autocal:calibrationDigest": geometry_digest(calibration),
    }
    if st_map.source == "frame":
        header["autocal:leftEyeInSource"] = "right half" if calibration.swapped else "left half"
    return header


def geometry_digest(calibration: Calibration) -> str:
    """SHA-256 (hex) over all that a map is made of: lenses, rotations, convergence, order of the eyes."""
    rig = calibration.view_rig
    geometry = {
        "left": asdict(rig.left),
        "right": asdict(rig.right),
        "R_left": rig.R_left.tolist(),
        "R_right": rig.R_right.tolist(),
        "swapped": calibration.swapped,
    }
    return hashlib.sha256(json.dumps(geometry, sort_keys=True).encode()).hexdigest()


def read_st_map(path: str | Path) -> StMap:
    """Read an ST map that `write_st_map` wrote.

    Raises CalibrationFileError on a missing or damaged file, and on a map of another program: it
    does not say what its numbers refer to.
    """
    source = _opened(path)
    spec = source.spec()
    header: dict[str, Any] = {attribute.name: attribute.value for attribute in spec.extra_attribs}
    source.close()
    if spec.nchannels != 4 or spec.format != "float":
        raise CalibrationFileError(
            f"{path} is no ST map written by autocal: it has {spec.nchannels} channels of {spec.format}, "
            "expected 4 of float"
        )
    try:
        source_size = (int(header["autocal:sourceWidth"]), int(header["autocal:sourceHeight"]))
        eye, v_origin = header["autocal:eye"], header["autocal:vOrigin"]
        source_kind = {text: name for name, text in _SOURCE.items()}[header["autocal:source"]]
    except KeyError as missing:
        raise CalibrationFileError(
            f"{path} is no ST map written by autocal: its header lacks {missing}"
        ) from missing
    u, v, valid = _read_pixels(path, spec.width, spec.height)
    return StMap(u, v, valid, source_size, eye, source_kind, v_origin)


def _opened(path: str | Path) -> Any:
    import OpenImageIO as oiio

    source = oiio.ImageInput.open(str(path)) if Path(path).is_file() else None
    if source is None:
        reason()  # taken, or the library prints it when the program ends
        raise CalibrationFileError(f"{path} is no readable OpenEXR file: give an ST map written by autocal")
    return source


def _read_pixels(path: str | Path, width: int, height: int) -> tuple[Float32, Float32, Mask]:
    shape = (height, width)
    u, v, valid = np.empty(shape, np.float32), np.empty(shape, np.float32), np.empty(shape, np.bool_)
    workers = cores()

    def every_nth_strip(first: int) -> None:
        source = _opened(path)
        strip_rows = source.spec().tile_height or _TILE_ROWS
        for start in range(first * strip_rows, height, workers * strip_rows):
            rows = slice(start, min(start + strip_rows, height))
            strip = read_rows(source, rows.start, rows.stop, (0, 2))
            if strip is None:
                raise CalibrationFileError(f"{path} is damaged: {reason(source)}; write the map again")
            u[rows], v[rows] = strip[..., 0], strip[..., 1]
            valid[rows] = (u[rows] != 0) | (v[rows] != 0)  # what A says too, without unpacking it
        source.close()

    with ThreadPoolExecutor(workers) as threads:
        for _ in threads.map(every_nth_strip, range(workers)):
            pass  # exceptions of the threads surface here
    return u, v, valid
