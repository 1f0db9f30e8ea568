"""A clip in, numbered pictures out: each under the number of its picture in the clip, in the clip's depth."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Final

import av
import numpy as np

from autocal.calibration import Calibration
from autocal.cores import cores
from autocal.errors import OutputError
from autocal.render.clip import Clip, Repairs, frames, open_clip
from autocal.render.device import Device, make_renderer
from autocal.render.film import RenderReport, clip_facts, part_of_clip
from autocal.render.formats import PlanarFormat, plane_array, yuv_format
from autocal.render.numbered import NumberedOrder, write_picture
from autocal.render.overlap import ahead
from autocal.render.renderer import Look
from autocal.render.rgb import rgb_picture
from autocal.render.sequence import Sequence as Numbered
from autocal.render.work import file_digest
from autocal.whole_file import whole_file

Progress = Callable[[str, int, int], None]
#: Half precision holds as many bits between one half and one.
_HALF_BITS: Final = 10


@dataclass(frozen=True)
class PicturesOrder:
    """What pictures of a clip depend on; as in `autocal.render.film.FilmOrder`."""

    calibration: Path
    clip: Path
    target: Numbered
    look: Look = field(default_factory=Look)
    start_s: float | None = None
    end_s: float | None = None
    device: Device = "auto"


@dataclass(frozen=True)
class PicturesReport(RenderReport):
    """What became of an order. numbers: of the pictures."""

    numbers: range


def render_pictures(
    order: PicturesOrder, *, overwrite: bool = False, progress: Progress | None = None
) -> PicturesReport:
    """Render each picture of a clip, or of a part of it, to a numbered picture in red, green and blue.

    EXR holds half precision up to 10 bits and single above; PNG, TIFF and DPX 16 bits for a clip of more
    than 8. The number is the picture's place in the clip, counted from 0. Interrupted, it goes on.
    Raises FootageError, CalibrationFileError or OutputError with what to do.
    """
    calibration = Calibration.load(order.calibration)
    clip = open_clip(order.clip)
    first, last = part_of_clip(clip, order.start_s, order.end_s)
    numbers = range(first, last)
    facts = {"calibration": file_digest(order.calibration), "look": asdict(order.look), **clip_facts(clip)}
    note = NumberedOrder(order.target, facts)
    done = note.begin(numbers, overwrite)
    missing = [number for number in numbers if number not in done]
    if missing:
        with note.going_on(numbers), ThreadPoolExecutor(cores(), thread_name_prefix="remap") as pool:
            _render_missing(order, calibration, clip, missing, note, pool, overwrite, progress)
    repeated = tuple((n, clip.seconds(clip.pts[n] - clip.pts[0])) for n in note.repeated if n in numbers)
    note.end()
    missing_end = clip.missing_end_s if last == len(clip.pts) and order.end_s is None else 0.0
    return PicturesReport(numbers, repeated=repeated, missing_end_s=missing_end, resumed=len(done))


def _render_missing(
    order: PicturesOrder,
    calibration: Calibration,
    clip: Clip,
    missing: Sequence[int],
    note: NumberedOrder,
    pool: ThreadPoolExecutor,
    overwrite: bool,
    progress: Progress | None,
) -> None:
    output = _unsubsampled(clip.format)
    dtype = _sample_type(output, order.target.path(missing[0]))
    renderer = make_renderer(order.device, calibration, order.look, clip, output, pool)
    repairs = Repairs()
    decoded = ahead(_wanted(clip, missing, repairs), 1)
    try:
        for count, (number, frame) in enumerate(decoded, start=1):
            rendered = renderer.render(frame)
            del frame  # pictures are large: hold none longer than needed
            planes = tuple(plane_array(rendered, plane, output) for plane in range(output.planes))
            picture = rgb_picture(planes, output, clip.colour, dtype, pool)
            note.note_repeated(n for n in repairs.repeated if n <= number)
            with whole_file(order.target.path(number), overwrite=overwrite) as beside:
                write_picture(beside, picture)
            if progress:
                progress("render", count, len(missing))
    except OSError as error:
        raise OutputError(
            f"{order.target.folder}: cannot be written ({error.strerror or error}). What is finished is "
            "kept: make room, then give the same command again"
        ) from error
    finally:
        decoded.close()


def _wanted(clip: Clip, missing: Sequence[int], repairs: Repairs) -> Iterator[tuple[int, av.VideoFrame]]:
    """The missing pictures with their numbers, all of the clip between them decoded in one go."""
    wanted = set(missing)
    for place, frame in frames(clip, missing[0], missing[-1] + 1, repairs):
        if place in wanted:
            yield place, frame


def _unsubsampled(source: PlanarFormat) -> PlanarFormat:
    """Chroma is brought to every pixel by the one remapping that there is."""
    return source if source.is_rgb or source.planes == 1 else yuv_format(source.bits, (1, 1))


def _sample_type(output: PlanarFormat, path: Path) -> type[np.generic]:
    if path.suffix.lower() == ".exr":
        return np.float16 if output.bits <= _HALF_BITS else np.float32
    return np.uint8 if output.bits <= 8 else np.uint16
