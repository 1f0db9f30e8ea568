"""How all pictures look: dark and neutral, with blue against orange, which colour-blind people tell apart.

Figures are made with matplotlib's object interface, never through pyplot: no state is shared.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from autocal.whole_file import whole_file

if TYPE_CHECKING:
    from matplotlib.colors import BoundaryNorm, Colormap
    from matplotlib.figure import Figure

BACKGROUND: Final = "#17181a"
PANEL: Final = "#0d0e0f"
TEXT: Final = "#e9e9e6"
QUIET_TEXT: Final = "#a3a7ad"
ACCENT: Final = "#ffa63d"
#: (H, W, 3).
Rgb = NDArray[np.uint8]
#: Left, bottom, width, height, in shares of the figure: what matplotlib takes.
Box = tuple[float, float, float, float]
_FONT: Final = "DejaVu Sans"  # comes with matplotlib: the same everywhere
_DPI: Final = 100

#: Steps of the scale of vertical disparity, arcmin: 4, 8 and 17 are limits of viewing comfort
#: (`autocal.verify` says whose), the others about halve and double them.
DISPARITY_STEPS_ARCMIN: Final = (
    -64.0,
    -32.0,
    -17.0,
    -8.0,
    -4.0,
    -2.0,
    -1.0,
    1.0,
    2.0,
    4.0,
    8.0,
    17.0,
    32.0,
    64.0,
)


def new_figure(width_px: int, height_px: int) -> Figure:
    """An empty dark figure of exactly that size."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width_px / _DPI, height_px / _DPI), dpi=_DPI, facecolor=BACKGROUND)


def write_figure(path: str | Path, figure: Figure, *, overwrite: bool = False) -> None:
    """Write a figure as PNG, whole or not at all. Raises OutputError as `whole_file` does."""
    import cv2
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    # OpenCV's writer takes a third of the time of matplotlib's, and writes no alpha, which is 1 throughout.
    picture = cv2.cvtColor(np.asarray(canvas.buffer_rgba()), cv2.COLOR_RGBA2BGR)
    with whole_file(path, overwrite=overwrite) as beside:
        beside.write_bytes(cv2.imencode(".png", picture)[1].tobytes())


def place_picture(figure: Figure, picture: Rgb, x_px: int, y_px: int) -> None:
    """A picture, pixel for pixel, with its top left corner at a place of the figure, px.

    Under everything else, as it is: `Figure.figimage` samples pictures anew, half of a figure's time.
    """
    import cv2
    from matplotlib.artist import Artist

    class Placed(Artist):
        def draw(self, renderer: Any) -> None:
            bottom = round(figure.get_size_inches()[1] * _DPI) - y_px - len(picture)
            upwards = cv2.flip(cv2.cvtColor(picture, cv2.COLOR_RGB2RGBA), 0)
            renderer.draw_image(renderer.new_gc(), x_px, bottom, upwards)

    figure.add_artist(Placed()).set_zorder(0)


def write_text(
    figure: Figure,
    x_px: float,
    y_px: float,
    text: str,
    *,
    size_px: float = 20,
    colour: str = TEXT,
    bold: bool = False,
    align: str = "left",
    line_spacing: float = 1.35,
) -> None:
    """Text at a place of the figure, px from its top left corner; its first line hangs from y."""
    width, height = figure.get_size_inches() * _DPI
    figure.text(
        x_px / width,
        1 - y_px / height,
        text,
        fontsize=size_px * 72 / _DPI,
        color=colour,
        fontweight="bold" if bold else "normal",
        fontfamily=_FONT,
        ha=align,
        va="top",
        linespacing=line_spacing,
    )


def box(figure: Figure, x_px: float, y_px: float, width_px: float, height_px: float) -> Box:
    """Where matplotlib wants axes to be, for a box in px from the top left corner."""
    width, height = figure.get_size_inches() * _DPI
    return (x_px / width, 1 - (y_px + height_px) / height, width_px / width, height_px / height)


def disparity_scale() -> tuple[Colormap, BoundaryNorm]:
    """Colours of vertical disparity: white within 1 arcmin, blue below, orange above, deeper with size."""
    from matplotlib.colors import BoundaryNorm, LinearSegmentedColormap

    stops = [(0.0, "#1565e0"), (0.25, "#6cb2ff"), (0.5, "#f4f4f1"), (0.75, "#ffb65c"), (1.0, "#ef6a00")]
    colours = LinearSegmentedColormap.from_list("blue to orange", stops, N=256)
    return colours, BoundaryNorm(DISPARITY_STEPS_ARCMIN, colours.N, extend="both")


def disparity_bar(figure: Figure, x_px: float, y_px: float, width_px: float) -> None:
    """The scale of vertical disparity as a horizontal bar, its labels below."""
    from matplotlib.cm import ScalarMappable
    from matplotlib.colorbar import Colorbar

    colours, norm = disparity_scale()
    axes: Any = figure.add_axes(box(figure, x_px, y_px, width_px, 18))
    bar = Colorbar(axes, ScalarMappable(norm, colours), orientation="horizontal", spacing="uniform")
    labels = [f"{step:g}′".replace("-", "−") for step in DISPARITY_STEPS_ARCMIN]
    bar.set_ticks(list(DISPARITY_STEPS_ARCMIN), labels=labels)
    bar.outline.set_visible(False)
    bar.ax.tick_params(colors=QUIET_TEXT, labelsize=12, length=0, pad=6)
    bar.ax.tick_params(which="minor", length=0)
