"""Which parts of the field a chart calibration rests on, as a picture: every corner of both eyes."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from autocal.chart.board import BoardView
from autocal.chart.calibrate import ChartResult
from autocal.geometry.lens import Array, Lens
from autocal.report.pictures_style import (
    ACCENT,
    PANEL,
    QUIET_TEXT,
    TEXT,
    box,
    new_figure,
    write_figure,
    write_text,
)
from autocal.verify.field import ZONES_DEG, azimuthal_deg

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_PANEL_PX: Final = 760
_MARGIN_PX: Final = 56
_GAP_PX: Final = 56
_TOP_PX: Final = 180
_BELOW_PX: Final = 110
_REACH_DEG: Final = 95.0
_CIRCLES_DEG: Final = (30, 60, 90)
_SECTORS: Final = 12
_BOARD_COLOURS: Final = ("#6cb2ff", "#ffb65c", "#9be3c4", "#f4f4f1", "#c9a6ff")


def coverage_picture(result: ChartResult) -> Figure:
    """Two panels, the field of each eye about its optical axis, a dot a corner, a colour a board."""
    figure = new_figure(2 * _PANEL_PX + _GAP_PX + 2 * _MARGIN_PX, _TOP_PX + _PANEL_PX + _BELOW_PX)
    frames = len({v.frame for v in result.used})
    write_text(figure, _MARGIN_PX, 32, "Where the board was seen", size_px=34, bold=True)
    write_text(
        figure,
        _MARGIN_PX,
        84,
        f"{frames} frames. Every dot is a corner, at its angle off the lens's axis; rings every 30°. "
        "Where no dots are, the lens is extrapolated.",
        size_px=19,
        colour=QUIET_TEXT,
    )
    rig = result.calibration.rig
    for eye, (name, lens) in enumerate((("Left eye", rig.left), ("Right eye", rig.right))):
        x = _MARGIN_PX + eye * (_PANEL_PX + _GAP_PX)
        views = [v for v in result.used if v.eye == eye]
        _panel(figure, x, name, views, lens)
        shares = covered_shares(views, lens)
        words = "     ".join(
            f"{low:.0f}–{high:.0f}°: {share:.0%}"
            for (low, high), share in zip(ZONES_DEG, shares, strict=True)
        )
        line = f"Covered   {words}     {result.rms_px[eye]:.2f} px rms"
        write_text(figure, x, _TOP_PX + _PANEL_PX + 18, line, size_px=21)
    return figure


def write_coverage_picture(path: str | Path, result: ChartResult, *, overwrite: bool = False) -> None:
    """Write `coverage_picture` as PNG. Raises OutputError where it cannot, or may not, be written."""
    write_figure(path, coverage_picture(result), overwrite=overwrite)


def covered_shares(views: list[BoardView], lens: Lens) -> tuple[float, ...]:
    """Share of every zone (cells of 10 degrees by 30 around) that holds a corner."""
    places = _places_deg(views, lens)
    ring = np.floor(np.hypot(*places.T) / 10.0).astype(int)
    sector = np.floor(np.arctan2(places[:, 1], places[:, 0]) / (2 * np.pi) % 1.0 * _SECTORS).astype(int)
    seen = set(zip(ring.tolist(), (sector % _SECTORS).tolist(), strict=True))
    shares = []
    for low, high in ZONES_DEG:
        cells = [(r, s) for r in range(int(low // 10), int(high // 10)) for s in range(_SECTORS)]
        shares.append(sum(cell in seen for cell in cells) / len(cells))
    return tuple(shares)


def _places_deg(views: list[BoardView], lens: Lens) -> Array:
    if not views:
        return np.empty((0, 2))
    places = azimuthal_deg(lens.unproject(np.concatenate([v.pixel for v in views])))
    return places[np.isfinite(places).all(axis=1)]


def _panel(figure: Figure, x_px: float, name: str, views: list[BoardView], lens: Lens) -> None:
    from matplotlib.patches import Circle

    left, bottom, width, height = box(figure, x_px, _TOP_PX, _PANEL_PX, _PANEL_PX)
    axes: Any = figure.add_axes((left, bottom, width, height))
    axes.set_axis_off()
    axes.set(xlim=(-_REACH_DEG, _REACH_DEG), ylim=(_REACH_DEG, -_REACH_DEG), aspect="equal")
    axes.add_patch(Circle((0, 0), _REACH_DEG - 2, fc=PANEL, ec="none", zorder=0))
    for angle in _CIRCLES_DEG:
        axes.add_patch(Circle((0, 0), angle, fill=False, ec=TEXT, alpha=0.4, lw=1.0, zorder=1))
    for number, view in enumerate(views):
        places = _places_deg([view], lens)
        axes.plot(*places.T, ".", color=_BOARD_COLOURS[number % len(_BOARD_COLOURS)], ms=5, zorder=2)
    axes.plot([0], [0], "+", color=ACCENT, ms=14, zorder=3)
    write_text(figure, x_px, _TOP_PX - 6, name, size_px=26, bold=True)
