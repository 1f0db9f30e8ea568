"""`autocal chart`: calibrate from frames of a printed board, to have something to compare with."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from autocal.commands._parameters import SEED, report_option
from autocal.commands._progress import stage_bars

if TYPE_CHECKING:
    from autocal.calibration import Calibration
    from autocal.chart.calibrate import ChartResult
    from autocal.chart.frames import ChartFrames


@click.command()
@click.argument("frames", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--board",
    "board_text",
    required=True,
    metavar="COLSxROWS",
    help="Inner corners of the board: 10x7 is a chessboard of 11 x 8 squares.",
)
@click.option("--square-mm", type=float, default=30.0, show_default=True, help="Side of a square.")
@click.option(
    "--charuco", metavar="DICTIONARY", help="The board has markers of this dictionary, e.g. 5X5_100."
)
@click.option(
    "--marker-share",
    type=float,
    default=0.75,
    show_default=True,
    help="ChArUco: side of a marker over the side of a square.",
)
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Folder for calibration.json and coverage.png.",
)
@click.option("--unit", help="Name of the unit, stored in the calibration.")
@click.option("--seed", type=SEED, default=0, show_default=True, help="For splitting the frames into halves.")
@report_option
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object, for machines.")
@click.option("--force", is_flag=True, help="Replace files in DIR.")  # fmt: skip
def chart(
    frames: tuple[Path, ...],
    board_text: str,
    square_mm: float,
    charuco: str | None,
    marker_share: float,
    out: Path,
    unit: str | None,
    seed: int,
    report: Path | None,
    as_json: bool,
    force: bool,
) -> None:
    """Calibrate from side-by-side FRAMES that show a chessboard or ChArUco board to both eyes.

    \b
    Example:
      autocal chart chart-*.jpg --board 10x7 --square-mm 25 --out from-chart
      autocal compare solved/calibration.json from-chart/calibration.json
    """
    import numpy as np

    from autocal.calibration import Footage
    from autocal.chart.board import board_of
    from autocal.chart.calibrate import calibrate_from_boards, eyes_are_crossed
    from autocal.chart.frames import read_chart_frames
    from autocal.commands._parameters import refuse_existing, refuse_no_folder, refuse_report
    from autocal.errors import OutputError
    from autocal.report.pictures_chart import write_coverage_picture

    board = board_of(board_text, square_mm, charuco, marker_share)
    targets = out / "calibration.json", out / "coverage.png"
    refuse_no_folder(out)
    for target in targets:
        refuse_existing(target, force)
    refuse_report(report, force)
    with stage_bars(hidden=as_json) as tell:
        seen = read_chart_frames(frames, board, tell)
        swapped = eyes_are_crossed(seen.views, board, seen.half_size, len(seen.names))
        if swapped:
            seen = seen.exchanged()
        tell("lenses", 0, 1)
        result = calibrate_from_boards(
            seen.views, board, seen.half_size, len(seen.names), np.random.default_rng(seed)
        )
        tell("lenses", 1, 1)
    rig = result.calibration.rig
    left, right = (replace(rig.lens(eye), circle=seen.circles[eye]) for eye in (0, 1))
    used = sorted({v.frame for v in result.used})
    calibration = replace(
        result.calibration,
        rig=replace(rig, left=left, right=right),
        swapped=swapped,
        unit=unit,
        made=datetime.now(UTC).isoformat(timespec="seconds"),
        footage=Footage(
            files=tuple(str(f) for f in frames),
            digest=seen.digest,
            frame_size=(2 * seen.half_size[0], seen.half_size[1]),
            frames=tuple((f, 0.0) for f in used),
            swapped=swapped,
            observations=sum(len(v) for v in result.used) - result.dropped_corners,
            notes=tuple(_evidence(result, seen)),
        ),
    )
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise OutputError(
            f"{out} cannot be made: {problem.strerror or problem}; choose another place"
        ) from problem
    calibration.save(targets[0])
    write_coverage_picture(targets[1], result, overwrite=force)
    if report is not None:
        from autocal.report.page_chart import write_chart_report

        write_chart_report(report, result, calibration, _evidence(result, seen), frames, overwrite=force)
    if as_json:
        click.echo(json.dumps(_as_data(result, seen, calibration, targets), indent=1, allow_nan=False))
        return
    yaw, pitch, roll = rig.yaw_pitch_roll_deg
    sy, sp, sr = result.calibration.yaw_pitch_roll_sigma_deg
    click.echo(
        f"relative yaw {yaw:+.3f} ± {sy:.3f}, pitch {pitch:+.3f} ± {sp:.3f}, roll {roll:+.3f} ± {sr:.3f} "
        f"degrees; focal length {rig.left.focal_px:.2f} and {rig.right.focal_px:.2f} px; "
        f"baseline {rig.baseline_mm:.2f} ± {result.baseline_sigma_mm:.2f} mm"
    )
    for words in (*_evidence(result, seen), *calibration.assumed, *calibration.warnings):
        click.echo(f"  {words}")
    if swapped:
        click.echo("  the left eye's picture is in the right half of the frames: taken into account")
    click.echo(f"written: {targets[0]}, {targets[1]}")


def _evidence(result: ChartResult, seen: ChartFrames) -> list[str]:
    """What a person should know of how the calibration came about."""
    words = [
        f"reprojection rms {result.rms_px[0]:.3f} px left, {result.rms_px[1]:.3f} px right "
        f"(OpenCV's fisheye calibration: {result.opencv_rms_px[0]:.3f} and {result.opencv_rms_px[1]:.3f})",
        f"{len({v.frame for v in result.used})} of {len(seen.names)} frames used, {len(result.used)} boards, "
        f"{result.dropped_corners} single corners dropped",
        f"the board is bent by {result.bend_mm:.2f} mm rms",
    ]
    if result.split is not None:
        y, p, r = result.split.yaw_pitch_roll_deg.max(axis=0)
        words.append(
            f"disjoint halves of the frames differ by at most {y:.3f} degrees in yaw, {p:.3f} in pitch, "
            f"{r:.3f} in roll, {result.split.focal_px.max():.2f} px in focal length: "
            f"{result.split.excess:.1f} times what independent corner noise explains"
        )
    for rejected in sorted((*seen.missing, *result.rejected), key=lambda r: (r.frame, r.eye)):
        eye = ("left", "right")[rejected.eye]
        words.append(f"{seen.names[rejected.frame]}, {eye} eye: not used, {rejected.reason}")
    words += [
        f"{seen.names[d.frame]}, {('left', 'right')[d.eye]} eye: left out of the start, {d.reason}"
        for d in result.opencv_dropped
    ]
    return words


def _as_data(
    result: ChartResult, seen: ChartFrames, calibration: Calibration, targets: tuple[Path, ...]
) -> dict[str, Any]:
    split = result.split
    names = ("yaw", "pitch", "roll")
    return {
        "swapped": calibration.swapped,
        "written": [str(target) for target in targets],
        "relative_rotation_deg": dict(
            zip(names, map(float, calibration.rig.yaw_pitch_roll_deg), strict=True)
        ),
        "sigma_deg": dict(zip(names, map(float, calibration.yaw_pitch_roll_sigma_deg), strict=True)),
        "focal_px": {"left": calibration.rig.left.focal_px, "right": calibration.rig.right.focal_px},
        "baseline_mm": calibration.rig.baseline_mm,
        "baseline_sigma_mm": result.baseline_sigma_mm,
        "reprojection_rms_px": {"left": result.rms_px[0], "right": result.rms_px[1]},
        "opencv_reprojection_rms_px": {"left": result.opencv_rms_px[0], "right": result.opencv_rms_px[1]},
        "frames": len(seen.names),
        "frames_used": len({v.frame for v in result.used}),
        "dropped_corners": result.dropped_corners,
        "board_bend_mm": result.bend_mm,
        "split_halves": None
        if split is None
        else {
            "largest_difference_deg": dict(
                zip(names, map(float, split.yaw_pitch_roll_deg.max(axis=0)), strict=True)
            ),
            "largest_focal_difference_px": float(split.focal_px.max()),
            "excess_over_noise": split.excess,
        },
        "rejected": [
            {"frame": seen.names[r.frame], "eye": ("left", "right")[r.eye], "reason": r.reason}
            for r in (*seen.missing, *result.rejected)
        ],
    }
