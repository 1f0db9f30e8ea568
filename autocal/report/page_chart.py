"""The report of a chart calibration: what the board said, where it was seen, what was not used."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from autocal.calibration import Calibration
from autocal.chart.calibrate import ChartResult
from autocal.geometry import Rig
from autocal.matches import LEFT, RIGHT
from autocal.report.figures_curves import lens_panels
from autocal.report.figures_field import coverage_disc, sigma_disc
from autocal.report.figures_views import views
from autocal.report.page import (
    Figure,
    KeyFigure,
    Panel,
    Point,
    Points,
    Section,
    State,
    Verdict,
    page,
    write_page,
)
from autocal.report.page_parts import as_sentence, cautions, facts_of, parameter_rows, with_sigma
from autocal.report.page_table import Table
from autocal.report.pictures_chart import covered_shares
from autocal.report.pictures_views import Half
from autocal.verify.field import ZONES_DEG, azimuthal_deg


def chart_page(
    result: ChartResult,
    calibration: Calibration,
    evidence: Sequence[str],
    picture: tuple[Half, Half] | None = None,
) -> str:
    """The page.

    calibration: as saved, with circles and footage; evidence: in sentences, how it came about; picture:
    left and right eye of a frame.
    """
    sections: list[Section] = []
    if picture is not None:
        sections.append(
            views(
                *picture,
                _without_rotation(calibration),
                calibration.view_rig,
                intro="One of the frames through these lenses with parallel axes (before) and with the "
                "rotation found (after). What lies one above the other is vertical disparity, and should "
                "be gone.",
            )
        )
    sections += [
        _coverage(result, calibration),
        Figure(
            "The lenses",
            "What each eye's lens does from the middle to the rim. Bands are two sigmas wide to either side; "
            "where none is seen it is thinner than the line.",
            lens_panels(calibration, "lens"),
        ),
        Points(
            "What it rests on",
            "",
            tuple(Point(as_sentence(text), "") for text in evidence),
        ),
        Table(
            "The numbers",
            "Every number of the calibration with one sigma.",
            ("quantity", "unit", "value", "sigma", "decided by"),
            parameter_rows(calibration),
            "chart-numbers",
            folded=True,
        ),
        cautions(calibration.warnings, calibration.assumed),
    ]
    unit = f" of {calibration.unit}" if calibration.unit else ""
    state: State = "caution" if calibration.warnings else "good"
    frames = len({view.frame for view in result.used})
    left, right = result.rms_px
    verdict = Verdict(
        state,
        f"{frames} frames of the board agree to {left:.2f} px in the left eye and {right:.2f} px in "
        "the right.",
        tuple(as_sentence(f"Warning: {text}") for text in calibration.warnings[:2]),
    )
    return page(
        f"Chart calibration{unit}",
        verdict,
        sections,
        figures=_key_figures(calibration),
        facts=facts_of(calibration),
    )


def write_chart_report(
    folder: str | Path,
    result: ChartResult,
    calibration: Calibration,
    evidence: Sequence[str],
    frames: Sequence[Path],
    *,
    overwrite: bool = False,
) -> Path:
    """Write `report.html` in `folder`, with the first frame in it.

    Raises OutputError as `write_page` does.
    """
    from autocal.report.page_footage import one_picture

    picture = one_picture(frames[:1], swapped=calibration.swapped, place=(0, 0))
    return write_page(folder, chart_page(result, calibration, evidence, picture), overwrite=overwrite)


def _without_rotation(calibration: Calibration) -> Rig:
    return replace(calibration.rig, R_left=np.eye(3), R_right=np.eye(3))


def _coverage(result: ChartResult, calibration: Calibration) -> Figure:
    panels: list[Panel] = []
    for eye, name in ((LEFT, "Left eye"), (RIGHT, "Right eye")):
        lens = calibration.rig.lens(eye)
        seen = [view for view in result.used if view.eye == eye]
        places = azimuthal_deg(lens.unproject(np.concatenate([view.pixel for view in seen])))
        places = places[np.isfinite(places).all(axis=1)]
        shares = ", ".join(
            f"{low:.0f}–{high:.0f}°: {share:.0%}"
            for (low, high), share in zip(ZONES_DEG, covered_shares(seen, lens), strict=True)
        )
        panels.append(coverage_disc(places, f"coverage-{eye}", name, f"Covered {shares}."))
    uncertain = sigma_disc(calibration, "chart-sigma")
    if uncertain is not None:
        panels.append(uncertain)
    return Figure(
        "Where the board was seen",
        "Every dot is a corner, at its angle off the lens's axis; a ring every 30°. Where no dots "
        "are, the lens "
        "is extrapolated.",
        tuple(panels),
    )


def _key_figures(calibration: Calibration) -> list[KeyFigure]:
    rig = calibration.rig
    names = ("Yaw", "Pitch", "Roll")
    figures = []
    for name, value, sigma in zip(
        names, rig.yaw_pitch_roll_deg, calibration.yaw_pitch_roll_sigma_deg, strict=True
    ):
        shown, note = with_sigma(value, sigma)
        figures.append(KeyFigure(name, shown, f"{note}, right eye against left"))
    focal = " and ".join(f"{lens.focal_px:.1f}" for lens in (rig.left, rig.right))
    return [
        *figures,
        KeyFigure("Focal lengths", focal, "px, left and right"),
        KeyFigure("Baseline", f"{rig.baseline_mm:.2f} mm", "set by the board's squares"),
    ]
