"""A unit's calibrations over time as a picture: values with sigmas, steps and trends marked."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

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
from autocal.verify.history import QUANTITIES, History, findings

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_WIDTH_PX: Final = 1500
_ROW_PX: Final = 220
_MARGIN_PX: Final = 56
_LABEL_PX: Final = 270
_GAP_PX: Final = 34
_BLUE: Final = "#6cb2ff"


def history_picture(history: History) -> Figure:
    """A row for every quantity, one time axis."""
    words = findings(history)
    top = 130 + 30 * len(words)
    height = top + len(QUANTITIES) * (_ROW_PX + _GAP_PX) + 60
    figure = new_figure(_WIDTH_PX, height)
    write_text(
        figure, _MARGIN_PX, 30, f"History of {history.unit or 'a unit without a name'}", size_px=34, bold=True
    )
    for number, sentence in enumerate(words):
        write_text(figure, _MARGIN_PX, 84 + 30 * number, sentence[0].upper() + sentence[1:], size_px=19)
    for row, quantity in enumerate(QUANTITIES):
        y = top + row * (_ROW_PX + _GAP_PX)
        write_text(figure, _MARGIN_PX, y + 6, quantity, size_px=20, bold=True)
        write_text(figure, _MARGIN_PX, y + 36, history.units[quantity], size_px=18, colour=QUIET_TEXT)
        _row(figure, y, history, quantity, last=row == len(QUANTITIES) - 1)
    return figure


def write_history_picture(path: str | Path, history: History, *, overwrite: bool = False) -> None:
    """Write `history_picture` as PNG. Raises OutputError where it cannot, or may not, be written."""
    write_figure(path, history_picture(history), overwrite=overwrite)


def _row(figure: Figure, y_px: float, history: History, quantity: str, *, last: bool) -> None:
    x_px = _MARGIN_PX + _LABEL_PX
    left, bottom, width, height = box(figure, x_px, y_px, _WIDTH_PX - x_px - _MARGIN_PX, _ROW_PX)
    axes: Any = figure.add_axes((left, bottom, width, height), facecolor=PANEL)
    when: Any = [entry.when for entry in history.entries]
    values, sigmas = history.values[quantity], history.sigmas[quantity]
    known = np.isfinite(sigmas) & (sigmas > 0)
    dates = np.array(when, dtype=object)
    axes.errorbar(
        dates[known], values[known], yerr=sigmas[known],
        fmt="o", color=_BLUE, ecolor=_BLUE, capsize=4, ms=6, lw=1.6, zorder=3,
    )  # fmt: skip
    axes.plot(dates[~known], values[~known], "o", mfc="none", mec=_BLUE, ms=6, zorder=3)
    for step in history.steps:
        if step.quantity == quantity:
            before, after = when[step.after_entry], when[step.after_entry + 1]
            axes.axvline(before + (after - before) / 2, color=ACCENT, lw=2, ls="--", zorder=2)
    for trend in history.trends:
        if trend.quantity == quantity:
            part = slice(trend.first, trend.last + 1)
            days, x = history.days[part], values[part]
            weight = np.where(known[part], 1 / np.where(known[part], sigmas[part], 1.0), 0.0) ** 2
            slope = trend.per_30_days / 30
            level = np.average(x - slope * days, weights=weight)
            axes.plot(dates[part], level + slope * days, color=ACCENT, lw=2, ls="--", zorder=2)
    axes.tick_params(colors=QUIET_TEXT, labelsize=12, labelbottom=last)
    axes.grid(color=TEXT, alpha=0.12)
    axes.margins(x=0.04, y=0.18)
    for spine in axes.spines.values():
        spine.set_visible(False)
    axes.ticklabel_format(axis="y", useOffset=False)
