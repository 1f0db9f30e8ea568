"""Any side-by-side ST map as samples: which direction of the view comes from where in the source.

Read strip by strip in constant memory, every pixel checked, few kept. The view is taken to be
half-equirectangular, left eye in the left half (`autocal.mapping.stmap` has the conventions); what
u and v mean is found out where the header does not say.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from autocal.errors import CalibrationFileError
from autocal.exchange.exr_header import ExrHeader, read_exr_header
from autocal.geometry.halfequirect import direction_of_longitude_latitude, view_angles
from autocal.geometry.lens import Array
from autocal.image_library import read_rows, reason

Size = tuple[int, int]

_SAMPLES_A_SIDE: Final = 100  # per eye: 10,000 places are plenty for a lens of 14 numbers
_STRIP: Final = 256
_CHANNEL_PAIRS: Final = (("R", "G"), ("u", "v"), ("U", "V"), ("s", "t"), ("S", "T"), ("r", "g"), ("X", "Y"))
_LOSSY: Final = ("pxr24", "b44", "b44a", "dwaa", "dwab")
_SMALLEST_SPREAD: Final = 0.02  # of the source: less is no view of anything
_LEAST_SEEN: Final = 200  # samples an eye


class UnknownSourceSize(CalibrationFileError):
    """The map does not say how large its source is, and nobody else did."""


@dataclass(frozen=True, eq=False)
class EyeSamples:
    """Samples of one eye's view.

    directions: (n, 3) unit, in the view frame (x right, y down, z forward); pixels: (n, 2) px in that
    eye's half of the source; weights: (n,), the solid angle each stands for, relative.
    outside: (m, 3) directions that the map says are outside the lens.
    """

    directions: Array
    pixels: Array
    weights: Array
    outside: Array


@dataclass(frozen=True, eq=False)
class StMapSamples:
    """What an ST map says, in `eyes` (left, right).

    view_size: (width, height) px of one eye's view. half_size: of one eye's half of the source.
    swapped: the left eye's view comes from the right half. convergence_deg: as the header states.
    notes: what was found or taken for granted; warnings: what makes the map less good than it could be.
    """

    eyes: tuple[EyeSamples, EyeSamples]
    view_size: Size
    half_size: Size
    v_origin: str
    swapped: bool
    convergence_deg: float | None
    notes: tuple[str, ...]
    warnings: tuple[str, ...]


def read_st_map_samples(path: str | Path, *, source_size: Size | None = None) -> StMapSamples:
    """Read an ST map.

    source_size: (width, height) px of the whole side-by-side source, where the header does not say.

    Raises CalibrationFileError when the file is missing, damaged, too large, mono, not side by side,
    constant, holds NaN inside the lens, or when the source's size is neither stated nor given.
    """
    path = Path(path)
    header = read_exr_header(path)
    try:
        return _samples(path, header, source_size)
    except CalibrationFileError as problem:
        if str(problem).startswith(str(path)):
            raise
        raise type(problem)(f"{path} is no usable ST map: {problem}") from problem


def _samples(path: Path, header: ExrHeader, given: Size | None) -> StMapSamples:
    import OpenImageIO as oiio

    names = _channel_names(header)
    width, height = header.size
    if width % 2 or not 1.0 <= width / height <= 4.0 or min(width // 2, height) < 16:
        raise CalibrationFileError(
            f"{width}x{height} px are not two views side by side: expected about twice as wide as high"
        )
    source = oiio.ImageInput.open(str(path))
    if source is None:
        raise CalibrationFileError(f"it is damaged ({reason()}); write the map again")
    try:
        stated = {a.name.lower(): a.value for a in source.spec().extra_attribs}
        if stated.get("autocal:eye", "both") != "both":
            raise CalibrationFileError(
                "it maps one eye only: a calibration needs both, write it with --eye both"
            )
        size = _source_size(stated, given)
        kept = _read(source, header, names)
    finally:
        source.close()
    return _interpret(kept, header, names, size, stated)


def _channel_names(header: ExrHeader) -> tuple[str, str, str | None]:
    for u, v in _CHANNEL_PAIRS:
        if u in header.channels and v in header.channels:
            if "uint" in (header.channels[u], header.channels[v]):
                raise CalibrationFileError("its u and v are integers: expected half or full float")
            return u, v, "A" if "A" in header.channels else None
    raise CalibrationFileError(
        f"it lacks u and v: expected channels R and G, found {', '.join(sorted(header.channels)) or 'none'}"
    )


def _source_size(stated: dict[str, Any], given: Size | None) -> Size:
    size = (stated.get("autocal:sourcewidth"), stated.get("autocal:sourceheight"))
    if isinstance(size[0], int) and isinstance(size[1], int):
        if given and given != size:
            raise CalibrationFileError(
                f"its header says that the source has {size[0]}x{size[1]} px, not {given[0]}x{given[1]}"
            )
        given = (size[0], size[1])
    if given is None:
        raise UnknownSourceSize(
            "its header does not say how large the source is: give the size of the whole side-by-side frame, "
            "as in autocal convert --frame-size 8192x4096"
        )
    if given[0] % 2 or not (32 <= given[0] <= 65536 and 32 <= given[1] <= 65536):
        raise CalibrationFileError(f"a source of {given[0]}x{given[1]} px cannot be two halves side by side")
    return given


@dataclass(frozen=True, eq=False)
class _Kept:
    """Sampled rows and columns of the whole map: values (rows, columns, 3) of u, v, A."""

    rows: NDArray[np.int64]
    columns: NDArray[np.int64]
    values: NDArray[np.float32]


def _read(source: Any, header: ExrHeader, names: tuple[str, str, str | None]) -> _Kept:
    width, height = header.size
    rows = _spread(height, _SAMPLES_A_SIDE)
    half = _spread(width // 2, _SAMPLES_A_SIDE)
    columns = np.concatenate([half, half + width // 2])
    values = np.zeros((len(rows), len(columns), 3), dtype=np.float32)
    x0, y0 = (
        header.data_window[0] - header.display_window[0],
        header.data_window[1] - header.display_window[1],
    )
    for first, strip in _strips(source, names):
        covered = strip[..., 2] > 0.5
        if not np.all(np.isfinite(strip[..., :2][covered])):
            row, column = np.argwhere(covered & ~np.isfinite(strip[..., :2]).all(axis=-1))[0]
            raise CalibrationFileError(
                f"it holds NaN or infinity inside the picture, first at column {column + x0}, "
                f"row {row + first + y0}; write the map again, with 0 outside the lens"
            )
        mine = np.flatnonzero((rows - y0 >= first) & (rows - y0 < first + len(strip)))
        inside = np.flatnonzero((columns - x0 >= 0) & (columns - x0 < strip.shape[1]))
        values[np.ix_(mine, inside)] = np.nan_to_num(
            strip[np.ix_(rows[mine] - y0 - first, columns[inside] - x0)]
        )
    return _Kept(rows, columns, values)


def _spread(length: int, count: int) -> NDArray[np.int64]:
    return np.unique(((np.arange(count) + 0.5) / count * length).astype(np.int64))


def _strips(source: Any, names: tuple[str, str, str | None]) -> Iterator[tuple[int, NDArray[np.float32]]]:
    """(first row within the data window, (rows, width, 3) of u, v, A) from top to bottom."""
    spec = source.spec()
    order = list(spec.channelnames)
    places = [order.index(name) if name in order else -1 for name in names if name is not None]
    if min(places) < 0:
        raise CalibrationFileError("its channels cannot be read")
    low, high = min(places), max(places) + 1
    strip_height = spec.tile_height or _STRIP
    for first in range(0, spec.height, strip_height):
        last = min(first + strip_height, spec.height)
        block = read_rows(source, first, last, (low, high))
        if block is None:
            raise CalibrationFileError(f"it is damaged or cut short ({reason(source)}); write the map again")
        out = np.ones((last - first, spec.width, 3), dtype=np.float32)
        for channel, place in enumerate(places):
            out[..., channel] = block[..., place - low]
        yield first, out


def _interpret(
    kept: _Kept,
    header: ExrHeader,
    names: tuple[str, str, str | None],
    source_size: Size,
    stated: dict[str, Any],
) -> StMapSamples:
    width, height = header.size
    u, v, alpha = np.moveaxis(kept.values.astype(np.float64), -1, 0)
    seen = (alpha > 0.5) & (u > 0) & (u < 1) & (v > 0) & (v < 1)
    per_eye = len(kept.columns) // 2
    sides = (slice(0, per_eye), slice(per_eye, None))
    for name, side in zip(("left", "right"), sides, strict=True):
        if int(seen[:, side].sum()) < _LEAST_SEEN:
            raise CalibrationFileError(f"its {name} half holds next to no positions inside the source")
        spread = min(np.ptp(u[:, side][seen[:, side]]), np.ptp(v[:, side][seen[:, side]]))
        if spread < _SMALLEST_SPREAD:
            raise CalibrationFileError(
                f"its {name} half is constant: it maps everything to one place or line"
            )
    notes: list[str] = []
    v_origin = _v_origin(u, v, seen, sides, stated, notes)
    y = (1.0 - v if v_origin == "bottom" else v) * source_size[1] - 0.5
    x = u * source_size[0] - 0.5
    half_size = (source_size[0] // 2, source_size[1])
    swapped = bool(np.median(u[:, sides[0]][seen[:, sides[0]]]) > 0.5)
    in_right = np.array([swapped, not swapped])
    if any((np.median(u[:, s][seen[:, s]]) > 0.5) != r for s, r in zip(sides, in_right, strict=True)):
        raise CalibrationFileError("both of its halves come from the same half of the source: no stereo")
    longitude, latitude = view_angles(width // 2, height)
    eyes = []
    for side, right in zip(sides, in_right, strict=True):
        columns = kept.columns[side] % (width // 2)
        directions = direction_of_longitude_latitude(longitude[columns][None], latitude[kept.rows][:, None])
        weights = np.broadcast_to(np.cos(latitude[kept.rows])[:, None], directions.shape[:2])
        mine = seen[:, side] & ((u[:, side] > 0.5) == right)
        pixels = np.stack([x[:, side] - right * half_size[0], y[:, side]], axis=-1)
        eyes.append(EyeSamples(directions[mine], pixels[mine], weights[mine], directions[~seen[:, side]]))
    convergence = stated.get("autocal:convergencedeg")
    return StMapSamples(
        (eyes[0], eyes[1]),
        (width // 2, height),
        half_size,
        v_origin,
        swapped,
        float(convergence) if isinstance(convergence, int | float) else None,
        tuple(notes),
        _precision_warnings(header, names, source_size),
    )


def _v_origin(
    u: Array,
    v: Array,
    seen: NDArray[np.bool_],
    sides: tuple[slice, slice],
    stated: dict[str, Any],
    notes: list[str],
) -> str:
    """A camera may be turned, but never mirrored: the sense of the map tells where v begins."""
    turns = []
    for side in sides:
        good = seen[:-1, side][:, :-1] & seen[1:, side][:, :-1] & seen[:-1, side][:, 1:]
        a, b = u[:, side], v[:, side]
        du_x, dv_x = np.diff(a, axis=1)[:-1], np.diff(b, axis=1)[:-1]
        du_y, dv_y = np.diff(a, axis=0)[:, :-1], np.diff(b, axis=0)[:, :-1]
        turns.append(np.sign(np.sum(np.sign(du_x * dv_y - du_y * dv_x)[good])))
    if turns[0] != turns[1] or turns[0] == 0:
        raise CalibrationFileError("it mirrors one of the eyes, which no camera does")
    found = "top" if turns[0] > 0 else "bottom"
    said = stated.get("autocal:vorigin")
    if said in ("top", "bottom") and said != found:
        raise CalibrationFileError(
            f"its header says that v counts from the {said}, but its pixels count from the {found}"
        )
    notes.append(f"v counts from the {found} of the source" + ("" if said else " (found from the pixels)"))
    return found


def _precision_warnings(
    header: ExrHeader, names: tuple[str, str, str | None], source_size: Size
) -> tuple[str, ...]:
    warnings = []
    if "half" in (header.channels[names[0]], header.channels[names[1]]):
        step = source_size[0] * 2.0**-11  # half has 11 significant bits: steps of 2^-11 from 0.5 to 1
        warnings.append(
            f"the map is in half precision: positions step by {step:g} px in the right half of the source; "
            "ask for a 32-bit float one"
        )
    if header.compression in _LOSSY:
        warnings.append(f"the map is compressed with {header.compression.upper()}, which loses precision")
    return tuple(warnings)
