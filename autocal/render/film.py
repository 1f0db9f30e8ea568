"""Making a film: decode, remap and encode at the same time, piece by piece; then join and tag."""

from __future__ import annotations

import os
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from fractions import Fraction
from itertools import islice
from pathlib import Path

import av

from autocal.calibration import Calibration
from autocal.cores import cores
from autocal.errors import OutputError
from autocal.render.anaglyph import anaglyph
from autocal.render.clip import Clip, Repairs, frames, open_clip
from autocal.render.device import Device, make_renderer
from autocal.render.encode import encode_piece, piece_size
from autocal.render.formats import PlanarFormat, planar_format
from autocal.render.join import join
from autocal.render.overlap import ahead
from autocal.render.renderer import FrameRenderer, Look
from autocal.render.sequence import as_sequence
from autocal.render.settings import Compression, check_container
from autocal.render.work import Piece, WorkFolder, file_digest
from autocal.tagging import refuse_finished, tag_file
from autocal.version import program_version
from autocal.whole_file import whole_file

#: Decoded pictures waiting to be remapped: at 8192x4096 and 10 bit each one is 100 MB.
_WAITING = 1

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class FilmOrder:
    """All that a film depends on.

    start_s, end_s: part of the clip, in its own time; None for its whole. anaglyph: a red-cyan copy
    for a flat screen, not to be delivered. rate: pictures a second, where the clip is numbered pictures.
    """

    calibration: Path
    clip: Path
    out: Path
    look: Look = field(default_factory=Look)
    compression: Compression = field(default_factory=Compression)
    start_s: float | None = None
    end_s: float | None = None
    anaglyph: bool = False
    device: Device = "auto"
    rate: Fraction | None = None


@dataclass(frozen=True, kw_only=True)
class RenderReport:
    """What became of a clip's pictures.

    repeated: bad ones, each the picture's number in the clip and its time in s from the clip's first; the
    last good one stands in. missing_end_s: how much earlier than it says the clip ends. resumed: how many
    were there from an interrupted run.
    """

    repeated: tuple[tuple[int, float], ...] = ()
    missing_end_s: float = 0.0
    resumed: int = 0

    @property
    def is_flawless(self) -> bool:
        """Whether every picture of the clip is there."""
        return not self.repeated and self.missing_end_s == 0.0


@dataclass(frozen=True)
class FilmReport(RenderReport):
    """What became of an order. pictures: how many the film has."""

    out: Path
    pictures: int


@dataclass(frozen=True, eq=False)
class FilmPlan:
    """An order worked out: what each piece is, and all that making it takes.

    Plain data: whoever has it can make any of the pieces, in any order and anywhere that the clip and the
    film's folder can be reached from. first, last: places in the clip of the film's pictures, last
    excluded. resumed: how many pictures are there from an interrupted run. program: the version that the
    pieces are made by; another's would not join.
    """

    order: FilmOrder
    calibration: Calibration
    clip: Clip
    first: int
    last: int
    pieces: tuple[Piece, ...]
    resumed: int
    program: str

    @property
    def missing(self) -> tuple[Piece, ...]:
        """The pieces that are not there yet."""
        return tuple(piece for piece in self.pieces if not piece.is_done)


def render_film(order: FilmOrder, *, overwrite: bool = False, progress: Progress | None = None) -> FilmReport:
    """Make the film; it appears under its name only when whole.

    When the work is interrupted (Ctrl-C, a full disk, a crash), the finished pieces stay in a folder
    beside the film, and the same order goes on from there.
    Raises FootageError, CalibrationFileError or OutputError with what to do.
    """
    plan = plan_film(order, overwrite=overwrite)
    render_pieces(plan, plan.pieces, progress=progress)
    if progress:
        progress("join", plan.last - plan.first, plan.last - plan.first)
    return finish_film(plan, overwrite=overwrite)


def plan_film(order: FilmOrder, *, overwrite: bool = False) -> FilmPlan:
    """Look the clip over and make the folder for the film's pieces ready; finds what is there already.

    Raises FootageError, CalibrationFileError or OutputError with what to do.
    """
    if order.out.exists() and not overwrite:
        raise OutputError(f"{order.out} exists already: choose another name, or give --force to replace it")
    check_container(order.compression.codec, order.out)
    refuse_finished(order.clip)
    calibration = Calibration.load(order.calibration)
    with _told_for_people(order):
        clip = open_clip(order.clip, order.rate)
        first, last = part_of_clip(clip, order.start_s, order.end_s)
        work = WorkFolder(order.out)
        work.prepare(_identity(order, clip, first, last))
        pieces = tuple(work.pieces(first, last, piece_size(float(clip.rate))))
        resumed = sum(piece.last - piece.first for piece in pieces if piece.is_done)
    return FilmPlan(order, calibration, clip, first, last, pieces, resumed, program_version())


def render_pieces(plan: FilmPlan, pieces: Sequence[Piece], *, progress: Progress | None = None) -> None:
    """Make those of the plan's `pieces` that are missing; progress counts the pictures of all of them.

    Raises OutputError where they cannot be written or the plan is another version's, FootageError where
    the clip cannot be read.
    """
    if plan.program != program_version():
        raise OutputError(
            f"pieces of {plan.order.out} are being made by autocal {plan.program}, but {program_version()} "
            "is installed here: install the same version everywhere"
        )
    missing = [piece for piece in pieces if not piece.is_done]
    total = sum(piece.last - piece.first for piece in pieces)
    done = total - sum(piece.last - piece.first for piece in missing)
    if missing:
        with _told_for_people(plan.order):
            _render_missing(plan, missing, done, total, progress)


def finish_film(plan: FilmPlan, *, overwrite: bool = False) -> FilmReport:
    """Join the pieces, which must all be there, with the clip's sound; then tag the film.

    Raises OutputError where the film cannot be written.
    """
    order, clip, first, last = plan.order, plan.clip, plan.first, plan.last
    work = WorkFolder(order.out)
    shift = 0 if first == 0 else clip.pts[first]
    with _told_for_people(order):
        with whole_file(order.out, overwrite=overwrite) as beside:
            join(plan.pieces, clip, beside, first=first, last=last, shift=shift, title=order.out.stem)
            if not order.anaglyph:
                tag_file(beside, in_place=True)
        times = {place: clip.seconds(clip.pts[place] - clip.pts[0]) for place in work.repeated(plan.pieces)}
        work.remove()
    missing_end = clip.missing_end_s if last == len(clip.pts) and order.end_s is None else 0.0
    return FilmReport(
        order.out,
        last - first,
        repeated=tuple(times.items()),
        missing_end_s=missing_end,
        resumed=plan.resumed,
    )


@contextmanager
def _told_for_people(order: FilmOrder) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise OutputError(
            f"{order.out} could not be made: {error.strerror or error}. What is finished is kept: "
            "make room, then give the same command again"
        ) from error


def part_of_clip(clip: Clip, start_s: float | None, end_s: float | None) -> tuple[int, int]:
    """Places of the first picture and one past the last, from times counted from the clip's first picture.

    Raises OutputError where no picture lies between them.
    """
    times = [clip.seconds(pts - clip.pts[0]) for pts in clip.pts]
    first = (
        0 if start_s is None else next((n for n, t in enumerate(times) if t >= start_s - 1e-6), len(times))
    )
    last = (
        len(times)
        if end_s is None
        else next((n for n, t in enumerate(times) if t >= end_s - 1e-6), len(times))
    )
    if first >= last:
        raise OutputError(f"no picture of {clip.path} lies in the part asked for; it lasts {times[-1]:.3f} s")
    return first, last


def _identity(order: FilmOrder, clip: Clip, first: int, last: int) -> dict[str, object]:
    """What must be equal for pieces to be of the same film."""
    return {
        "calibration": file_digest(order.calibration),
        **clip_facts(clip),
        "look": asdict(order.look),
        "compression": asdict(order.compression),
        "pictures": [first, last],
        "anaglyph": order.anaglyph,
    }


def clip_facts(clip: Clip) -> dict[str, object]:
    """By which a clip is known again, and the program that read it."""
    sequence = as_sequence(clip.path)
    facts = os.stat(clip.path if sequence is None else sequence.path(sequence.numbers()[0]))
    return {
        "program": program_version(),
        "clip": [str(clip.path.resolve()), facts.st_size, facts.st_mtime_ns],
        "rate": str(clip.rate),
    }


def _render_missing(
    plan: FilmPlan, pieces: Sequence[Piece], done: int, total: int, progress: Progress | None
) -> None:
    order, clip, work = plan.order, plan.clip, WorkFolder(plan.order.out)
    repairs = Repairs()
    with ThreadPoolExecutor(cores(), thread_name_prefix="remap") as pool:
        if progress:
            progress("map", done, total)
        output = output_format(clip.format, order.compression)
        renderer = make_renderer(order.device, plan.calibration, order.look, clip, output, pool)
        if progress:
            progress("planned", done, total)
        decoded = ahead(_decode(clip, pieces, repairs), _WAITING)
        # The encoders work in threads of their own: while they are at one picture, the next is remapped here.
        rendered = _remap(renderer, clip, decoded, order.anaglyph)
        if renderer.is_on_card:  # nor need the card wait for an encoder that takes nothing for a while
            rendered = ahead(rendered, _WAITING)
        size = (order.look.size[0] // 2, order.look.size[1]) if order.anaglyph else order.look.size
        try:
            for piece in pieces:
                own = islice(rendered, piece.last - piece.first)
                counted = _count(own, done, total, progress)
                noted = _note_at_end(counted, work, piece, repairs)
                encode_piece(piece.path, noted, clip, order.compression, size)
                done += piece.last - piece.first
        finally:
            rendered.close()
            decoded.close()


def output_format(source: PlanarFormat, compression: Compression) -> PlanarFormat:
    """What the remapping makes: the encoder's chroma, in the source's own depth."""
    target = planar_format(compression.pixel_format(source))
    if target.is_rgb != source.is_rgb or target.planes != source.planes:
        return source
    name = target.name.removesuffix("le").rstrip("0123456789") if target.bits > 8 else target.name
    depth = "" if source.bits <= 8 else f"{source.bits}le"
    return PlanarFormat(name + depth, source.bits, source.is_rgb, source.planes, target.subsampling)


def _decode(clip: Clip, pieces: Sequence[Piece], repairs: Repairs) -> Iterator[tuple[int, av.VideoFrame]]:
    """The pictures of the pieces with their places, each run of neighbouring pieces decoded in one go."""
    start = pieces[0].first
    for piece, following in zip(pieces, [*pieces[1:], None], strict=True):
        if following is None or following.first != piece.last:
            yield from frames(clip, start, piece.last, repairs)
            start = following.first if following else piece.last


def _remap(
    renderer: FrameRenderer, clip: Clip, decoded: Iterator[tuple[int, av.VideoFrame]], as_anaglyph: bool
) -> Generator[av.VideoFrame, None, None]:
    for place, frame in decoded:
        result = renderer.render(frame)
        del frame  # pictures are large: hold none longer than needed
        if as_anaglyph:
            result = anaglyph(result)
        result.pts, result.time_base = clip.pts[place], clip.time_base
        yield result
        del result


def _count(
    pictures: Iterator[av.VideoFrame], done: int, total: int, progress: Progress | None
) -> Iterator[av.VideoFrame]:
    for frame in pictures:
        yield frame
        del frame
        done += 1
        if progress:
            progress("render", done, total)


def _note_at_end(
    pictures: Iterator[av.VideoFrame], work: WorkFolder, piece: Piece, repairs: Repairs
) -> Iterator[av.VideoFrame]:
    """Keep the piece's bad pictures on file before it counts as whole."""
    yield from pictures
    work.note_repeated(piece, [p for p in repairs.repeated if piece.first <= p < piece.last])
