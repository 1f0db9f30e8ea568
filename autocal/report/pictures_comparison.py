"""How two calibrations differ, as a picture: both eyes' map differences, and the vertical disparity."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from autocal.geometry.lens import Array
from autocal.report.pictures_style import (
    PANEL,
    QUIET_TEXT,
    TEXT,
    box,
    disparity_bar,
    disparity_scale,
    new_figure,
    write_figure,
    write_text,
)
from autocal.verify.compare import Comparison
from autocal.verify.field import Summary

if TYPE_CHECKING:
    from matplotlib.colors import BoundaryNorm, Colormap
    from matplotlib.figure import Figure

_PANEL_PX: Final = 640
_MARGIN_PX: Final = 56
_GAP_PX: Final = 48
_TOP_PX: Final = 170
_BELOW_PX: Final = 150
_REACH_DEG: Final = 95.0
_CIRCLES_DEG: Final = (30, 60, 90)
_SIZE_STEPS_ARCMIN: Final = (0.0, 0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0)
_LONGEST_ARROW_DEG: Final = 12.0
_ARROW_EVERY: Final = 3  # grid places
_ROUND_ARCMIN: Final = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1000)


def comparison_picture(comparison: Comparison, name_a: str, name_b: str) -> Figure:
    """Three panels of the field as A sees it: left eye, right eye, vertical disparity of far things."""
    width = 3 * _PANEL_PX + 2 * _GAP_PX + 2 * _MARGIN_PX
    figure = new_figure(width, _TOP_PX + _PANEL_PX + _BELOW_PX)
    write_text(figure, _MARGIN_PX, 32, f"{name_b} against {name_a}", size_px=34, bold=True)
    arrow_arcmin = _round_length(comparison)
    write_text(
        figure,
        _MARGIN_PX,
        84,
        "Where the same pixel is said to look, after the one rotation common to both eyes. "
        f"The longest arrows stand for {arrow_arcmin:g}′; a circle every 30° off axis.",
        size_px=19,
        colour=QUIET_TEXT,
    )
    colours, norm = _size_scale()
    places = [_MARGIN_PX + i * (_PANEL_PX + _GAP_PX) for i in range(3)]
    for eye, name in enumerate(("Left eye", "Right eye")):
        axes = _panel(figure, places[eye], name)
        _cells(axes, comparison, comparison.difference_arcmin[eye], colours, norm)
        _arrows(axes, comparison, eye, arrow_arcmin)
    axes = _panel(figure, places[2], "Vertical disparity")
    _cells(axes, comparison, comparison.vertical_arcmin, *disparity_scale())
    line = _TOP_PX + _PANEL_PX + 16
    write_text(figure, places[0], line, _words("Map difference", comparison.map_summary()), size_px=22)
    write_text(figure, places[2], line, _words("Far things", comparison.vertical_summary()), size_px=22)
    _size_bar(figure, places[0], line + 70, 2 * _PANEL_PX + _GAP_PX)
    disparity_bar(figure, places[2], line + 70, _PANEL_PX)
    return figure


def write_comparison_picture(
    path: str | Path, comparison: Comparison, name_a: str, name_b: str, *, overwrite: bool = False
) -> None:
    """Write `comparison_picture` as PNG. Raises OutputError where it cannot, or may not, be written."""
    write_figure(path, comparison_picture(comparison, name_a, name_b), overwrite=overwrite)


def _panel(figure: Figure, x_px: float, name: str) -> Any:
    from matplotlib.patches import Circle

    axes: Any = figure.add_axes(box(figure, x_px, _TOP_PX, _PANEL_PX, _PANEL_PX))
    axes.set_axis_off()
    # y down, as in the directions
    axes.set(xlim=(-_REACH_DEG, _REACH_DEG), ylim=(_REACH_DEG, -_REACH_DEG), aspect="equal")
    axes.add_patch(Circle((0, 0), _REACH_DEG - 2, fc=PANEL, ec="none", zorder=0))
    for angle in _CIRCLES_DEG:
        axes.add_patch(Circle((0, 0), angle, fill=False, ec=TEXT, alpha=0.4, lw=1.0, zorder=3))
    write_text(figure, x_px, _TOP_PX - 6, name, size_px=26, bold=True)
    return axes


def _cells(axes: Any, comparison: Comparison, values: Array, colours: Colormap, norm: BoundaryNorm) -> None:
    angles = comparison.field.angles_deg
    step = angles[1] - angles[0]
    edges = np.append(angles, angles[-1] + step) - step / 2
    axes.pcolormesh(edges, edges, np.ma.masked_invalid(values), cmap=colours, norm=norm, zorder=1)


def _arrows(axes: Any, comparison: Comparison, eye: int, arrow_arcmin: float) -> None:
    angles = comparison.field.angles_deg
    middle = len(angles) // 2 % _ARROW_EVERY
    x, y = np.meshgrid(angles[middle::_ARROW_EVERY], angles[middle::_ARROW_EVERY])
    shift = comparison.difference_deg[eye][middle::_ARROW_EVERY, middle::_ARROW_EVERY]
    seen = np.isfinite(shift).all(axis=-1)
    scale = _LONGEST_ARROW_DEG * 60.0 / arrow_arcmin
    axes.quiver(
        x[seen], y[seen], *(shift[seen] * scale).T,
        angles="xy", scale_units="xy", scale=1.0, color=TEXT, edgecolor=PANEL, linewidth=0.6,
        width=0.0045, headwidth=4, headlength=4.5, headaxislength=4, zorder=4,
    )  # fmt: skip


def _round_length(comparison: Comparison) -> float:
    largest = comparison.map_summary().p95
    return next((step for step in _ROUND_ARCMIN if step >= largest), _ROUND_ARCMIN[-1])


def _words(what: str, summary: Summary) -> str:
    return (
        f"{what}: {summary.rms:.2f}′ rms, 95 in 100 within {summary.p95:.2f}′, largest {summary.largest:.2f}′"
    )


def _size_scale() -> tuple[Colormap, BoundaryNorm]:
    """Sizes: from near black through blue to yellow, which colour-blind people tell apart."""
    from matplotlib import colormaps
    from matplotlib.colors import BoundaryNorm

    colours = colormaps["cividis"]
    return colours, BoundaryNorm(_SIZE_STEPS_ARCMIN, colours.N, extend="max")


def _size_bar(figure: Figure, x_px: float, y_px: float, width_px: float) -> None:
    from matplotlib.cm import ScalarMappable
    from matplotlib.colorbar import Colorbar

    colours, norm = _size_scale()
    axes: Any = figure.add_axes(box(figure, x_px, y_px, width_px, 18))
    bar = Colorbar(axes, ScalarMappable(norm, colours), orientation="horizontal", spacing="uniform")
    bar.set_ticks(list(_SIZE_STEPS_ARCMIN), labels=[f"{step:g}′" for step in _SIZE_STEPS_ARCMIN])
    bar.outline.set_visible(False)
    bar.ax.tick_params(colors=QUIET_TEXT, labelsize=12, length=0, pad=6)
    bar.ax.tick_params(which="minor", length=0)
