"""The report of a check: does the calibration hold, since when not, and would a viewer mind."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np

from autocal.calibration import Calibration
from autocal.geometry import Rig, matrix_from_yaw_pitch_roll
from autocal.report.figures_curves import far_histogram
from autocal.report.figures_field import disparity_disc
from autocal.report.figures_time import take_panels
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
from autocal.report.page_footage import one_picture, picture_of
from autocal.report.page_parts import as_sentence, cautions, facts_of, with_sigma
from autocal.report.page_table import Cell, Entry, Table
from autocal.report.pictures_disparity import FieldDisparity
from autocal.report.pictures_views import Half
from autocal.verify.check_result import AXES, CheckResult, UsedMatches
from autocal.verify.check_words import change_sentence, sentence, summary_lines

_STATES: Final[dict[str, State]] = {"holds": "good", "drifted": "bad", "cannot-tell": "unknown"}


def check_page(
    result: CheckResult,
    calibration: Calibration,
    name: str | None,
    clips: Sequence[str],
    picture: tuple[Half, Half] | None = None,
) -> str:
    """The page. name: of the calibration, None where a finished film was checked by itself; picture: left
    and right eye of a frame of the footage."""
    more = [as_sentence(line) for line in summary_lines(result) if line not in result.notes]
    verdict = Verdict(_STATES[result.verdict], sentence(result), tuple(more))
    sections: list[Section] = []
    if picture is not None and result.used is not None:
        sections.append(
            views(
                *picture,
                calibration.view_rig,
                _corrected(calibration, result).converged(np.deg2rad(calibration.far.shift_deg)),
                title="The film as it is" if name is None else "The footage with this calibration",
                intro=("As it is" if name is None else "As the calibration has it")
                + ", and with the remaining turn of the eyes taken away. Where the two look alike there is "
                "nothing to correct.",
                states=("as it is", "corrected"),
            )
        )
    if result.used is not None:
        sections += [_field(result.used, result), _time(result), _comfort(result), _far(result, result.used)]
    else:
        points = tuple(Point("Missing", as_sentence(text)) for text in result.missing)
        sections.append(Points("What is missing", "What the footage would need for a verdict.", points))
    sections += [
        _numbers(result),
        cautions(calibration.warnings, calibration.assumed, result.notes),
    ]
    checked = ", ".join(clips)
    if name is None:
        title, facts = f"Do the two eyes of {checked} agree?", [("Film checked", checked)]
    else:
        title = f"Does {name} hold for {checked}?"
        facts = [("Footage checked", checked), ("Calibration", name), *facts_of(calibration)]
    return page(title, verdict, sections, figures=_key_figures(result), facts=facts)


def write_check_report(
    folder: str | Path,
    result: CheckResult,
    calibration: Calibration,
    name: str,
    clips: Sequence[Path],
    *,
    left: Path | None = None,
    right: Path | None = None,
    overwrite: bool = False,
) -> Path:
    """Write `report.html` in `folder`, with a frame of the footage in it: of clips, or of two files.

    Raises OutputError as `write_page` does, FootageError where the footage is no longer there.
    """
    picture = None
    if result.used is not None:
        best = max(result.windows, key=lambda w: w.matches, default=None)
        place = None if best is None else (best.clip, best.first_frame)
        picture = one_picture(clips, swapped=calibration.swapped, place=place, left=left, right=right)
        height, width = picture[0].shape[:2]
        from autocal.exchange.any_file import carried_over

        calibration = carried_over(calibration, (width, height))
    files = [file.name for file in (*clips, left, right) if file is not None]
    html = check_page(result, calibration, name, files, picture)
    return write_page(folder, html, overwrite=overwrite)


def write_film_report(
    folder: str | Path, result: CheckResult, film: Path, *, overwrite: bool = False
) -> Path:
    """Write `report.html` in `folder` about the check of a finished film, with a frame of it.

    Raises OutputError as `write_page` does, FootageError where the film is no longer there.
    """
    from autocal.verify.film import film_calibration, open_film

    with open_film(film) as footage:
        calibration = film_calibration(footage.half_size[0])
        best = max(result.windows, key=lambda w: w.matches, default=None)
        place = None if best is None else (best.clip, best.first_frame)
        picture = None if result.used is None else picture_of(footage, place)
    html = check_page(result, calibration, None, [film.name], picture)
    return write_page(folder, html, overwrite=overwrite)


def _corrected(calibration: Calibration, result: CheckResult) -> Rig:
    """The rig with the remaining turn, half to each eye."""
    half = matrix_from_yaw_pitch_roll(*np.deg2rad(result.rotation_deg / 2))
    rig = calibration.rig
    return replace(rig, R_left=half.T @ rig.R_left, R_right=half @ rig.R_right)


def _key_figures(result: CheckResult) -> list[KeyFigure]:
    if result.used is None:
        return [KeyFigure("Matches", f"{result.matches:,}")]
    figures = [
        KeyFigure(f"Remaining {name}", *with_sigma(value, sigma))
        for name, value, sigma in zip(AXES, result.rotation_deg, result.sigma_deg, strict=True)
    ]
    size = with_sigma(result.size_percent, result.size_sigma_percent, " %")
    vertical = result.vertical
    return [
        *figures,
        KeyFigure("Size difference", *size),
        KeyFigure(
            "Vertical disparity",
            f"{vertical.median_absolute:.2f}′",
            f"median; 95 in 100: {vertical.p95:.1f}′",
        ),
        KeyFigure("Matches", f"{result.matches:,}", f"and {result.rejected:,} taken for mismatches"),
    ]


def _field(used: UsedMatches, result: CheckResult) -> Figure:
    good = used.agreeing
    middle = used.left[good] + used.right[good]
    middle /= np.linalg.norm(middle, axis=1, keepdims=True)
    field = FieldDisparity(middle, used.vertical_arcmin[good])
    left_over = f"{result.unexplained_arcmin:.1f}′ of it neither a turn nor a difference in size explain."
    return Figure(
        "Vertical disparity over the field",
        "Fresh matches of this footage with the calibration applied; a ring every 30° off the "
        "middle. White is "
        "within 1′; empty: too few matches.",
        (disparity_disc(field, "check-vertical", "With this calibration", left_over),),
    )


def _time(result: CheckResult) -> Figure:
    notes = tuple(as_sentence(change_sentence(change, result.windows)) for change in result.changes)
    panels: tuple[Panel, ...] = take_panels(result) if result.windows else ()
    return Figure(
        "Over the take",
        "How the right eye is turned against where the calibration has it, window by window, with one-sigma "
        "bars of the matches alone. A dashed line marks a step, a tinted span a slow drift.",
        panels,
        notes or ("No change within the take.",),
    )


def _comfort(result: CheckResult) -> Table:
    rows: list[tuple[Entry, ...]] = []
    for zone in result.zones:
        low, high = zone.zone_deg
        parts = (Cell(zone.parts_arcmin.get(part, float("nan")), ".1f", "′") for part in (*AXES, "size"))
        p95, noise = Cell(zone.p95_arcmin, ".1f", "′"), Cell(zone.noise_arcmin, ".1f", "′")
        grade = zone.grade or "too few matches"
        rows.append((f"{low:.0f} to {high:.0f}°", zone.matches, p95, noise, *parts, grade))
    return Table(
        "Viewing comfort by zone",
        "Local vertical disparity, 95th percentile, how much of it is noise, and what a remaining turn or a "
        "difference in size explains. Guidance only: a headset decides.",
        ("off axis", "matches", "95 in 100", "noise", *AXES, "size", "comfort"),
        tuple(rows),
        "comfort-by-zone",
    )


def _far(result: CheckResult, used: UsedMatches) -> Figure:
    far = result.far
    notes = [f"{far.diverging_share:.1%} of the matches would make the eyes diverge ({far.grade})."]
    if np.isfinite(far.edge_arcmin):
        edge = f"{far.edge_arcmin:+.1f}′ ± {far.edge_sigma_arcmin:.1f}′".replace("-", "−")
        notes.append(f"The far edge lies at {edge}.")
    return Figure(
        "The far plane",
        "Horizontal disparity in the finished views. The furthest things belong at zero, and nothing below.",
        (far_histogram(used.horizontal_arcmin[used.agreeing], "check-far"),),
        tuple(notes),
    )


def _numbers(result: CheckResult) -> Table:
    rows: list[tuple[Entry, ...]] = [
        (name, "deg", Cell(value, "+.4f"), Cell(sigma, ".4f"), Cell(alone, ".4f"))
        for name, value, sigma, alone in zip(
            AXES, result.rotation_deg, result.sigma_deg, result.sigma_matches_deg, strict=True
        )
    ]
    rows.append(
        (
            "size",
            "%",
            Cell(result.size_percent, "+.3f"),
            Cell(result.size_sigma_percent, ".3f"),
            Cell(np.nan),
        )
    )
    for number, window in enumerate(result.windows, 1):
        rows += [
            (
                f"window {number}, {window.start_s:.2f} s: {name}",
                "deg",
                Cell(value, "+.4f"),
                Cell(np.nan),
                Cell(sigma, ".4f"),
            )
            for name, value, sigma in zip(AXES, window.rotation_deg, window.sigma_deg, strict=True)
        ]
    return Table(
        "The numbers",
        "What remains after the calibration, for the whole take and window by window.",
        ("quantity", "unit", "remaining", "sigma", "sigma of the matches alone"),
        tuple(rows),
        "check-numbers",
        folded=True,
    )
