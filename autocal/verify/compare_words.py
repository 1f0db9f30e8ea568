"""A comparison as one sentence, as tables for a terminal, and as plain data for machines."""

from __future__ import annotations

from dataclasses import asdict
from math import isfinite
from typing import TYPE_CHECKING, Any

from autocal.verify.compare import NEAR_M, Comparison, zones
from autocal.verify.compare_parameters import JointTest
from autocal.verify.field import summed_up

if TYPE_CHECKING:
    from rich.console import RenderableType

    from autocal.verify.compare_on import ClipFit


def sentence(comparison: Comparison, name_a: str, name_b: str) -> str:
    """What matters, first."""
    field, vertical = comparison.map_summary(), comparison.vertical_summary()
    px = comparison.output_px_per_arcmin
    return (
        f"{name_b} differs from {name_a} by {field.rms:.2f}' rms over the field ({field.rms * px:.2f} px of "
        f"the finished picture, at most {field.largest * px:.1f}); used in its place it causes "
        f"{vertical.rms:.2f}' rms of vertical disparity, and puts its far plane "
        f"{comparison.far_plane_arcmin:+.1f}' from zero{_significance(comparison.tests)}."
    )


def _significance(tests: tuple[JointTest, ...]) -> str:
    rotation = next((test for test in tests if test.name == "relative rotation"), None)
    if rotation is None:
        return "; no uncertainty is known, so whether this is noise cannot be told"
    verb = "more than" if rotation.differs else "no more than"
    return f"; the rotations differ by {verb} their uncertainty explains (p = {rotation.p_value:.2g})"


def clip_sentence(fit: ClipFit, name_a: str, name_b: str) -> str:
    """Which of the two fits a clip better."""
    numbers = (
        f"{name_a} misses by {fit.miss_a_px:.2f} px, {name_b} by {fit.miss_b_px:.2f} px (typical, of "
        f"{fit.matches} matches in {fit.regions} regions; vertical disparity "
        f"{fit.vertical_a_arcmin:.2f}' and {fit.vertical_b_arcmin:.2f}')"
    )
    if fit.better is None:
        return f"On the clip {numbers}: chance explains the difference (p = {fit.p_value:.2g})."
    better = name_a if fit.better == "a" else name_b
    return f"On the clip {numbers}: {better} fits better (p = {fit.p_value:.2g})."


def tables(comparison: Comparison, name_a: str, name_b: str) -> list[RenderableType]:
    """The field by zones, the tests, and every number."""
    from rich.table import Column, Table

    def number(heading: str) -> Column:
        return Column(heading, no_wrap=True)  # of a number that is cut nothing is left

    px = comparison.output_px_per_arcmin
    field = Table(
        Column("zone", overflow="fold"),
        *map(number, ("map differs\nby, rms", "\n95 %", "\nlargest")),
        *map(number, ("vertical\ndisparity\nrms", "\n\n95 %", "\n\nlargest")),
        pad_edge=False,
    )
    for name, zone in zones():
        m, v = comparison.map_summary(zone), comparison.vertical_summary(zone)
        if m.covered:
            columns = [f"{value:.2f}'\n({value * px:.2f} px)" for value in (m.rms, m.p95, m.largest)]
            field.add_row(name, *columns, *(f"{value:.2f}'" for value in (v.rms, v.p95, v.largest)))
    numbers = Table(
        "",
        Column(name_a, overflow="fold"),
        number("sigma"),
        Column(name_b, overflow="fold"),
        number("sigma"),
        number("difference"),
        number("in\nsigmas"),
        pad_edge=False,
    )
    for p in comparison.parameters:
        if p.name.endswith("skew") and not (p.a or p.b):
            continue
        digits = ".3f" if p.unit == "px" else ".4f" if p.unit == "deg" else ".6f"
        numbers.add_row(
            f"{p.name} {p.unit}".rstrip(),
            *(_number(v, digits) for v in (p.a, p.sigma_a, p.b, p.sigma_b)),
            _number(p.difference, "+" + digits),
            _number(p.in_sigmas, "+.1f"),
        )
    parts: list[RenderableType] = [field, numbers]
    if comparison.tests:
        tests = Table("tested together", "chi-square", "degrees of freedom", "p", "")
        for t in comparison.tests:
            verdict = "differ" if t.differs else "do not differ"
            tests.add_row(
                t.name, f"{t.chi_square:.1f}", str(t.degrees_of_freedom), f"{t.p_value:.2g}", verdict
            )
        parts.append(tests)
    return parts


def _number(value: float, form: str) -> str:
    return format(value, form) if isfinite(value) else "-"


def as_data(comparison: Comparison) -> dict[str, Any]:
    """Plain data for JSON: every angle's unit is in its name; what is not known is None."""
    near = summed_up(comparison.vertical_near_arcmin, comparison.field)
    yaw, pitch, roll = comparison.common_rotation_deg
    data = {
        "map_difference_arcmin": {name: asdict(comparison.map_summary(zone)) for name, zone in zones()},
        "map_difference_rms_output_px": comparison.map_summary().rms * comparison.output_px_per_arcmin,
        "output_px_per_arcmin": comparison.output_px_per_arcmin,
        "vertical_disparity_arcmin": {
            name: asdict(comparison.vertical_summary(zone)) for name, zone in zones()
        },
        f"vertical_disparity_at_{NEAR_M:g}_m_arcmin": asdict(near),
        "far_plane_difference_arcmin": comparison.far_plane_arcmin,
        "common_rotation_deg": {"yaw": float(yaw), "pitch": float(pitch), "roll": float(roll)},
        "parameters": [
            {**asdict(p), "difference": p.difference, "in_sigmas": p.in_sigmas} for p in comparison.parameters
        ],
        "tests": [{**asdict(t), "differs": t.differs} for t in comparison.tests],
        "notes": list(comparison.notes),
    }
    return {key: without_nan(value) for key, value in data.items()}


def without_nan(value: Any) -> Any:
    """The same data with None for numbers that JSON cannot hold."""
    if isinstance(value, dict):
        return {key: without_nan(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [without_nan(inner) for inner in value]
    return None if isinstance(value, float) and not isfinite(value) else value
