"""Values over time with their sigmas: the windows of a take, the calibrations of a unit."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from autocal.geometry.lens import Array
from autocal.report.figures_style import ACCENT, LEFT_EYE, QUIET, new_panel, svg_panel
from autocal.report.page import Panel
from autocal.verify.check_result import AXES, CheckResult
from autocal.verify.history import QUANTITIES, History

_SIZE_PX: Final = (1080, 230)


def take_panels(result: CheckResult) -> tuple[Panel, ...]:
    """Yaw, pitch and roll of every window against where the calibration has them."""
    when = np.array([window.elapsed_s for window in result.windows])
    values = np.array([window.rotation_deg for window in result.windows])
    sigmas = np.array([window.sigma_deg for window in result.windows])
    panels = []
    for axis, name in enumerate(AXES):
        figure, axes = new_panel(*_SIZE_PX)
        _points(axes, when, values[:, axis], sigmas[:, axis])
        axes.axhline(0, color=QUIET, lw=1.2, zorder=1)
        for change in result.changes:
            _mark(axes, change.kind, when[change.first], when[change.last])
        axes.set_ylabel(f"{name} (degrees)")
        if name == AXES[-1]:
            axes.set_xlabel("seconds of footage")
        spread = f"from {values[:, axis].min():+.3f} to {values[:, axis].max():+.3f} degrees"
        alt = f"Remaining {name} over {len(when)} windows of the take, {spread}, with one-sigma bars."
        panels.append(svg_panel(figure, f"take-{name}", alt, wide=True))
    return tuple(panels)


def unit_panels(history: History, name: str) -> tuple[Panel, ...]:
    """A unit's quantities over the dates of its calibrations."""
    dates: NDArray[Any] = np.array([entry.when for entry in history.entries], dtype=object)
    panels = []
    for number, quantity in enumerate(QUANTITIES):
        values, sigmas = history.values[quantity], history.sigmas[quantity]
        figure, axes = new_panel(*_SIZE_PX)
        _points(axes, dates, values, sigmas)
        for step in history.steps:
            if step.quantity == quantity:
                _mark(axes, "step", dates[step.after_entry], dates[step.after_entry + 1])
        for trend in history.trends:
            if trend.quantity == quantity:
                days = history.days[trend.first : trend.last + 1]
                part = values[trend.first : trend.last + 1]
                line = np.mean(part) + trend.per_30_days / 30 * (days - np.mean(days))
                axes.plot(dates[trend.first : trend.last + 1], line, color=ACCENT, lw=2, ls=(0, (5, 3)))
        axes.set_ylabel(f"{quantity} ({history.units[quantity]})")
        alt = (
            f"{quantity} of {len(dates)} calibrations, from {values.min():.4f} to {values.max():.4f} "
            f"{history.units[quantity]}, with one-sigma bars."
        )
        panels.append(svg_panel(figure, f"{name}-{number}", alt, wide=True))
    return tuple(panels)


def _points(axes: Any, when: NDArray[Any], values: Array, sigmas: Array) -> None:
    known = np.isfinite(sigmas) & (sigmas > 0)
    axes.errorbar(
        when[known], values[known], yerr=sigmas[known],
        fmt="o", color=LEFT_EYE, ecolor=LEFT_EYE, capsize=4, ms=6, lw=1.6, zorder=3,
    )  # fmt: skip
    axes.plot(when[~known], values[~known], "o", mfc="none", mec=LEFT_EYE, ms=6, zorder=3)
    axes.margins(x=0.03, y=0.15)
    axes.ticklabel_format(axis="y", useOffset=False)


def _mark(axes: Any, kind: str, first: Any, last: Any) -> None:
    if kind == "step":
        axes.axvline(first + (last - first) / 2, color=ACCENT, lw=2, ls=(0, (5, 3)), zorder=2)
    else:
        axes.axvspan(first, last, facecolor=ACCENT, alpha=0.14, zorder=0)
