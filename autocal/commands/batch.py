"""`autocal batch`: check, solve or render all clips of a shoot day."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click.core import ParameterSource

from autocal.commands._parameters import BASELINE_MM, FULL_SIZE, SizeType, half_of_frame
from autocal.commands.check import check
from autocal.commands.render import film_name, film_order, render
from autocal.commands.solve import solve

if TYPE_CHECKING:
    from autocal.batch.clips import NamedClip
    from autocal.batch.orders import ClipOrder, ClipResult, Do

_NOT_ALL_WELL, _INTERRUPTED = 1, 130
#: Options that mean the same as in the commands for one clip, by the job that takes them.
_CHECK = ("windows", "baseline_mm", "seed")
_SOLVE = (
    *("fov_deg", "focal_mm", "pixel_um", "projection", "baseline_mm", "eyes", "hold", "far", "size"),
    *("frames", "seed", "unit"),
)
_RENDER = (
    *("size", "codec", "bitrate", "quality", "preset", "rate", "start", "end", "resampling", "device"),
    *("level", "feather", "fill", "proxy", "anaglyph", "purpose", "ending"),
)
_TAKEN_BY: dict[str, tuple[str, ...]] = {"check": _CHECK, "solve": _SOLVE, "render": _RENDER}
_SHARED = {name for names in _TAKEN_BY.values() for name in names}


class _BatchCommand(click.Command):
    """Lists the options that it shares with the commands for one clip by the job that takes them."""

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        options = [p for p in self.get_params(ctx) if isinstance(p, click.Option)]
        groups = [("Options", [p for p in options if p.name not in _SHARED])]
        for job, names in _TAKEN_BY.items():
            taken = sorted((p for p in options if p.name in names), key=lambda p: names.index(str(p.name)))
            groups.append((f"With --do {job}, as in autocal {job}", taken))
        for title, params in groups:
            records = [record for p in params if (record := p.get_help_record(ctx)) is not None]
            with formatter.section(title):
                formatter.write_dl(records)


@click.command(cls=_BatchCommand)
@click.argument("clips", metavar="CLIPS...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--do", "job", type=click.Choice(["check", "solve", "render"]), required=True, help="To every clip."
)
@click.option(
    "--cal",
    "calibration",
    type=click.Path(path_type=Path),
    metavar="CAL",
    help="The calibration to check or render by; to solve, an earlier one to start from.",
)
@click.option(
    "--out", type=click.Path(path_type=Path), required=True, metavar="DIR", help="Folder for all results."
)
@click.option("--scheduler", metavar="ADDRESS", help="A running dask scheduler, like tcp://10.0.0.5:8786.")
@click.option(
    "--workers",
    type=click.IntRange(1, 256),
    help="Worker processes on this machine.  [default: one for two cores and 3.5 GiB]",
)
@click.option(
    "--baseline-mm",
    type=BASELINE_MM,
    help="Distance between the lenses: to check, if CAL does not say; to solve, if it is not 60.",
)
@click.option(
    "--size", type=SizeType(), help="Solved: of the ST map; rendered: of the film.  [default: 8192x4096]"
)
@click.option("--force", is_flag=True, help="Make everything again and replace what is there.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object, for machines.")
@click.option("--quiet", is_flag=True, help="No progress.")
@click.pass_context
def batch(
    ctx: click.Context,
    clips: tuple[Path, ...],
    job: Do,
    calibration: Path | None,
    out: Path,
    scheduler: str | None,
    workers: int | None,
    force: bool,
    as_json: bool,
    quiet: bool,
    **options: Any,
) -> None:
    """Check, solve or render every clip of CLIPS: clips, and folders with clips anywhere in them.

    DIR gets a folder for each clip, results.csv, and index.html, which leads to each clip's report or film.
    A render is split into pieces of about four seconds, so that many workers share one long take. Stopped,
    or after a worker died, the same command goes on: what is finished is not made again.

    Without --scheduler, worker processes on this machine do the work. With it, the workers of a running
    dask cluster: clips, CAL and DIR must be reachable under the same paths on every worker, each with the
    same version of autocal; start them with `dask worker ADDRESS --nthreads 1`.

    \b
    Exit code 0: every clip holds, is solved, or is rendered whole. 1: some clip failed, drifted, cannot
    tell, or had bad pictures (the table says which). 2: nothing could be done. 130: stopped.

    \b
    Examples:
      autocal batch day-3/ --cal calibration.json --do check --out checked
      autocal batch A001.mov day-3/ --cal calibration.json --do render --for headset --out films
    """
    _refuse_options_of_other_jobs(ctx, job)
    if job == "solve":
        half_of_frame(options["size"])
    if calibration is None and job != "solve":
        raise click.UsageError(f"--do {job} needs --cal CAL")
    if scheduler is not None and workers is not None:
        raise click.UsageError("--workers is for this machine; a running --scheduler has workers of its own")
    from autocal.batch.clips import find_clips
    from autocal.batch.records import finished_result
    from autocal.batch.run import refuse_strangers
    from autocal.batch.table import CSV_NAME, INDEX_NAME, as_data, in_words, write_table
    from autocal.errors import OutputError

    for name in (CSV_NAME, INDEX_NAME):
        if (out / name).exists() and not force:
            raise OutputError(
                f"{out / name} exists already: choose another --out; or remove {CSV_NAME} and {INDEX_NAME}, "
                "and only what failed or is missing is made; or make everything again with --force"
            )
    named = find_clips(clips, out)
    out = out.absolute()
    orders = _orders(named, job, calibration, out, force, options)
    needed = [*([calibration.absolute()] if calibration else []), *(c.path for c in named if c.path.exists())]
    refuse_strangers(orders)
    with _folder(out):
        try:
            results = _run(orders, job, out, needed, scheduler, workers, quiet or as_json)
        except KeyboardInterrupt:
            finished = sum(finished_result(order) is not None for order in orders)
            click.echo(
                f"autocal: stopped; {finished} of {len(orders)} clips are finished, nothing is half-written; "
                "the same command goes on",
                err=True,
            )
            raise click.exceptions.Exit(_INTERRUPTED) from None
        facts = [
            ("Done", f"--do {job}"),
            *([("Calibration", str(calibration))] if calibration else []),
            ("When", datetime.now().astimezone().isoformat(timespec="seconds")),
        ]
        table, index = write_table(out, job, results, facts, overwrite=force)
    if as_json:
        click.echo(json.dumps(as_data(job, results, out), indent=1, allow_nan=False))
    else:
        click.echo(in_words(results))
        click.echo(f"written: {table}, {index}")
    ctx.exit(0 if all(result.is_well for result in results) else _NOT_ALL_WELL)


def _shared_params() -> list[click.Parameter]:
    """The options of the commands for one clip; of one name, the batch's own, else the last command's."""
    own = {param.name for param in batch.params}
    params = {p.name: p for command in (solve, check, render) for p in command.params if p.name in _SHARED}
    return [param for name, param in params.items() if name not in own]


batch.params += _shared_params()


def _refuse_options_of_other_jobs(ctx: click.Context, job: str) -> None:
    for param in ctx.command.params:
        name = param.name or ""
        given = ctx.get_parameter_source(name) == ParameterSource.COMMANDLINE
        if given and name in _SHARED and name not in _TAKEN_BY[job]:
            raise click.UsageError(f"--do {job} takes no {param.opts[0]}")


def _orders(
    named: Sequence[NamedClip],
    job: Do,
    calibration: Path | None,
    out: Path,
    force: bool,
    options: dict[str, Any],
) -> list[ClipOrder]:
    from autocal.batch.orders import CheckSettings, ClipOrder, SolveSettings
    from autocal.calibration import Calibration
    from autocal.errors import CalibrationFileError
    from autocal.render.film import FilmOrder

    if calibration is not None:
        calibration = calibration.absolute()
        if not calibration.is_file():
            raise CalibrationFileError(f"{calibration}: no such calibration; check the name and the folder")
        if calibration.suffix.lower() == ".json":
            Calibration.load(calibration)  # or every single clip would fail for it

    def settings(clip: NamedClip) -> CheckSettings | SolveSettings | FilmOrder:
        if job == "solve":
            known = {n: options[n] for n in _SOLVE if n not in ("hold", "size")}
            known["hold_lenses"] = options["hold"] == "lenses"
            return SolveSettings(calibration, known, options["size"] or FULL_SIZE)
        assert calibration is not None
        if job == "check":
            return CheckSettings(calibration, **{n: options[n] for n in _CHECK})
        film = out / clip.name / film_name(clip.name, options)
        order: FilmOrder = film_order(calibration, clip.path, film, {**options, "ending": None})[0]
        return order

    return [ClipOrder(c.path, c.name, out / c.name, settings(c), force) for c in named]


def _run(
    orders: Sequence[ClipOrder],
    job: Do,
    out: Path,
    clips: Sequence[Path],
    scheduler: str | None,
    workers: int | None,
    hidden: bool,
) -> list[ClipResult]:
    """A row for each clip; what is half-written when the work stops is gone afterwards."""
    from autocal.batch.engine import local_engine, remote_engine
    from autocal.batch.records import remove_unfinished
    from autocal.batch.run import run_batch
    from autocal.commands._batch_display import BatchDisplay

    with BatchDisplay([order.name for order in orders], hidden=hidden) as display:
        try:
            if scheduler is not None:
                engine = remote_engine(out, scheduler, clips=clips, listener=display.happening)
            else:
                most = None if job == "render" else len(orders)
                engine = local_engine(out, workers=workers, most=most, listener=display.happening)
            with engine as running:
                return run_batch(orders, running, display)
        finally:
            for order in orders:
                remove_unfinished(order)


@contextmanager
def _folder(out: Path) -> Iterator[None]:
    """The folder for the results; gone again where nothing came to lie in it."""
    from autocal.errors import OutputError

    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise OutputError(
            f"{out} cannot be made: {problem.strerror or problem}; choose another place"
        ) from problem
    try:
        yield
    finally:
        with suppress(OSError):  # holds something
            out.rmdir()
