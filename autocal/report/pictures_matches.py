"""The frame with the matches drawn in: where the footage spoke, and what was not believed."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from autocal.averaging import averaged_down
from autocal.geometry.lens import Array
from autocal.report.pictures_style import (
    BACKGROUND,
    QUIET_TEXT,
    TEXT,
    box,
    disparity_bar,
    disparity_scale,
    new_figure,
    place_picture,
    write_figure,
    write_text,
)
from autocal.report.pictures_views import Half

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Ints = NDArray[np.int64]

_REJECTED: Final = "#ff5fd2"
_PANEL_PX: Final = 1060
_MARGIN_PX: Final = 48
#: More points than these only hide the picture; they are thinned out evenly over the frame.
_MOST_USED, _MOST_REJECTED = 3000, 1000
#: How bright the frame stays under the points.
_DIMMED: Final = 0.5


def matches_picture(
    left: Half,
    right: Half,
    used_left: Array,
    used_right: Array,
    vertical_arcmin: Array,
    rejected_left: Array,
    rejected_right: Array,
    *,
    subtitle: str = "",
) -> Figure:
    """Both halves with the matches of that frame.

    left, right: each eye's half, luma (H, W), uint8 or uint16. used_left, used_right:
    (n, 2), px in each half, with the vertical disparity (n,) that the calibration leaves them;
    rejected_left, rejected_right: (m, 2).
    """
    height = round(_PANEL_PX * left.shape[0] / left.shape[1])
    top, below, gap = 176, 120, 16
    figure = new_figure(2 * _PANEL_PX + gap + 2 * _MARGIN_PX, top + height + below)
    write_text(figure, _MARGIN_PX, 36, "Matches between the eyes", size_px=36, bold=True)
    write_text(figure, _MARGIN_PX, 88, subtitle, size_px=20, colour=QUIET_TEXT)
    used = evenly_thinned(used_left, _MOST_USED)
    rejected = evenly_thinned(rejected_left, _MOST_REJECTED)
    for place, (name, half, used_px, rejected_px) in enumerate(
        (("left eye", left, used_left, rejected_left), ("right eye", right, used_right, rejected_right))
    ):
        x = _MARGIN_PX + place * (_PANEL_PX + gap)
        write_text(figure, x, top - 36, name, size_px=20, bold=True)
        axes = _panel(figure, (x, top, _PANEL_PX, height), half)
        _points(axes, used_px[used], vertical_arcmin[used], rejected_px[rejected])
    _key(figure, top + height + 28, len(used_left), len(used), len(rejected_left), len(rejected))
    return figure


def write_matches_picture(
    path: str | Path,
    left: Half,
    right: Half,
    used_left: Array,
    used_right: Array,
    vertical_arcmin: Array,
    rejected_left: Array,
    rejected_right: Array,
    *,
    subtitle: str = "",
    overwrite: bool = False,
) -> None:
    """Write `matches_picture` as PNG. Raises OutputError where it cannot, or may not, be written."""
    figure = matches_picture(
        left, right, used_left, used_right, vertical_arcmin, rejected_left, rejected_right, subtitle=subtitle
    )
    write_figure(path, figure, overwrite=overwrite)


def evenly_thinned(pixels: Array, most: int) -> Ints:
    """Rows of at most `most` points (n, 2), taken so that crowded places give up theirs first."""
    if len(pixels) <= most:
        return np.arange(len(pixels))
    low, high = pixels.min(axis=0), pixels.max(axis=0)
    side = max(1, int(np.sqrt(most)))
    cell = np.floor((pixels - low) / np.maximum(high - low, 1e-9) * (side - 1e-6)).astype(np.int64) @ [
        side,
        1,
    ]
    order = np.argsort(cell, kind="stable")
    _, starts, counts = np.unique(cell[order], return_index=True, return_counts=True)
    turn = np.empty(len(pixels), dtype=np.int64)  # the how-manieth of its cell each point is
    turn[order] = np.arange(len(pixels)) - np.repeat(starts, counts)
    return np.sort(np.argsort(turn, kind="stable")[:most])


def _panel(figure: Figure, place: tuple[int, int, int, int], half: Half) -> Any:
    """Axes over a half drawn pixel for pixel of the figure; whole coordinates are its pixel centres."""
    import cv2

    height, width = half.shape
    side = place[2:]
    values = np.float32(averaged_down(half, side) if width > side[0] else cv2.resize(half, side))
    low, high = np.quantile(values, [0.01, 0.995])
    shown = np.clip((values - low) / max(float(high - low), 1.0), 0, 1) * _DIMMED
    grey = (255 * shown + 0.5).astype(np.uint8)
    place_picture(figure, cv2.cvtColor(grey, cv2.COLOR_GRAY2RGB), *place[:2])
    axes: Any = figure.add_axes(box(figure, *place), xlim=(-0.5, width - 0.5), ylim=(height - 0.5, -0.5))
    axes.set_axis_off()
    return axes


def _points(axes: Any, used: Array, vertical_arcmin: Array, rejected: Array) -> None:
    colours, norm = disparity_scale()
    axes.scatter(
        rejected[:, 0], rejected[:, 1], s=26, marker="x", color=_REJECTED, linewidths=1.1, alpha=0.9, zorder=2
    )
    order = np.argsort(np.abs(vertical_arcmin), kind="stable")  # the bad ones on top
    axes.scatter(
        used[order, 0],
        used[order, 1],
        s=15,
        c=vertical_arcmin[order],
        cmap=colours,
        norm=norm,
        edgecolors=BACKGROUND,
        linewidths=0.4,
        zorder=3,
    )


def _key(figure: Figure, y_px: float, used: int, used_drawn: int, rejected: int, rejected_drawn: int) -> None:
    from matplotlib.lines import Line2D

    width, height = figure.get_size_inches() * figure.dpi
    dot, cross = (
        Line2D([x / width], [1 - (y_px + 12) / height], ls="", color=colour, marker=marker, ms=9, mew=1.6)
        for x, colour, marker in ((_MARGIN_PX + 8, TEXT, "o"), (_MARGIN_PX + 408, _REJECTED, "x"))
    )
    figure.add_artist(dot)
    figure.add_artist(cross)
    write_text(figure, _MARGIN_PX + 28, y_px, f"{used:,} used{_share(used, used_drawn)}", size_px=20)
    write_text(
        figure, _MARGIN_PX + 428, y_px, f"{rejected:,} rejected{_share(rejected, rejected_drawn)}", size_px=20
    )
    disparity_bar(figure, width - _MARGIN_PX - 800, y_px + 2, 800)
    write_text(
        figure, width - _MARGIN_PX - 820, y_px, "remaining vertical disparity", size_px=18, align="right"
    )


def _share(count: int, drawn: int) -> str:
    return "" if drawn == count else f" ({drawn:,} drawn)"
