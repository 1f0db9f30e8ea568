"""The result of a check in sentences, tables, and as plain data for machines."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from autocal.verify.check_change import LEVEL, Change
from autocal.verify.check_comfort import (
    CAUTION,
    DIVERGENCE_LIMITS_ARCMIN,
    SOURCES,
    VERTICAL_LIMITS_ARCMIN,
)
from autocal.verify.check_result import AXES, CheckResult
from autocal.verify.check_verdict import (
    HAND_STEP_DEG,
    MATTERS_DEG,
    MATTERS_SIZE_PERCENT,
    SIGNIFICANCE,
    SIZE_STEP_PERCENT,
)
from autocal.verify.check_windows import Window
from autocal.verify.compare_words import without_nan

if TYPE_CHECKING:
    from rich.table import Table

_WAYS = {"yaw": ("right", "left"), "pitch": ("up", "down"), "roll": ("clockwise", "counterclockwise")}


def sentence(result: CheckResult) -> str:
    """The verdict, for a person."""
    if result.verdict == "cannot-tell":
        return "CANNOT TELL: " + "; ".join(result.missing)
    if result.verdict == "drifted":
        return f"DRIFTED: {'; '.join(_drifts(result))}{_since(result)}."
    bound = 1.96 * result.sigma_deg + np.abs(result.rotation_deg)
    return (
        "HOLDS: what remains is within "
        + ", ".join(f"{b:.3f}° of {name}" for name, b in zip(AXES, bound, strict=True))
        + " (95 %)."
    )


def change_sentence(change: Change, windows: Sequence[Window]) -> str:
    """What changed within the take, and when."""
    first, last = windows[change.first], windows[change.last]
    parts = ", ".join(
        f"{name} {size:+.4f} ± {sigma:.4f}°"
        for name, size, sigma in zip(AXES, change.size_deg, change.sigma_deg, strict=True)
    )
    if change.kind == "step":
        return f"a step {_between(first, last)}: {parts}"
    return f"a slow drift {_span(first, last)}: {parts}"


def summary_lines(result: CheckResult) -> list[str]:
    """What stands below the verdict: changes, disparity, comfort, the far plane, notes."""
    lines = [change_sentence(change, result.windows) for change in result.changes]
    if result.used is None:
        return [*lines, *result.notes]
    lines.append(
        f"vertical disparity of single matches, with their noise: {result.vertical.median_absolute:.2f}' "
        f"(median), {result.vertical.p95:.2f}' (95th percentile) on {result.matches} matches; "
        f"{result.rejected} taken for mismatches"
    )
    if result.comfort:
        lines.append(f"comfort: {result.comfort}, by what neighbouring matches have in common. {CAUTION}")
    far = result.far
    edge = (
        ""
        if np.isnan(far.edge_arcmin)
        else f"; far edge at {far.edge_arcmin:+.1f} ± {far.edge_sigma_arcmin:.1f}'"
    )
    lines.append(
        f"far plane: {100 * far.diverging_share:.1f} % of the matches make eyes diverge{edge} ({far.grade})"
    )
    return [*lines, *result.notes]


def tables(result: CheckResult) -> list[Table]:
    """The remaining rotation, the zones and the windows, as tables for a terminal."""
    from rich.table import Table

    if result.used is None:
        return []
    turn = Table("", "remaining", "sigma", "in sigmas", "of the matches alone")
    rows = zip(AXES, result.rotation_deg, result.sigma_deg, result.sigma_matches_deg, strict=True)
    for name, value, sigma, alone in rows:
        turn.add_row(name, f"{value:+.4f}°", f"{sigma:.4f}°", f"{value / sigma:+.1f}", f"{alone:.4f}°")
    size, sigma = result.size_percent, result.size_sigma_percent
    turn.add_row("size", f"{size:+.3f} %", f"{sigma:.3f} %", f"{size / sigma:+.1f}", "")
    field = Table("off axis", "local vertical disparity, 95 %", "noise", "explained by", "comfort")
    for zone in result.zones:
        parts = ", ".join(f"{name} {value:.1f}'" for name, value in zone.parts_arcmin.items() if value >= 0.5)
        low, high = zone.zone_deg
        if zone.grade is None:
            field.add_row(f"{low:.0f} to {high:.0f}°", "too few matches", "", "", "")
        else:
            field.add_row(
                f"{low:.0f} to {high:.0f}°",
                f"{zone.p95_arcmin:.1f}'",
                f"{zone.noise_arcmin:.1f}'",
                parts or "nothing above 0.5'",
                zone.grade,
            )
    if len(result.windows) < 2:
        return [turn, field]
    time = Table("time", *(f"{name}" for name in AXES), "matches", title="over the take")
    for w in result.windows:
        numbers = [f"{v:+.4f} ± {s:.4f}°" for v, s in zip(w.rotation_deg, w.sigma_deg, strict=True)]
        time.add_row(_at(w), *numbers, str(w.matches))
    return [turn, field, time]


def as_data(result: CheckResult) -> dict[str, Any]:
    """Plain data for JSON; NaN becomes None."""
    far = result.far
    document: dict[str, Any] = {
        "verdict": result.verdict,
        "summary": sentence(result),
        "remaining_rotation_deg": _by_axis(result.rotation_deg),
        "sigma_deg": _by_axis(result.sigma_deg),
        "sigma_of_matches_deg": _by_axis(result.sigma_matches_deg),
        "vertical_disparity_arcmin": {
            "median_absolute": result.vertical.median_absolute,
            "p95": result.vertical.p95,
        },
        "matches": result.matches,
        "rejected": result.rejected,
        "drifted_axes": list(result.drifted_axes),
        "missing": list(result.missing),
        "p_value": result.p_value,
        "size_percent": {"value": result.size_percent, "sigma": result.size_sigma_percent},
        "unexplained_arcmin": result.unexplained_arcmin,
        "decision": {
            "significance": SIGNIFICANCE,
            "matters_deg": MATTERS_DEG,
            "excluded_deg": HAND_STEP_DEG,
            "matters_size_percent": MATTERS_SIZE_PERCENT,
            "excluded_size_percent": SIZE_STEP_PERCENT,
            "change_significance": LEVEL,
        },
        "changes": [
            {
                "kind": c.kind,
                "first_window": c.first,
                "last_window": c.last,
                "size_deg": _by_axis(c.size_deg),
                "sigma_deg": _by_axis(c.sigma_deg),
                "p_value": c.p_value,
                "summary": change_sentence(c, result.windows),
            }
            for c in result.changes
        ],
        "windows": [
            {
                "clip": w.clip,
                "frames": [w.first_frame, w.last_frame],
                "start_s": w.start_s,
                "end_s": w.end_s,
                "rotation_deg": _by_axis(w.rotation_deg),
                "sigma_deg": _by_axis(w.sigma_deg),
                "matches": w.matches,
                "rejected": w.rejected,
            }
            for w in result.windows
        ],
        "comfort": {
            "grade": result.comfort,
            "zones": [
                {
                    "off_axis_deg": list(z.zone_deg),
                    "matches": z.matches,
                    "cells": z.cells,
                    "median_absolute_arcmin": z.median_absolute_arcmin,
                    "p95_arcmin": z.p95_arcmin,
                    "noise_arcmin": z.noise_arcmin,
                    "explained_arcmin": dict(z.parts_arcmin),
                    "grade": z.grade,
                }
                for z in result.zones
            ],
            "limits_arcmin": list(VERTICAL_LIMITS_ARCMIN),
            "sources": list(SOURCES),
            "caution": CAUTION,
        },
        "far_plane": {
            "diverging_share": far.diverging_share,
            "p5_arcmin": far.p5_arcmin,
            "edge_arcmin": far.edge_arcmin,
            "edge_sigma_arcmin": far.edge_sigma_arcmin,
            "grade": far.grade,
            "limits_arcmin": list(DIVERGENCE_LIMITS_ARCMIN),
        },
        "notes": list(result.notes),
    }
    data: dict[str, Any] = without_nan(document)
    return data


def _drifts(result: CheckResult) -> list[str]:
    words = []
    for i, name in enumerate(AXES):
        if name not in result.drifted_axes:
            continue
        value, sigma = result.rotation_deg[i], result.sigma_deg[i]
        if abs(value) > MATTERS_DEG:
            way = _WAYS[name][0 if value > 0 else 1]
            words.append(f"{name} {value:+.4f} ± {sigma:.4f}° (right eye turned {way})")
        else:  # back where the calibration has it, but not all through the clip
            change = max(result.changes, key=lambda change: abs(float(change.size_deg[i])))
            words.append(f"{name} changed by {change.size_deg[i]:+.4f} ± {change.sigma_deg[i]:.4f}°")
    if "size" in result.drifted_axes:
        words.append(
            f"size {result.size_percent:+.3f} ± {result.size_sigma_percent:.3f} % (right picture against "
            "left: a lens refocused or exchanged)"
        )
    if "lenses" in result.drifted_axes:
        words.append(
            f"{result.unexplained_arcmin:.1f}' of vertical disparity that no turn of the eyes explains: "
            "other lenses, another focus or another crop than the calibration's; solve again"
        )
    return words


def _since(result: CheckResult) -> str:
    """When the drift began, as far as the take shows."""
    moved = np.isin(AXES, result.drifted_axes)
    to_blame = [c for c in result.changes if np.any(np.abs(c.size_deg[moved]) > MATTERS_DEG)]
    if not to_blame:
        return ", all through the clip" if len(result.windows) > 1 else ""
    last = max(to_blame, key=lambda change: change.first)
    first, second = result.windows[last.first], result.windows[last.last]
    if last.kind == "step":
        return f", since a step {_between(first, second)}"
    return f", drifting slowly {_span(first, second)} (the mean is given)"


def _between(first: Window, last: Window) -> str:
    if first.clip != last.clip:
        return f"between clip {first.clip + 1} and clip {last.clip + 1}"
    return f"between {first.end_s:.2f} s and {last.start_s:.2f} s{_of(first)}"


def _span(first: Window, last: Window) -> str:
    if first.clip != last.clip:
        return f"from clip {first.clip + 1} to clip {last.clip + 1}"
    return f"from {first.start_s:.2f} s to {last.end_s:.2f} s{_of(first)}"


def _of(window: Window) -> str:
    return f" of clip {window.clip + 1}" if window.clip else ""


def _at(window: Window) -> str:
    clip = f"clip {window.clip + 1}, " if window.clip else ""
    return f"{clip}{window.start_s:.2f} s"


def _by_axis(values: Any) -> dict[str, float]:
    return dict(zip(AXES, map(float, values), strict=True))
