"""Pictures in, pictures out: sequences in their own depth, half and float included.

A picture appears under its name only when whole, so an interrupted sequence goes on where it stopped.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocal.calibration import Calibration
from autocal.cores import cores
from autocal.errors import FootageError, OutputError
from autocal.footage.orientation import orientation_of_exif
from autocal.image_library import reason
from autocal.matches import LEFT, RIGHT
from autocal.render.filters import named_filter
from autocal.render.numbered import NumberedOrder, write_picture
from autocal.render.overlap import ahead
from autocal.render.plan import Plan, make_plan
from autocal.render.remap import remap_plane
from autocal.render.renderer import Look
from autocal.render.sequence import Sequence
from autocal.render.view import eye_view, view_rig
from autocal.render.work import file_digest
from autocal.whole_file import whole_file

Picture = NDArray[Any]
Progress = Callable[[str, int, int], None]
_FLOAT_SUFFIXES = (".exr", ".tif", ".tiff")


@dataclass(frozen=True)
class StillsReport:
    """How many pictures there are, and how many of them were there from an interrupted run."""

    pictures: int
    resumed: int


def render_stills(
    calibration: Path,
    source: Sequence,
    target: Sequence,
    look: Look,
    *,
    overwrite: bool = False,
    progress: Progress | None = None,
) -> StillsReport:
    """Render each picture of a sequence to the picture of the same number in another.

    Colour values are taken as they are; the pictures' own notes (time code, colour space) are carried over.
    Raises FootageError or OutputError with what to do.
    """
    numbers = source.numbers()
    if target == source:
        raise OutputError(f"{target.path(numbers[0])}: the pictures would replace their own source")
    facts = {"calibration": file_digest(calibration), "source": source.ffmpeg_pattern, "look": asdict(look)}
    order = NumberedOrder(target, facts)
    done = order.begin(numbers, overwrite)
    missing = [n for n in numbers if n not in done]
    with order.going_on(numbers), ThreadPoolExecutor(cores(), thread_name_prefix="remap") as pool:
        renderer: _StillRenderer | None = None
        pictures = ahead(((n, _read(source.path(n))) for n in missing), 1)
        for count, (number, (spec, picture)) in enumerate(pictures, start=len(done) + 1):
            if renderer is None:
                size = (picture.shape[1], picture.shape[0])
                renderer = _StillRenderer(Calibration.load(calibration), look, size, pool)
            _check_kind(picture, target.path(number))
            result = renderer.render(picture, source.path(number))
            with whole_file(target.path(number), overwrite=overwrite) as beside:
                write_picture(beside, result, spec)
            if progress:
                progress("render", count, len(numbers))
    order.end()
    return StillsReport(len(numbers), len(done))


class _StillRenderer:
    """Remaps the channels of pictures of one size; all channels share a plan for each eye."""

    def __init__(
        self, calibration: Calibration, look: Look, size: tuple[int, int], pool: ThreadPoolExecutor
    ) -> None:
        width, height = size
        if width % 2:
            raise FootageError(f"a picture {width} px wide has no two equal halves")
        self._look, self._pool, self._size = look, pool, size
        rig = view_rig(calibration, (width // 2, height), look.level_deg)
        self._plans: list[tuple[int, Plan]] = []
        for eye in (LEFT, RIGHT):
            view_size = (look.size[0] // 2, look.size[1])
            view = eye_view(rig, eye, view_size, swapped=calibration.swapped, feather_deg=look.feather_deg)
            half_size = (width // 2, height)
            plan = make_plan(view.x, view.y, half_size, named_filter(look.filter), view.share)
            self._plans.append((view.source_half, plan))

    def render(self, picture: Picture, path: Path) -> Picture:
        """The film's picture (height, width, channels), of the same kind as `picture`."""
        if (picture.shape[1], picture.shape[0]) != self._size:
            raise FootageError(f"{path}: {picture.shape[1]}x{picture.shape[0]} px, unlike those before")
        whole = picture.dtype.kind == "u"
        working = picture if whole else picture.astype(np.float32)
        bits = 8 * working.itemsize
        scale = float((1 << bits) - 1) if whole else 1.0
        width, height = self._look.size
        result = np.empty((height, width, picture.shape[2]), working.dtype)
        channel = np.empty((height, width), working.dtype)
        for number in range(picture.shape[2]):
            plane = np.ascontiguousarray(working[..., number])
            shade = self._look.fill[number] if number < 3 and picture.shape[2] >= 3 else 0.0
            fill = float(round(shade * scale)) if whole else shade
            for eye, (half, plan) in enumerate(self._plans):
                part = plane[:, half * plan.source_size[0] : (half + 1) * plan.source_size[0]]
                place = channel[:, eye * plan.size[0] : (eye + 1) * plan.size[0]]
                remap_plane(part, plan, place, bits=bits, fill=fill, pool=self._pool)
            result[..., number] = channel
        return result.astype(picture.dtype, copy=False)


def _check_kind(picture: Picture, target: Path) -> None:
    if picture.dtype.kind == "f" and target.suffix.lower() not in _FLOAT_SUFFIXES:
        raise OutputError(
            f"{target}: {target.suffix} holds no floating-point pictures, and how to fit them in is a "
            "decision about colour: take .exr or .tif"
        )


def _read(path: Path) -> tuple[Any, Picture]:
    """The picture's description and samples (height, width, channels), as displayed, in their own type."""
    import OpenImageIO as oiio

    file = oiio.ImageInput.open(str(path))
    if file is None:
        raise FootageError(f"{path}: cannot be read ({reason()})")
    spec = file.spec()
    samples = file.read_image(0, 0, 0, spec.nchannels, spec.format)
    problem = reason(file)
    file.close()
    if samples is None:
        raise FootageError(f"{path}: is damaged ({problem})")
    picture = np.asarray(samples).reshape(spec.height, spec.width, spec.nchannels)
    if picture.dtype not in (np.uint8, np.uint16, np.float16, np.float32):
        raise FootageError(
            f"{path}: samples of type {picture.dtype} cannot be rendered: take 8 or 16 bit or float"
        )
    turned = orientation_of_exif(spec.get_int_attribute("Orientation", 1)).apply(picture)
    return spec, np.ascontiguousarray(turned)
