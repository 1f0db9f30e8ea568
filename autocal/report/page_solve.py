"""The report of a solve: what was found, how sure it is, and the pictures that let a person judge."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final, Protocol

import numpy as np
from numpy.typing import NDArray

from autocal.calibration import Calibration, Held
from autocal.geometry import Rig
from autocal.geometry.lens import Array
from autocal.geometry.parameters import RIG_NAMES
from autocal.report.figures_curves import far_histogram, horizontal_arcmin, lens_panels
from autocal.report.figures_field import disparity_disc, sigma_disc
from autocal.report.figures_style import figure_jpeg
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
from autocal.report.page_parts import arcmin, as_sentence, cautions, facts_of, parameter_rows, with_sigma
from autocal.report.page_table import Table
from autocal.report.pictures_disparity import ZONES_DEG, FieldDisparity, field_disparity
from autocal.report.pictures_matches import matches_picture
from autocal.report.pictures_views import Half
from autocal.report.verdict import comfort_level

#: 95th percentile of vertical disparity, arcmin: `autocal.report.verdict.comfort_level` says whose.
_COMFORTABLE, _FAIL = 8.0, 17.0
_WARNINGS_ON_TOP: Final = 2
_MEASURED_ON: Final = "on matches that the solve did not use"


class SeenByBoth(Protocol):
    """Eye pairs: px in each eye's half, (m, 2), and the frame (m,) they are of."""

    @property
    def left(self) -> Array: ...
    @property
    def right(self) -> Array: ...
    @property
    def frame(self) -> NDArray[Any]: ...


class SolveEvidence(Protocol):
    """What the report needs of a solve; `autocal.solving.Solved` has it, and says what each is."""

    @property
    def calibration(self) -> Calibration: ...
    @property
    def nominal(self) -> Rig: ...
    @property
    def unseen(self) -> SeenByBoth: ...
    @property
    def unseen_rig(self) -> Rig: ...
    @property
    def used(self) -> SeenByBoth: ...
    @property
    def rejected(self) -> SeenByBoth: ...
    @property
    def picture(self) -> tuple[Half, Half]: ...
    @property
    def picture_frame(self) -> int: ...


def solve_page(solved: SolveEvidence, *, map_height: int = 4096) -> str:
    """The page. map_height: px for 180 degrees in the finished picture."""
    calibration = solved.calibration
    unit = f" of {calibration.unit}" if calibration.unit else ""
    before = field_disparity(solved.nominal, solved.unseen.left, solved.unseen.right)
    after = field_disparity(solved.unseen_rig, solved.unseen.left, solved.unseen.right)
    sections: list[Section] = [
        views(
            *solved.picture,
            solved.nominal,
            calibration.view_rig,
            intro="One frame of the footage through the lenses as they were assumed (before) and through "
            "this calibration (after). What lies side by side is depth. What lies one above the other is "
            "vertical disparity, and should be gone.",
            map_height=map_height,
        ),
        _vertical_section(before, after, calibration),
        _far_section(solved),
        _matches_section(solved),
        Figure(
            "The lenses",
            "What each eye's lens does from the middle to the rim. Bands are two sigmas wide to either side; "
            "where none is seen it is thinner than the line.",
            lens_panels(calibration, "lens"),
        ),
        _held_section(calibration),
        Table(
            "The numbers",
            "Every number of the calibration with one sigma. Single lens terms trade against each other: "
            "judge by the field above, not by them.",
            ("quantity", "unit", "value", "sigma", "decided by"),
            parameter_rows(calibration),
            "calibration-numbers",
            folded=True,
        ),
        cautions(calibration.warnings, calibration.assumed),
    ]
    return page(
        f"Calibration{unit}",
        verdict(calibration),
        sections,
        figures=_key_figures(calibration),
        facts=facts_of(calibration),
    )


def verdict(calibration: Calibration) -> Verdict:
    """The sentence at the top: what the calibration does to unseen matches, and what qualifies it."""
    q = calibration.quality
    if q is None:
        return Verdict(
            "unknown", "Calibrated, but nothing was measured on matches that the solve did not use."
        )
    level = comfort_level(q.vertical_p95_arcmin)
    state: State = "good" if q.vertical_p95_arcmin <= _COMFORTABLE else "caution"
    if q.vertical_p95_arcmin > _FAIL or q.vertical_after_arcmin >= q.vertical_before_arcmin:
        state = "bad"
    before, after = arcmin(q.vertical_before_arcmin), arcmin(q.vertical_after_arcmin)
    sentence = f"Vertical disparity falls from {before} to {after}"
    if q.vertical_after_arcmin >= q.vertical_before_arcmin:
        sentence = f"This does not help: vertical disparity is {after} with it, {before} without"
    sentence += f", measured on {q.unseen_matches:,} matches that the solve did not use."
    more = [
        f"95 in 100 lie within {arcmin(q.vertical_p95_arcmin)}: {level} by the guidance for viewing comfort."
    ]
    held = [h for h in calibration.held if h.names]
    if held:
        what = "some numbers" if len(held) > 1 else "one group of numbers"
        more.append(f"The footage did not decide {what}: see what was held, and what to film to release it.")
    if calibration.warnings:
        state = "caution" if state == "good" else state
    more += [f"Warning: {as_sentence(text)}" for text in calibration.warnings[:_WARNINGS_ON_TOP]]
    if len(calibration.warnings) > _WARNINGS_ON_TOP:
        more.append("There are more warnings: see the cautions.")
    return Verdict(state, sentence, tuple(more))


def write_solve_report(
    folder: str | Path, solved: SolveEvidence, *, map_height: int = 4096, overwrite: bool = False
) -> Path:
    """Write `report.html` in `folder`. Raises OutputError as `write_page` does."""
    return write_page(folder, solve_page(solved, map_height=map_height), overwrite=overwrite)


def _key_figures(calibration: Calibration) -> list[KeyFigure]:
    values, sigmas = calibration.rig.yaw_pitch_roll_deg, calibration.yaw_pitch_roll_sigma_deg
    known = bool(np.any(calibration.covariance))
    figures = []
    for name, value, sigma in zip(("Yaw", "Pitch", "Roll"), values, sigmas, strict=True):
        shown, note = with_sigma(value, sigma)
        figures.append(KeyFigure(name, shown, f"{note}, right eye against left"))
    ratio = calibration.rig.right.focal_px / calibration.rig.left.focal_px
    ratio_sigma = ratio * calibration.sigma["focal_difference"]
    note = f"± {ratio_sigma:.5f}, right to left" if known else "right to left"
    figures.append(KeyFigure("Focal ratio", f"{ratio:.5f}", note))
    if calibration.quality is not None:
        sure = calibration.quality.map_sigma_deg
        figures.append(KeyFigure("Directions sure to", f"{sure:.2g}°", "1σ, rms over the field"))
    far = calibration.far
    if np.isfinite(far.far_edge_deg):
        note = f"beyond geometric infinity by {arcmin(60 * -far.far_edge_deg)}"
        if far.far_edge_deg >= 0:
            note = f"nearer than geometric infinity by {arcmin(60 * far.far_edge_deg)}"
        figures.append(KeyFigure("Far plane shifted by", arcmin(60 * far.shift_deg), f"far edge {note}"))
    return figures


def _vertical_section(before: FieldDisparity, after: FieldDisparity, calibration: Calibration) -> Figure:
    panels = [
        disparity_disc(before, "vertical-before", "Before", _zones(before)),
        disparity_disc(after, "vertical-after", "After", _zones(after)),
    ]
    uncertain = sigma_disc(calibration, "vertical-sigma")
    if uncertain is not None:
        panels.append(uncertain)
    return Figure(
        "Vertical disparity over the field",
        f"Each disc is the field of view, a ring every 30° off the middle; measured {_MEASURED_ON}. 1′ (a "
        "sixtieth of a degree) is about 0.4 px of an 8192 x 4096 map. White is within 1′; empty: too few "
        "matches.",
        tuple(panels),
    )


def _zones(field: FieldDisparity) -> str:
    parts = []
    for inner, outer in ZONES_DEG:
        sizes = np.abs(field.within(inner, outer))
        parts.append(
            f"{inner}–{outer}°: {arcmin(float(np.quantile(sizes, 0.95))) if len(sizes) else 'no matches'}"
        )
    return "95 in 100 within " + ", ".join(parts)


def _far_section(solved: SolveEvidence) -> Figure:
    calibration = solved.calibration
    far = calibration.far
    infinity = -60 * far.shift_deg
    used = solved.used
    disparity = horizontal_arcmin(calibration.view_rig, used.left, used.right)
    panel = far_histogram(disparity, "far", infinity)
    share, beyond = float(np.mean(disparity < 0)), float(np.mean(disparity < -_FAIL))
    how = {
        "auto": "The furthest things of the footage were brought to zero disparity.",
        "infinity": "Nothing was shifted: infinity is where the geometry puts it.",
        "keep": "The views were shifted as asked.",
    }.get(far.mode, "")
    notes = [f"{how} Half the shift of {arcmin(60 * far.shift_deg)} goes to each eye."]
    if np.isfinite(far.far_edge_deg):
        notes.append(
            f"Before the shift the far edge lay at {arcmin(60 * far.far_edge_deg)} ± "
            f"{arcmin(60 * far.sigma_deg)}, where {far.matches:,} matches support it."
        )
    else:
        notes.append("The footage shows no far edge: film something further than 30 m away to set it.")
    notes.append(
        f"{share:.1%} of the matches lie below zero, where the eyes would diverge, {beyond:.1%} by more "
        f"than {_FAIL:g}′. Noise puts some far things there; many would mean that the shift is wrong."
    )
    return Figure(
        "The far plane",
        "How far everything is: horizontal disparity of the matches in the finished views. The furthest "
        "things belong at zero, and nothing below.",
        (panel,),
        tuple(notes),
    )


def _matches_section(solved: SolveEvidence) -> Figure:
    used, rejected = solved.used, solved.rejected
    here = used.frame == solved.picture_frame
    there = rejected.frame == solved.picture_frame
    rig = solved.calibration.rig
    left, right = used.left[here], used.right[here]
    directions = field_disparity(rig, left, right)
    seen = np.isfinite(rig.directions(0, left)).all(axis=1) & np.isfinite(rig.directions(1, right)).all(
        axis=1
    )
    picture = matches_picture(
        *solved.picture,
        left[seen],
        right[seen],
        directions.vertical_arcmin,
        rejected.left[there],
        rejected.right[there],
        subtitle="Dots were used; their colour is the vertical disparity left. Crosses were not believed.",
    )
    frames = len(np.unique(np.concatenate([used.frame, rejected.frame])))
    drawn = f"{int(here.sum()):,} matches used and {int(there.sum()):,} rejected"
    alt = f"One frame, both halves, with {drawn} drawn in."
    share = len(rejected.frame) / max(len(used.frame) + len(rejected.frame), 1)
    caption = (
        f"All {frames} frames together: {len(used.frame):,} matches between the eyes used, "
        f"{len(rejected.frame):,} rejected ({share:.0%})."
    )
    return Figure(
        "Matches",
        "Where the footage spoke. Parts of the picture without dots were not measured: there the lens model "
        "carries on from its neighbours.",
        (Panel(figure_jpeg(picture, alt), alt, caption, wide=True),),
    )


def _held_section(calibration: Calibration) -> Points:
    held = [h for h in calibration.held if h.names]
    points = tuple(
        Point(_named(h), f"{h.reason[:1].upper()}{h.reason[1:]}.", f"To release it: {h.film}.") for h in held
    )
    if not points:
        points = (Point("Nothing was held", "The footage decided every number that the model has."),)
    return Points(
        "What was held, and what to film next",
        "Numbers that the footage did not decide stay at what was known before; their uncertainty is counted "
        "in everything above.",
        points,
    )


def _named(held: Held) -> str:
    names = _with_differences_folded(held.names)
    text = "; ".join(names) if len(names) <= 6 else f"{'; '.join(names[:5])}; and {len(names) - 5} more"
    return text[:1].upper() + text[1:]


def _with_differences_folded(names: Sequence[str]) -> list[str]:
    """Names in words: a mean of both eyes and their difference are one entry where both are held."""
    words = []
    for base in dict.fromkeys(name.removesuffix("_difference") for name in names):
        plain = base.replace("_", " ").replace("focal", "focal length")
        if f"{base}_difference" not in names:
            words.append(plain if base in RIG_NAMES else f"{plain}, common to both eyes")
        else:
            words.append(f"{plain}, either eye" if base in names else f"{plain}, right against left")
    return words
