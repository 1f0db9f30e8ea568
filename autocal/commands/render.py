"""`autocal render`: from a calibration and a clip to the film that people watch."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from autocal.allocator import share_one_heap
from autocal.commands._parameters import FULL_SIZE, NumberRange, SizeType, refuse_existing

if TYPE_CHECKING:
    from autocal.render.film import RenderReport

_UNITS = {"": 1, "k": 1_000, "M": 1_000_000, "G": 1_000_000_000}
_SUFFIXES = {"hevc": ".mp4", "h264": ".mp4", "prores": ".mov", "ffv1": ".mkv"}
_PROXY_SIZE, _PROXY_BITRATE = (2048, 1024), 12_000_000
#: Options whose names differ from those of their values.
_FLAGS = {"start": "from", "end": "to", "purpose": "for"}


class _Bitrate(click.ParamType):
    """Bits a second, written like 80M."""

    name = "RATE"

    def convert(self, value: object, param: Any, ctx: Any) -> int:
        if isinstance(value, int):
            return value
        match = re.fullmatch(r"(\d+(?:\.\d+)?)([kMG]?)", str(value).strip())
        if not match:
            self.fail(f"{value!r} is no bitrate: write it like 80M", param, ctx)
        return round(float(match[1]) * _UNITS[match[2]])


class _Time(click.ParamType):
    """Seconds, or hours:minutes:seconds."""

    name = "T"

    def convert(self, value: object, param: Any, ctx: Any) -> float:
        if isinstance(value, float):
            return value
        if not re.fullmatch(r"(\d+:){0,2}\d+(\.\d+)?", str(value).strip()):
            self.fail(f"{value!r} is no time: write it like 12.5 or 1:02:03.5", param, ctx)
        seconds = 0.0
        for part in str(value).split(":"):
            seconds = seconds * 60 + float(part)
        return seconds


class _Angles(click.ParamType):
    """Three angles in degrees."""

    name = "PITCH,ROLL,YAW"

    def convert(self, value: object, param: Any, ctx: Any) -> tuple[float, float, float]:
        if isinstance(value, tuple):
            return value
        parts = str(value).split(",")
        try:
            pitch, roll, yaw = (float(part) for part in parts)
        except ValueError:
            self.fail(f"{value!r} is not three angles: write them like 1.5,0,-2", param, ctx)
        if not all(abs(angle) <= 180 for angle in (pitch, roll, yaw)):
            self.fail(f"{value!r}: angles go from -180 to 180 degrees", param, ctx)
        return pitch, roll, yaw


class _Colour(click.ParamType):
    """A colour."""

    name = "#RRGGBB"

    def convert(self, value: object, param: Any, ctx: Any) -> tuple[float, float, float]:
        if isinstance(value, tuple):
            return value
        text = {"black": "#000000", "grey": "#808080", "white": "#ffffff"}.get(str(value), str(value))
        if not re.fullmatch(r"#[0-9a-fA-F]{6}", text):
            self.fail(f"{value!r} is no colour: black, grey, white or #RRGGBB", param, ctx)
        red, green, blue = (int(text[n : n + 2], 16) / 255 for n in (1, 3, 5))
        return red, green, blue


@click.command()
@click.argument("calibration", metavar="CAL", type=click.Path(path_type=Path))
@click.argument("clip", metavar="CLIP", type=click.Path(path_type=Path))
@click.option(
    "-o", "--out", required=True, type=click.Path(path_type=Path), help="The film, or a folder for it."
)
@click.option("--size", type=SizeType(), help="Of the side-by-side film.  [default: 8192x4096]")
@click.option(
    "--codec",
    type=click.Choice(["hevc", "h264", "prores", "ffv1"]),
    default="hevc",
    show_default=True,
    help="How the film is compressed; ffv1 loses nothing.",
)
@click.option("--bitrate", type=_Bitrate(), help="Like 80M.  [default: 80M, unless --quality is given]")
@click.option("--quality", type=NumberRange(0, 51), help="Constant quality; smaller is better.")
@click.option("--preset", default="fast", show_default=True, help="Speed of the HEVC and H.264 encoders.")
@click.option("--rate", type=NumberRange(1, 240), help="Pictures a second of a numbered CLIP.  [default: 30]")
@click.option("--from", "start", type=_Time(), help="Start here: seconds, or h:m:s.")
@click.option("--to", "end", type=_Time(), help="Stop here.")
@click.option(
    "--filter",
    "resampling",
    type=click.Choice(["cubic", "lanczos", "linear"]),
    default="cubic",
    show_default=True,
    help="How pixels are interpolated.",
)
@click.option(
    "--device",
    type=click.Choice(["cpu", "cuda", "auto"]),
    default="auto",
    show_default=True,
    help="What remaps: the processor, a CUDA card, or the card if there is one.",
)
@click.option(
    "--level",
    type=_Angles(),
    default=(0.0, 0.0, 0.0),
    help="Turn the view by degrees: up, clockwise, right. The last two give near things vertical disparity.",
)
@click.option("--feather", type=NumberRange(0, 45), default=0.0, help="Soften the rim over so many degrees.")
@click.option(
    "--fill", type=_Colour(), default="black", help="Outside the lens: black, grey, white, #RRGGBB."
)
@click.option("--proxy", is_flag=True, help="A quick small film: 2048x1024 at 12 Mbit/s.")
@click.option("--anaglyph", is_flag=True, help="A red-cyan check copy for a flat screen.")
@click.option(
    "--for",
    "purpose",
    type=click.Choice(["upload", "headset"]),
    help="Defaults for an upload or a headset; they are said.",
)
@click.option("--ending", help="Ending of the film's name when OUT is a folder, like _180_LR.")
@click.option("--force", is_flag=True, help="Replace the film if it is there.")
@click.option("--quiet", is_flag=True, help="No progress.")
def render(calibration: Path, clip: Path, out: Path, force: bool, quiet: bool, **options: Any) -> None:
    """Render CLIP with the calibration CAL as a 180-degree side-by-side film.

    Left eye left, half-equirectangular, in the clip's own bit depth, with its time stamps, colour tags
    and sound. Interrupted, the same command goes on where it stopped. CLIP and OUT may be numbered pictures
    (EXR, TIFF, PNG, DPX), like shot.%04d.exr: of a film's, the number is the picture's place in it, from 0.

    \b
    Exit code 0: whole. 1: whole, but pictures of the clip were bad or missing (named). 2: an error.

    \b
    Examples:
      autocal render calibration.json take.mov -o film.mp4
      autocal render calibration.json take.mov -o films/ --for headset
    """
    from autocal.exchange.any_file import load_any
    from autocal.render.film import render_film
    from autocal.render.sequence import as_sequence
    from autocal.render.settings import for_purpose
    from autocal.render.work import WorkFolder

    share_one_heap()  # a film in 8K comes close to what its memory may be
    for warning in load_any(calibration).warnings:
        click.echo(f"mind: {warning}")
    if as_sequence(out) is not None:
        _render_pictures(calibration, clip, out, force, quiet, options)
        return
    order, purpose = film_order(calibration, clip, out, options)
    refuse_existing(order.out, force)
    if purpose is not None:
        from autocal.render.clip import open_clip

        for note in for_purpose(purpose, order.compression, open_clip(clip).rate)[1]:
            click.echo(note)
    try:
        with _Progress(quiet) as progress:
            report = render_film(order, overwrite=force, progress=progress)
    finally:
        WorkFolder(order.out).remove_if_bare()
    click.echo(f"{report.out}: {report.pictures} pictures")
    _say_resumed(report.resumed)
    _say_flaws(report)


def _render_pictures(
    calibration: Path, clip: Path, out: Path, force: bool, quiet: bool, options: dict[str, Any]
) -> None:
    from autocal.render.sequence import as_sequence

    source, target = as_sequence(clip), as_sequence(out)
    assert target is not None
    not_for_pictures = ["anaglyph", "purpose", "ending", "bitrate", "quality", "rate"]
    if source is not None:
        not_for_pictures += ["start", "end"]
    given = [f"--{_FLAGS.get(name, name)}" for name in not_for_pictures if options[name]]
    _refuse_no_part(options)
    if given:
        raise click.UsageError(f"numbered pictures take no such options: {', '.join(given)}")
    with _Progress(quiet) as progress:
        if source is not None:
            from autocal.render.stills import render_stills

            made = render_stills(
                calibration, source, target, _look(options), overwrite=force, progress=progress
            )
            click.echo(f"{out}: {made.pictures} pictures")
            _say_resumed(made.resumed)
            return
        from autocal.render.clip_pictures import PicturesOrder, render_pictures

        order = PicturesOrder(
            calibration, clip, target, _look(options), options["start"], options["end"], options["device"]
        )
        report = render_pictures(order, overwrite=force, progress=progress)
    numbers = report.numbers
    click.echo(f"{out}: {len(numbers)} pictures, numbers {numbers[0]} to {numbers[-1]}")
    _say_resumed(report.resumed)
    _say_flaws(report)


def _say_resumed(resumed: int) -> None:
    if resumed:
        click.echo(f"went on after {resumed} pictures of an interrupted run")


def _say_flaws(report: RenderReport) -> None:
    """What of the clip was bad or missing; ends with exit code 1 if anything was."""
    for number, seconds in report.repeated:
        click.echo(f"picture {number} at {seconds:.3f} s was bad: the last good one stands in", err=True)
    if report.missing_end_s:
        click.echo(f"the clip ends {report.missing_end_s:.3f} s earlier than it says", err=True)
    if not report.is_flawless:
        raise click.exceptions.Exit(1)


def _look(options: dict[str, Any]) -> Any:
    from autocal.render.renderer import Look

    return Look(
        size=options["size"] or (_PROXY_SIZE if options["proxy"] else FULL_SIZE),
        filter=options["resampling"],
        level_deg=options["level"],
        feather_deg=options["feather"],
        fill=options["fill"],
    )


def film_order(calibration: Path, clip: Path, out: Path, options: dict[str, Any]) -> tuple[Any, Any]:
    """The film's order, and its purpose. options: this command's, by name."""
    from fractions import Fraction

    from autocal.errors import OutputError
    from autocal.render.anaglyph import ANAGLYPH_MARK
    from autocal.render.film import FilmOrder
    from autocal.render.settings import Compression, for_purpose

    _refuse_no_part(options)
    proxy, purpose = options["proxy"], options["purpose"]
    bitrate, quality = options["bitrate"], options["quality"]
    if proxy and bitrate is None and quality is None and options["codec"] in ("hevc", "h264"):
        bitrate = _PROXY_BITRATE
    asked = Compression(options["codec"], bitrate, quality, "ultrafast" if proxy else options["preset"])
    compression, _ = for_purpose(purpose, asked, Fraction(0))
    if out.is_dir():
        out = out / film_name(clip.stem, options)
        if out.resolve() == clip.resolve():
            out = out.with_stem(out.stem + "-film")
    elif not out.suffix:
        raise OutputError(f"{out}: no such folder: make it first, or name a film, like {out}.mp4")
    elif options["ending"] is not None:
        raise click.UsageError("--ending is for OUT as a folder: a film's own name is taken as it is")
    if options["anaglyph"] and ANAGLYPH_MARK not in out.stem:
        out = out.with_stem(out.stem + ANAGLYPH_MARK)
    if out.exists() and clip.exists() and out.samefile(clip):
        raise OutputError(f"{out} is the clip itself: choose another name for the film")
    order = FilmOrder(
        calibration=calibration,
        clip=clip,
        out=out,
        look=_look(options),
        compression=compression,
        start_s=options["start"],
        end_s=options["end"],
        anaglyph=options["anaglyph"],
        device=options["device"],
        rate=Fraction(options["rate"]).limit_denominator(1001) if options["rate"] else None,
    )
    return order, purpose


def _refuse_no_part(options: dict[str, Any]) -> None:
    start, end = options["start"], options["end"]
    if start is not None and end is not None and start >= end:
        raise click.UsageError(f"--from {start:g} s does not come before --to {end:g} s")


def film_name(stem: str, options: dict[str, Any]) -> str:
    """The name of a film in a folder. options: this command's, by name."""
    from autocal.render.settings import HEADSET_ENDING

    standard = HEADSET_ENDING if options["purpose"] == "headset" else ""
    ending = options["ending"] if options["ending"] is not None else standard
    return f"{stem}{ending}{_SUFFIXES[options['codec']]}"


class _Progress:
    """A progress bar on the terminal, or nothing."""

    def __init__(self, quiet: bool) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

        console = Console(stderr=True, quiet=quiet)
        columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
        self._bar = Progress(*columns, console=console, transient=True)
        self._task = self._bar.add_task("map", total=None)

    def __enter__(self) -> _Progress:
        self._bar.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._bar.stop()

    def __call__(self, stage: str, done: int, total: int) -> None:
        self._bar.update(self._task, description=stage, completed=done, total=total)
