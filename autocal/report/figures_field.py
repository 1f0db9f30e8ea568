"""Figures over the field of view: discs, azimuthal equidistant, a ring every 30 degrees off axis."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from autocal.calibration import Calibration
from autocal.geometry.lens import Array
from autocal.report.figures_style import CARD, DISC, INK, QUIET, blank_panel, svg_panel
from autocal.report.page import Panel
from autocal.report.page_parts import arcmin
from autocal.report.pictures_disparity import FieldDisparity, cell_medians
from autocal.report.pictures_style import DISPARITY_STEPS_ARCMIN, disparity_scale
from autocal.verify.field import Field, field_grid

_REACH_DEG: Final = 95.0
_RINGS_DEG: Final = (30, 60, 90)
_SIZE_PX: Final = (460, 540)
_DOT: Final = "#1f7ae0"
_TOWERING: Final = 8.0
_RING: Final = "#83878d"  # seen on every colour of either scale


def disparity_disc(field: FieldDisparity, name: str, heading: str, caption: str) -> Panel:
    """Median vertical disparity in cells of the field."""
    cells = cell_medians(field)
    edges = np.linspace(-_REACH_DEG, _REACH_DEG, len(cells) + 1)
    sizes = np.abs(cells[np.isfinite(cells)])
    alt = (
        f"{heading}: disc of the field of view, coloured by vertical disparity; the middle cell of "
        f"{len(sizes)} shows {np.median(sizes):.2g} arcminutes, the worst {sizes.max():.2g}."
        if len(sizes)
        else f"{heading}: disc of the field of view, empty, too few matches."
    )
    figure, axes = _disc(heading)
    colours, norm = disparity_scale()
    mesh = axes.pcolormesh(
        edges, edges, np.ma.masked_invalid(cells), cmap=colours, norm=norm, rasterized=True, zorder=1
    )
    _bar(
        figure,
        axes,
        mesh,
        DISPARITY_STEPS_ARCMIN[1:-1],
        "vertical disparity: lower in right eye, in left eye",
    )
    return svg_panel(figure, name, alt, caption)


def sigma_disc(calibration: Calibration, name: str) -> Panel | None:
    """One sigma of the vertical disparity that the calibration leaves far things with; None where unknown."""
    from autocal.solver.uncertainty import FieldUncertainty

    if not np.any(calibration.covariance):
        return None
    field = field_grid(5.0)
    seen = field.solid_angle > 0
    rig = calibration.rig
    vertical = FieldUncertainty.of(rig, calibration.covariance, field.directions[seen]).vertical_sigma()
    sigma = np.full(seen.shape, np.nan)
    sigma[seen] = np.rad2deg(vertical) * 60
    middle = float(np.median(sigma[seen]))
    worst = float(sigma[seen].max())
    return size_disc(
        sigma,
        field,
        name,
        "Uncertainty, 1σ",
        f"Typically {arcmin(middle)}, at most {arcmin(worst)}. This is what the solve itself cannot tell; "
        "differences smaller than twice this mean nothing.",
        "one sigma of the vertical disparity of far things",
        steps_for(sigma),
    )


def size_disc(
    sizes: Array,
    field: Field,
    name: str,
    heading: str,
    caption: str,
    label: str,
    steps: Sequence[float],
    *,
    arrows_deg: Array | None = None,
) -> Panel:
    """Sizes (n, n), arcmin, over a field; arrows_deg: (n, n, 2), x right and y down."""
    from matplotlib import colormaps
    from matplotlib.colors import BoundaryNorm

    seen = np.isfinite(sizes)
    alt = (
        f"{heading}: disc of the field of view, {label}; median {np.median(sizes[seen]):.2g} arcminutes, "
        f"largest {sizes[seen].max():.2g}."
        if seen.any()
        else f"{heading}: disc of the field of view, empty."
    )
    figure, axes = _disc(heading)
    colours = colormaps["cividis"]
    norm = BoundaryNorm(steps, colours.N, extend="max")
    mesh = field_mesh(axes, field, sizes, colours, norm)
    if arrows_deg is not None:
        _arrows(axes, field, arrows_deg)
    _bar(figure, axes, mesh, steps, label)
    return svg_panel(figure, name, alt, caption)


def vertical_disc(values: Array, field: Field, name: str, heading: str, caption: str) -> Panel:
    """Vertical disparities (n, n), arcmin, over a field."""
    sizes = np.abs(values[np.isfinite(values)])
    largest = f"largest {sizes.max():.2g} arcminutes" if len(sizes) else "empty"
    figure, axes = _disc(heading)
    mesh = field_mesh(axes, field, values, *disparity_scale())
    _bar(
        figure,
        axes,
        mesh,
        DISPARITY_STEPS_ARCMIN[1:-1],
        "vertical disparity: lower in right eye, in left eye",
    )
    return svg_panel(
        figure, name, f"{heading}: disc of the field of view, vertical disparity, {largest}.", caption
    )


def steps_for(sizes: Array) -> tuple[float, ...]:
    """Round steps from zero to about the largest size; doubling where the rim towers over the rest."""
    from matplotlib.ticker import MaxNLocator

    seen = sizes[np.isfinite(sizes)]
    top = float(np.quantile(seen, 0.99)) if len(seen) else 1.0
    middle = float(np.median(seen)) if len(seen) else top
    if top > _TOWERING * middle > 0:
        first = int(np.floor(np.log2(middle))) - 1
        return (0.0, *(2.0**power for power in range(first, first + 8)))
    return tuple(MaxNLocator(8, steps=[1, 2, 2.5, 5, 10]).tick_values(0.0, max(top, 1e-3)))


def field_mesh(axes: Any, field: Field, values: Array, colours: Any, norm: Any) -> Any:
    """Cells of a field, whose y is down, on a disc, whose y is up."""
    angles = field.angles_deg
    step = angles[1] - angles[0]
    edges = np.append(angles, angles[-1] + step) - step / 2
    masked = np.ma.masked_invalid(values)
    return axes.pcolormesh(edges, -edges, masked, cmap=colours, norm=norm, rasterized=True, zorder=1)


def coverage_disc(places_deg: Array, name: str, heading: str, caption: str) -> Panel:
    """Where things were seen: places (n, 2), degrees off the lens's axis, x right and y down."""
    figure, axes = _disc(heading)
    x, y = places_deg.T
    axes.scatter(x, -y, s=9, color=_DOT, lw=0, rasterized=True, zorder=3)
    reach = np.hypot(x, y).max() if len(x) else 0.0
    alt = f"{heading}: disc of the field of view with {len(x)} dots, up to {reach:.0f} degrees off axis."
    return svg_panel(figure, name, alt, caption)


def _disc(heading: str) -> tuple[Any, Any]:
    from matplotlib.patches import Circle

    figure = blank_panel(*_SIZE_PX)
    axes: Any = figure.add_subplot()
    axes.set_axis_off()
    reach = _REACH_DEG + 2
    axes.set(xlim=(-reach, reach), ylim=(-reach, reach), aspect="equal")
    axes.set_title(heading, color=INK, fontsize=15, fontweight="bold", loc="left")
    axes.add_patch(Circle((0, 0), _REACH_DEG, fc=DISC, ec="none", zorder=0))
    for angle in _RINGS_DEG:
        axes.add_patch(Circle((0, 0), angle, fill=False, ec=_RING, lw=1.0, zorder=2))
        tilt = np.deg2rad(-45)
        place = angle * np.cos(tilt), angle * np.sin(tilt)
        plate = {"facecolor": CARD, "edgecolor": "none", "alpha": 0.85, "pad": 2}
        axes.text(*place, f"{angle}°", color=INK, fontsize=11, ha="center", va="center", zorder=5, bbox=plate)
    return figure, axes


def _bar(figure: Any, axes: Any, mesh: Any, steps: Sequence[float], label: str) -> None:
    bar = figure.colorbar(mesh, ax=axes, orientation="horizontal", spacing="uniform", fraction=0.05, pad=0.02)
    bar.set_ticks(list(steps), labels=[f"{step:g}".replace("-", "−") for step in steps])
    bar.outline.set_visible(False)
    bar.ax.tick_params(colors=QUIET, labelsize=10.5, length=0, pad=5)
    bar.ax.tick_params(which="minor", length=0)
    bar.set_label(f"{label} (arcmin)", color=QUIET, fontsize=11)
    bar.solids.set_rasterized(True)


def _arrows(axes: Any, field: Field, shift_deg: Array) -> None:
    every = max(1, len(field.angles_deg) // 14)
    start = len(field.angles_deg) // 2 % every
    angles = field.angles_deg[start::every]
    x, y = np.meshgrid(angles, angles)
    shift = shift_deg[start::every, start::every]
    seen = np.isfinite(shift).all(axis=-1)
    if not seen.any():
        return
    longest = float(np.quantile(np.linalg.norm(shift[seen], axis=-1), 0.95))
    scale = 0.1 * _REACH_DEG / max(longest, 1e-12)
    axes.quiver(
        x[seen], -y[seen], shift[seen][:, 0] * scale, -shift[seen][:, 1] * scale,
        angles="xy", scale_units="xy", scale=1.0, color=INK, edgecolor=CARD, linewidth=0.5,
        width=0.005, headwidth=4, headlength=4.5, headaxislength=4, zorder=4,
    )  # fmt: skip
