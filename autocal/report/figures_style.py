"""Drawings for the page: matplotlib makes the SVG, the page's style sheet colours it.

A drawing uses the colours below, none of which it will have in the end: each stands for a variable of
the style sheet, so that one drawing serves light, dark and paper. Text stays text, in the page's font.
"""

from __future__ import annotations

import base64
import io
import re
from typing import TYPE_CHECKING, Any, Final
from xml.etree import ElementTree

import numpy as np
from numpy.typing import NDArray

from autocal.report.page import Image, Panel

if TYPE_CHECKING:
    from matplotlib.figure import Figure

INK: Final = "#010101"
QUIET: Final = "#010102"
GRID: Final = "#010103"
DISC: Final = "#010104"
LEFT_EYE: Final = "#010105"
RIGHT_EYE: Final = "#010106"
ACCENT: Final = "#010107"
CARD: Final = "#010108"
_VARIABLES: Final = {
    INK: "var(--ink)",
    QUIET: "var(--quiet)",
    GRID: "var(--grid)",
    DISC: "var(--disc)",
    LEFT_EYE: "var(--left)",
    RIGHT_EYE: "var(--right)",
    ACCENT: "var(--accent)",
    CARD: "var(--card)",
}
_DPI: Final = 72  # SVG units are points: 1 px of the drawing is 1 unit
_SVG: Final = "http://www.w3.org/2000/svg"
_XLINK: Final = "http://www.w3.org/1999/xlink"
_JPEG_QUALITIES: Final = (88, 80, 70, 60, 45, 30, 20)
_FIGURE_BYTES: Final = 700_000


def new_panel(width_px: int, height_px: int) -> tuple[Figure, Any]:
    """A figure with one pair of axes in the page's look."""
    figure = blank_panel(width_px, height_px)
    axes: Any = figure.add_subplot()
    axes.set_facecolor("none")
    axes.grid(color=GRID, lw=0.8)
    axes.set_axisbelow(True)
    axes.tick_params(colors=QUIET, labelsize=11, length=0, pad=5)
    axes.xaxis.label.set(color=QUIET, fontsize=11.5)
    axes.yaxis.label.set(color=QUIET, fontsize=11.5)
    for spine in axes.spines.values():
        spine.set_visible(False)
    return figure, axes


def blank_panel(width_px: int, height_px: int) -> Figure:
    """An empty figure; what is put into it is laid out without overlap."""
    from matplotlib.figure import Figure

    return Figure(
        figsize=(width_px / _DPI, height_px / _DPI), dpi=_DPI, layout="constrained", facecolor="none"
    )


def svg_panel(figure: Figure, name: str, alt: str, caption: str = "", *, wide: bool = False) -> Panel:
    """The figure as an SVG element for the page. name: of its own on the page, keeps ids apart."""
    from matplotlib import rc_context

    # The same drawing gives the same text: no date, no random ids.
    with rc_context({"svg.fonttype": "none", "svg.hashsalt": name, "font.family": "DejaVu Sans"}):
        text = io.StringIO()
        metadata = {"Date": None, "Creator": None, "Format": None, "Type": None}
        figure.savefig(text, format="svg", dpi=3 * _DPI, transparent=True, metadata=metadata)
    return Panel(_for_page(text.getvalue(), name), alt, caption, wide)


def _for_page(text: str, name: str) -> str:
    ElementTree.register_namespace("", _SVG)
    ElementTree.register_namespace("xlink", _XLINK)
    svg = ElementTree.fromstring(text)
    for unwanted in svg.findall(f"{{{_SVG}}}metadata"):
        svg.remove(unwanted)
    for size in ("width", "height"):
        del svg.attrib[size]
    svg.set("aria-hidden", "true")  # what surrounds it says what it shows
    for element in svg.iter():
        for key, value in element.attrib.items():
            if key == "id":
                element.set(key, f"{name}-{value}")
            elif value.startswith("#") and key == f"{{{_XLINK}}}href":
                element.set(key, f"#{name}-{value[1:]}")
            elif not value.startswith("data:"):
                element.set(key, _themed(re.sub(r"url\(#", f"url(#{name}-", value), key))
        if element.tag == f"{{{_SVG}}}style":
            element.text = None  # matplotlib's defaults for the whole page: wanted in the drawing only
            svg.set("style", "stroke-linejoin: round; stroke-linecap: butt")
    return ElementTree.tostring(svg, encoding="unicode")


def _themed(value: str, key: str) -> str:
    if key != "style":
        return value
    for colour, variable in _VARIABLES.items():
        value = value.replace(colour, variable)
    return re.sub(r"'DejaVu Sans'(, [^;]*)?", "inherit", value) if "font:" not in value else _own_font(value)


def _own_font(value: str) -> str:
    """`font: 11px 'DejaVu Sans', ...` as size alone: the family is the page's."""
    return re.sub(r"font: ([^;]*?)([\d.]+px) [^;]*", r"font-size: \2", value)


def jpeg(picture: NDArray[np.uint8], alt: str, *, most_bytes: int) -> Image:
    """A picture, grey (H, W) or RGB (H, W, 3), as JPEG at full colour resolution: red and cyan stay apart.

    most_bytes: of the data URI; quality gives way to it, as noisy footage hardly shrinks.
    """
    for quality in _JPEG_QUALITIES:
        uri = f"data:image/jpeg;base64,{base64.b64encode(_jpeg_bytes(picture, quality)).decode()}"
        if len(uri) <= most_bytes:
            break
    return Image(uri, alt, picture.shape[1], picture.shape[0])


def _jpeg_bytes(picture: NDArray[np.uint8], quality: int) -> bytes:
    import cv2

    bgr = picture[..., ::-1] if picture.ndim == 3 else picture
    flags = [
        cv2.IMWRITE_JPEG_QUALITY, quality,
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444,
        cv2.IMWRITE_JPEG_OPTIMIZE, 1,
    ]  # fmt: skip
    done, data = cv2.imencode(".jpg", np.ascontiguousarray(bgr), flags)
    if not done:
        raise ValueError(f"a picture of shape {picture.shape} and type {picture.dtype} is no JPEG")
    return bytes(data.tobytes())


def figure_jpeg(figure: Figure, alt: str) -> Image:
    """A finished picture (`autocal.report.pictures`) as JPEG, at its own size."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    return jpeg(np.asarray(canvas.buffer_rgba())[..., :3], alt, most_bytes=_FIGURE_BYTES)
