"""Red-cyan anaglyphs of the mapped frame: the whole view and five crops at the map's own scale.

Left eye in red, right eye in cyan, both as luminance: colour would fight the glasses. What lies
side by side is depth; what lies one above the other is vertical disparity and should not be there.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from autocal.geometry import Rig
from autocal.matches import LEFT, RIGHT
from autocal.report.pictures_style import (
    ACCENT,
    BACKGROUND,
    PANEL,
    QUIET_TEXT,
    TEXT,
    Rgb,
    new_figure,
    place_picture,
    write_figure,
    write_text,
)
from autocal.report.pictures_views import Half, cut_view, display_range, whole_view

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Luminance = NDArray[np.floating[Any]]

_WHOLE_PX: Final = 1080
_CROP_PX: Final = 344
_GAP_PX: Final = 24
_MARGIN_PX: Final = 48
_HEADER_PX: Final = 132
_FOOTER_PX: Final = 64


class _Crop(NamedTuple):
    name: str
    longitude_deg: float
    latitude_deg: float
    column: int
    row: int


_CROPS: Final = (
    _Crop("top, 60° up", 0, 60, 1, 0),
    _Crop("left, 60°", -60, 0, 0, 1),
    _Crop("centre", 0, 0, 1, 1),
    _Crop("right, 60°", 60, 0, 2, 1),
    _Crop("bottom, 60° down", 0, -60, 1, 2),
)


def anaglyph_sheet(
    left: Half, right: Half, rig: Rig, *, title: str, subtitle: str = "", map_height: int = 4096
) -> Figure:
    """The sheet of one state of the rig.

    left, right: each eye's half of the frame, luma (H, W), uint8 or uint16, the left
    eye's first whichever half it came from. rig: what to map with: nominal lenses and no rotation
    for "before", `Calibration.view_rig` for "after". map_height: px for 180 degrees in the crops.
    """
    halves = (left, right)
    ranges = (display_range(halves[LEFT], rig.left), display_range(halves[RIGHT], rig.right))
    px_per_degree = map_height / 180

    grid = 3 * _CROP_PX + 2 * _GAP_PX
    whole_x, top = _MARGIN_PX, _HEADER_PX
    grid_x = whole_x + _WHOLE_PX + 2 * _GAP_PX
    figure = new_figure(grid_x + grid + _MARGIN_PX, top + max(_WHOLE_PX, grid) + _FOOTER_PX)
    write_text(figure, _MARGIN_PX, 36, title, size_px=36, bold=True)
    write_text(figure, _MARGIN_PX, 88, subtitle, size_px=20, colour=QUIET_TEXT)

    whole = _anaglyph(
        [whole_view(halves[eye], rig, eye, _WHOLE_PX) for eye in (LEFT, RIGHT)],
        ranges,
    )
    place_picture(figure, whole, whole_x, top)
    for crop in _CROPS:
        picture = _anaglyph(
            [
                cut_view(
                    halves[eye], rig, eye, (crop.longitude_deg, crop.latitude_deg), _CROP_PX, px_per_degree
                )
                for eye in (LEFT, RIGHT)
            ],
            ranges,
        )
        x = grid_x + crop.column * (_CROP_PX + _GAP_PX)
        y = top + crop.row * (_CROP_PX + _GAP_PX)
        place_picture(figure, picture, x, y)
        _label(figure, x, y, crop.name)
        _outline(figure, crop, whole_x, top, px_per_degree)
    _legend(figure, grid_x, top, px_per_degree, map_height)
    _label(figure, whole_x, top, "whole view, 180° x 180°")
    return figure


def write_anaglyph_sheet(
    path: str | Path,
    left: Half,
    right: Half,
    rig: Rig,
    *,
    title: str,
    subtitle: str = "",
    map_height: int = 4096,
    overwrite: bool = False,
) -> None:
    """Write `anaglyph_sheet` as PNG. Raises OutputError where it cannot, or may not, be written."""
    figure = anaglyph_sheet(left, right, rig, title=title, subtitle=subtitle, map_height=map_height)
    write_figure(path, figure, overwrite=overwrite)


def anaglyph(left: Luminance, right: Luminance) -> Rgb:
    """Red from the left eye, cyan from the right: luminances (H, W), 0 to 1, to RGB (H, W, 3)."""
    red, cyan = (np.clip(np.asarray(eye) * 255 + 0.5, 0, 255).astype(np.uint8) for eye in (left, right))
    return np.stack([red, cyan, cyan], axis=-1)


def _anaglyph(
    views: list[tuple[NDArray[np.float32], NDArray[np.bool_]]], ranges: tuple[tuple[float, float], ...]
) -> Rgb:
    stretched = [(view - low) / (high - low) for (view, _), (low, high) in zip(views, ranges, strict=True)]
    picture = anaglyph(stretched[LEFT], stretched[RIGHT])
    # Where one eye sees nothing there is nothing to compare: leave it dark.
    picture[~(views[LEFT][1] & views[RIGHT][1])] = np.frombuffer(bytes.fromhex(PANEL[1:]), np.uint8)
    return picture


def _label(figure: Figure, x: float, y: float, text: str) -> None:
    width, height = figure.get_size_inches() * figure.dpi
    figure.text(
        (x + 10) / width,
        1 - (y + 10) / height,
        text,
        fontsize=12,
        color=TEXT,
        fontfamily="DejaVu Sans",
        va="top",
        bbox={"facecolor": BACKGROUND, "edgecolor": "none", "alpha": 0.8, "pad": 4},
    )


def _outline(figure: Figure, crop: _Crop, whole_x: int, whole_y: int, px_per_degree: float) -> None:
    """Where in the whole view a crop lies."""
    from matplotlib.patches import Rectangle

    width, height = figure.get_size_inches() * figure.dpi
    scale = _WHOLE_PX / 180
    side = _CROP_PX / px_per_degree * scale
    x = whole_x + _WHOLE_PX / 2 + crop.longitude_deg * scale - side / 2
    y = whole_y + _WHOLE_PX / 2 - crop.latitude_deg * scale - side / 2
    figure.add_artist(
        Rectangle(
            (x / width, 1 - (y + side) / height), side / width, side / height, fill=False, ec=ACCENT, lw=1.2
        )
    )


def _legend(figure: Figure, grid_x: int, top: int, px_per_degree: float, map_height: int) -> None:
    from matplotlib.lines import Line2D

    width, height = figure.get_size_inches() * figure.dpi
    step = _CROP_PX + _GAP_PX
    write_text(
        figure,
        grid_x,
        top + 8,
        "Side by side: depth.\nThat is as it should be.\n\n"
        "One above the other:\nvertical disparity.\nIt strains the eyes.",
        size_px=19,
    )
    write_text(
        figure,
        grid_x + 2 * step,
        top + 8,
        "red: left eye\ncyan: right eye",
        size_px=19,
        colour=QUIET_TEXT,
    )
    x, foot = grid_x + 2 * step, top + 2 * step + 64
    for place, tall_deg in enumerate((2.0, 1.0, 0.5, 0.1)):
        column = [(x + 8 + 76 * place) / width] * 2
        ends = 1 - np.array([foot, foot - tall_deg * px_per_degree]) / height
        figure.add_artist(Line2D(column, ends, color=TEXT, lw=12, solid_capstyle="butt"))
        write_text(figure, x + 76 * place, foot + 10, f"{tall_deg:g}°", size_px=17, colour=QUIET_TEXT)
    write_text(figure, x, foot + 48, "as high as this in the crops", size_px=17, colour=QUIET_TEXT)
    write_text(
        figure,
        grid_x,
        top + 2 * step + 16,
        f"Crops are shown pixel for\npixel as in a map of\n{map_height} px for 180°.",
        size_px=17,
        colour=QUIET_TEXT,
    )
