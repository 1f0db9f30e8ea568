"""`autocal solve`: the main job."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from autocal.allocator import keep_freed_memory
from autocal.commands._parameters import BASELINE_MM, FULL_SIZE, SEED, SizeType, half_of_frame, refuse_report
from autocal.commands._progress import stage_bars
from autocal.loading import loading
from autocal.whole_file import whole_folder

if TYPE_CHECKING:
    from autocal.solving import Solved

#: What is not needed before frames are chosen, in the order of need; torch alone takes a second and a half.
_NEEDED_LATER = (
    "torch",
    "autocal.matching.ready",
    "scipy.spatial",
    "autocal.solver.staged",
    "autocal.calibration_file",
    "OpenEXR",
)
_PROJECTIONS = ["equidistant", "equisolid", "stereographic", "orthographic"]


class _Far(click.ParamType):
    name = "far plane"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> str | float:
        if value in ("auto", "infinity"):
            return str(value)
        try:
            degrees = float(str(value))
        except ValueError:
            self.fail(f"{value!r} is neither auto, infinity nor a number of degrees", param, ctx)
        if not -10.0 <= degrees <= 10.0:
            self.fail(f"{value} degrees is no far plane: expected -10 to 10", param, ctx)
        return degrees


@click.command()
@click.argument("clips", metavar="CLIP...", nargs=-1, type=click.Path(path_type=Path))
@click.option(
    "--out", type=click.Path(path_type=Path), required=True, help="The folder to write; must not exist."
)
@click.option(
    "--left", type=click.Path(path_type=Path), help="The left eye's file, with --right, instead of CLIP."
)
@click.option("--right", type=click.Path(path_type=Path), help="The right eye's file.")
@click.option("--fov", "fov_deg", type=float, metavar="DEG", help="Field of view across the image circle.")
@click.option("--focal-mm", type=float, help="Focal length of the lenses, with --pixel-um.")
@click.option("--pixel-um", type=float, help="Pixel pitch of the footage, micrometres.")
@click.option(
    "--projection",
    type=click.Choice(_PROJECTIONS),
    default="equidistant",
    show_default=True,
    help="How the lenses draw, to begin with.",
)
@click.option(
    "--baseline-mm",
    type=BASELINE_MM,
    help="Distance between lenses.  [default: 60]",
)
@click.option(
    "--eyes",
    type=click.Choice(["auto", "left-right", "right-left"]),
    default="auto",
    show_default=True,
    help="Which eye's picture is in the left half, which in the right.",
)
@click.option(
    "--start", type=click.Path(path_type=Path), metavar="CAL", help="An earlier calibration of this unit."
)
@click.option("--hold", type=click.Choice(["lenses"]), help="Solve rotation and baseline direction only.")
@click.option(
    "--far",
    type=_Far(),
    default="auto",
    show_default=True,
    metavar="auto|infinity|DEG",
    help="Where the far plane goes: the furthest things to zero disparity (auto) or to DEG degrees of it, "
    "or infinity as the geometry has it.",
)
@click.option("--size", type=SizeType(), default=FULL_SIZE, help="Of the ST map.  [default: 8192x4096]")
@click.option(
    "--frames",
    type=click.IntRange(1, 2000),
    default=24,
    show_default=True,
    help="About how many pictures to use: they are taken in bursts.",
)
@click.option("--seed", type=SEED, default=0, show_default=True, help="For random choices.")
@click.option("--unit", help="Name of the unit, kept in the calibration.")
@click.option(
    "--device",
    type=click.Choice(["cpu", "cuda"]),
    default="cpu",
    show_default=True,
    help="What computes: the processor, or a CUDA card.",
)
@click.option(
    "--report", type=click.Path(path_type=Path), metavar="DIR", help="Write report.html there as well."
)
@click.option(
    "--force", is_flag=True, help="Write into an existing folder, replacing files of the same names."
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of words.")
@click.option("--quiet", is_flag=True, help="No progress, no verdict.")
def solve(
    clips: tuple[Path, ...],
    out: Path,
    left: Path | None,
    right: Path | None,
    fov_deg: float | None,
    focal_mm: float | None,
    pixel_um: float | None,
    projection: str,
    baseline_mm: float | None,
    eyes: str,
    start: Path | None,
    hold: str | None,
    far: str | float,
    size: tuple[int, int],
    frames: int,
    seed: int,
    unit: str | None,
    device: str,
    report: Path | None,
    force: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Calibrate a rig from ordinary footage: side-by-side clips, a list of stills, or --left and --right.

    Writes calibration.json, stmap.exr, before.png, after.png, matches.png and disparity.png.

    \b
    For example:
      autocal solve clip.mp4 --out calibrated
      autocal solve A001.mov A002.mov --fov 190 --baseline-mm 64 --out calibrated
      autocal solve --left L.mp4 --right R.mp4 --out calibrated
      autocal solve after-knock.mp4 --start calibrated/calibration.json --out corrected
    """
    if not (clips or left or right):
        raise click.UsageError("name a clip, a list of stills, or both --left and --right")
    if hold and start is None and not quiet and not as_json:
        click.echo("autocal: holding nominal lenses; --start CAL would hold measured ones", err=True)
    refuse_report(report, force)
    half_of_frame(size)
    keep_freed_memory()
    with whole_folder(out, overwrite=force) as folder:
        from autocal.beforehand import SolveOptions
        from autocal.calibration import Calibration
        from autocal.report.drawing import DrawingProcess
        from autocal.report.solved_files import SolvedFiles
        from autocal.solving import solve as solve_footage

        options = SolveOptions(
            fov_deg=fov_deg,
            focal_mm=focal_mm,
            pixel_um=pixel_um,
            projection=projection,
            baseline_mm=baseline_mm,
            eyes=eyes,
            start=Calibration.load(start) if start else None,
            hold_lenses=hold == "lenses",
            frames=frames,
            seed=seed,
            far=far,
            unit=unit,
            made=datetime.now().astimezone().isoformat(timespec="seconds"),
            device=device,
        )
        with (
            DrawingProcess() as drawing,
            loading(_NEEDED_LATER),
            stage_bars(hidden=quiet or as_json) as tell,
        ):
            files = SolvedFiles(folder, size, drawing)
            solved = solve_footage(
                clips,
                left=left,
                right=right,
                options=options,
                progress=tell,
                showing=files.draw_before,
                judging=files.draw_disparity,
            )
            files.write(solved, tell)
    if report is not None:
        from autocal.report.page_solve import write_solve_report

        write_solve_report(report, solved, map_height=size[1], overwrite=force)
    _say(solved, out, as_json, quiet)


def _say(solved: Solved, out: Path, as_json: bool, quiet: bool) -> None:
    from autocal.report.verdict import CAUTION, verdict_json, verdict_lines

    if as_json:
        click.echo(json.dumps({"out": str(out), **verdict_json(solved.calibration)}, indent=1))
    elif not quiet:
        for line in verdict_lines(solved.calibration):
            click.echo(line)
        footage = solved.calibration.footage
        for note in footage.notes if footage else ():
            click.echo(f"note: {note}")
        click.echo(CAUTION)
        click.echo(f"written to {out}")
