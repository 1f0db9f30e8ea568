"""Vertical disparity over the field, before and after: what the eyes would have to put up with."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from autocal.geometry import Rig, vertical_disparity
from autocal.geometry.epipolar import robust_spread
from autocal.geometry.lens import Array
from autocal.matches import LEFT, RIGHT
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

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: Side of a cell of the field, degrees, and how many matches make a cell worth colouring.
_CELL_DEG: Final = 5.0
_FEWEST_IN_CELL: Final = 3
_FIELD_DEG: Final = 95.0
_CIRCLES_DEG: Final = (30, 60, 90)
ZONES_DEG: Final = ((0, 30), (30, 60), (60, 90))
_PANEL_PX: Final = 820
_MARGIN_PX: Final = 48


@dataclass(frozen=True, eq=False)
class FieldDisparity:
    """Vertical disparity of matches over the field.

    directions: (n, 3), unit, rig frame, the mean of what the two eyes see;
    vertical_arcmin: (n,), positive where the left eye sees the point lower.
    """

    directions: Array
    vertical_arcmin: Array

    def within(self, inner_deg: float, outer_deg: float) -> Array:
        """The disparities (m,) of matches that far from the view's centre."""
        off_axis = np.rad2deg(np.arccos(np.clip(self.directions[:, 2], -1, 1)))
        return self.vertical_arcmin[(off_axis >= inner_deg) & (off_axis < outer_deg)]


def field_disparity(rig: Rig, pixels_left: Array, pixels_right: Array) -> FieldDisparity:
    """Vertical disparity of eye-to-eye matches, pixels (n, 2) of each eye's half, as `rig` has it.

    Matches outside the range of a lens are left out.
    """
    left, right = rig.directions(LEFT, pixels_left), rig.directions(RIGHT, pixels_right)
    seen = np.isfinite(left).all(axis=1) & np.isfinite(right).all(axis=1)
    left, right = left[seen], right[seen]
    middle = left + right
    middle /= np.linalg.norm(middle, axis=1, keepdims=True)
    return FieldDisparity(middle, np.rad2deg(vertical_disparity(left, right)) * 60)


def disparity_picture(before: FieldDisparity, after: FieldDisparity, *, subtitle: str = "") -> Figure:
    """Two panels of the field, one scale, and the spread in numbers under each."""
    gap, top, below = 72, 150, 290
    figure = new_figure(2 * _PANEL_PX + gap + 2 * _MARGIN_PX, top + _PANEL_PX + below)
    write_text(figure, _MARGIN_PX, 36, "Vertical disparity over the field", size_px=36, bold=True)
    write_text(figure, _MARGIN_PX, 88, subtitle, size_px=20, colour=QUIET_TEXT)
    for place, (name, field) in enumerate((("Before", before), ("After", after))):
        x = _MARGIN_PX + place * (_PANEL_PX + gap)
        _panel(figure, x, top, field)
        write_text(figure, x, top + 6, name, size_px=28, bold=True)
        _numbers(figure, x, top + _PANEL_PX + 14, field)
    _scale(figure, top + _PANEL_PX + below - 92)
    return figure


def write_disparity_picture(
    path: str | Path,
    before: FieldDisparity,
    after: FieldDisparity,
    *,
    subtitle: str = "",
    overwrite: bool = False,
) -> None:
    """Write `disparity_picture` as PNG. Raises OutputError where it cannot, or may not, be written."""
    write_figure(path, disparity_picture(before, after, subtitle=subtitle), overwrite=overwrite)


def cell_medians(field: FieldDisparity) -> NDArray[np.float64]:
    """Median disparity, arcmin, in square cells of the azimuthal field; NaN where too few matches.

    The field is azimuthal equidistant: distance from the middle is the angle off axis. Row 0 is
    the lowest, column 0 the leftmost cell of a square of 2 x 95 degrees.
    """
    n = round(2 * _FIELD_DEG / _CELL_DEG)
    across, up = _azimuthal_deg(field.directions)
    column, row = (np.floor((angle + _FIELD_DEG) / _CELL_DEG).astype(int) for angle in (across, up))
    inside = (column >= 0) & (column < n) & (row >= 0) & (row < n)
    cell, values = (row * n + column)[inside], field.vertical_arcmin[inside]
    order = np.argsort(cell, kind="stable")
    cells, starts, counts = np.unique(cell[order], return_index=True, return_counts=True)
    medians = np.full(n * n, np.nan)
    for which, start, count in zip(cells, starts, counts, strict=True):
        if count >= _FEWEST_IN_CELL:
            medians[which] = np.median(values[order[start : start + count]])
    return medians.reshape(n, n)


def _azimuthal_deg(directions: Array) -> tuple[Array, Array]:
    """Degrees to the right of and above the middle, azimuthal equidistant."""
    across = np.hypot(directions[:, 0], directions[:, 1])
    off_axis = np.rad2deg(np.arctan2(across, directions[:, 2]))
    scale = off_axis / np.maximum(across, 1e-12)
    return directions[:, 0] * scale, -directions[:, 1] * scale


def _panel(figure: Figure, x_px: float, y_px: float, field: FieldDisparity) -> None:
    from matplotlib.patches import Circle

    axes: Any = figure.add_axes(box(figure, x_px, y_px, _PANEL_PX, _PANEL_PX))
    axes.set_axis_off()
    axes.set(xlim=(-_FIELD_DEG - 5, _FIELD_DEG + 5), ylim=(-_FIELD_DEG - 5, _FIELD_DEG + 5), aspect="equal")
    axes.add_patch(Circle((0, 0), _FIELD_DEG, fc=PANEL, ec="none", zorder=0))
    colours, norm = disparity_scale()
    edges = np.arange(-_FIELD_DEG, _FIELD_DEG + _CELL_DEG / 2, _CELL_DEG)
    cells = np.ma.masked_invalid(cell_medians(field))
    axes.pcolormesh(edges, edges, cells, cmap=colours, norm=norm, zorder=1)
    for angle in _CIRCLES_DEG:
        axes.add_patch(Circle((0, 0), angle, fill=False, ec=QUIET_TEXT, alpha=0.8, lw=1.0, zorder=2))
        tilt = np.deg2rad(-45)
        axes.text(
            angle * np.cos(tilt),
            angle * np.sin(tilt),
            f"{angle}°",
            color=TEXT,
            fontsize=12,
            ha="center",
            va="center",
            zorder=3,
            bbox={"facecolor": PANEL, "edgecolor": "none", "alpha": 0.85, "pad": 2},
        )


def _numbers(figure: Figure, x_px: float, y_px: float, field: FieldDisparity) -> None:
    values = field.vertical_arcmin
    write_text(figure, x_px, y_px, f"{_arcmin(robust_spread(values))} typical", size_px=28, bold=True)
    write_text(
        figure,
        x_px + _PANEL_PX,
        y_px + 6,
        f"{len(values):,} matches; typical: 1.48 x median size",
        size_px=18,
        colour=QUIET_TEXT,
        align="right",
    )
    parts = []
    for inner, outer in ZONES_DEG:
        sizes = np.abs(field.within(inner, outer))
        worst = _arcmin(float(np.quantile(sizes, 0.95))) if len(sizes) >= _FEWEST_IN_CELL else "no matches"
        parts.append(f"{inner}–{outer}°: {worst}")
    write_text(
        figure,
        x_px,
        y_px + 50,
        "95 in 100 are within   " + "     ".join(parts),
        size_px=20,
        colour=TEXT,
    )


def _arcmin(value: float) -> str:
    return f"{value:.{2 if value < 1 else 1 if value < 10 else 0}f}′"


def _scale(figure: Figure, y_px: float) -> None:
    width = round(figure.get_size_inches()[0] * figure.dpi)
    disparity_bar(figure, width / 2 - 520, y_px, 1040)
    write_text(figure, width / 2 - 540, y_px - 2, "lower in the right eye", size_px=18, align="right")
    write_text(figure, width / 2 + 540, y_px - 2, "lower in the left eye", size_px=18)
    write_text(
        figure,
        width / 2,
        y_px + 52,
        "1 arcminute (1′) is a sixtieth of a degree: about 0.4 px of an 8192 x 4096 map.",
        size_px=17,
        colour=QUIET_TEXT,
        align="center",
    )
