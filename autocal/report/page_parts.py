"""Sections that several reports have: cautions, the numbers of a calibration, where it came from."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from autocal.calibration import Calibration
from autocal.report.page import Point, Points
from autocal.report.page_table import Cell, Entry
from autocal.report.verdict import CAUTION
from autocal.verify.check_comfort import SOURCES
from autocal.verify.compare_parameters import people_values

_FORMS = {"deg": ".4f", "px": ".3f", "": ".6f"}


def cautions(
    warnings: Sequence[str], assumed: Sequence[str], notes: Sequence[str] = (), *, limits: bool = True
) -> Points:
    """Warnings first, then what was taken for granted, then how far to trust figures.

    limits: whether the page speaks of viewing comfort, so that the sources belong on it.
    """
    heads = (("Warnings", warnings), ("Taken for granted", assumed), ("Notes", notes))
    points = [Point(head, " ".join(map(as_sentence, texts))) for head, texts in heads if texts]
    points.append(Point("Guidance, not law", CAUTION))
    if limits:
        points.append(Point("Whose limits", " ".join(as_sentence(source) for source in SOURCES)))
    return Points("Cautions", "", tuple(points))


def parameter_rows(calibration: Calibration) -> tuple[tuple[Entry, ...], ...]:
    """quantity, unit, value, sigma, decided by: every number of a calibration."""
    solved = set(calibration.solved)
    rows: list[tuple[Entry, ...]] = []
    for name, unit, value, sigma in people_values(calibration):
        if name.endswith("skew") and not value:
            continue
        form = _FORMS.get(unit, ".4f")
        rows.append((name, unit, Cell(value, form), Cell(sigma, form), _decided_by(name, solved)))
    rig = calibration.rig
    scale = "scale known before"  # stated or assumed, or by a board's squares: the cautions say which
    rows.append(("baseline", "mm", Cell(rig.baseline_mm, ".2f"), Cell(float("nan")), scale))
    return tuple(rows)


def _decided_by(name: str, solved: set[str]) -> str:
    """Which of the footage and what was known before decided a number, as the solve has it."""
    turns = {"yaw": "rotation_y", "pitch": "rotation_x", "roll": "rotation_z"}
    eye, _, rest = name.partition(" ")
    if eye not in ("left", "right"):
        return "footage" if turns.get(name, name.replace(" ", "_")) in solved else "known before"
    if rest == "skew":
        return "known before"
    plain = rest.replace("focal length", "focal").replace(" ", "_")
    common, difference = plain in solved, f"{plain}_difference" in solved
    if common and difference:
        return "footage"
    if common:
        return "footage, alike in both eyes"
    return "known before; the difference by footage" if difference else "known before"


def facts_of(calibration: Calibration) -> list[tuple[str, str]]:
    """Name and value of where a calibration came from."""
    facts = []
    if calibration.unit:
        facts.append(("Unit", calibration.unit))
    if calibration.made:
        facts.append(("Calibrated", calibration.made))
    source = calibration.footage
    if source is not None:
        facts.append(("Footage", ", ".join(source.files)))
        facts.append(("Frame size", f"{source.frame_size[0]} x {source.frame_size[1]} px, both eyes"))
        facts.append(("Frames used", str(len(source.frames))))
        if source.observations:
            facts.append(("Observations", f"{source.observations:,} of {source.tracks:,} things"))
        facts.append(("Digest", source.digest))
        facts += [("Note", note) for note in source.notes]
    if calibration.swapped:
        facts.append(("Eyes", "the left eye's picture is in the right half: taken into account"))
    facts.append(("Baseline", f"{calibration.rig.baseline_mm:g} mm"))
    return facts


def as_sentence(text: str) -> str:
    """A remark with a capital and a full stop."""
    text = text.strip()
    return f"{text[:1].upper()}{text[1:]}{'' if text.endswith(('.', '!', '?')) else '.'}"


def with_sigma(value: float, sigma: float, unit: str = "°") -> tuple[str, str]:
    """A value and its sigma as people read them: to two figures of the sigma, at most five decimals."""
    known = np.isfinite(sigma) and sigma > 0
    digits = int(np.clip(np.ceil(-np.log10(sigma)) + 1, 2, 5)) if known else 3
    shown = f"{value:+.{digits}f}{unit}".replace("-", "−")
    return shown, f"± {sigma:.{digits}f}{unit}" if known else "uncertainty not known"


def arcmin(value: float) -> str:
    """An angle as people read it here: about two figures that count."""
    return f"{value:.{2 if abs(value) < 1 else 1 if abs(value) < 10 else 0}f}′".replace("-", "−")
