"""The record of a unit: its calibrations over time, and whether it moved in steps or drifted.

For each quantity three accounts compete: steady, a step between two calibrations, a straight trend;
the simplest that the sigmas allow wins. A step is tested at every place, so its significance is
corrected for the number of places and of quantities (Bonferroni). On either side of a step the
question is asked again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np

from autocal.calibration import Calibration
from autocal.errors import CalibrationFileError
from autocal.exchange.any_file import carried_over
from autocal.geometry.lens import Array
from autocal.verify.compare_parameters import people_values

QUANTITIES: Final = ("yaw", "pitch", "roll", "left focal length", "right focal length")
_SIGNIFICANCE: Final = 0.01
_SECONDS_A_DAY: Final = 86400.0


@dataclass(frozen=True, eq=False)
class Entry:
    """One calibration of the record. when: aware, in UTC; dated: whether the calibration says so itself."""

    label: str
    when: datetime
    calibration: Calibration
    dated: bool = True


@dataclass(frozen=True)
class Step:
    """A sudden change between two entries. size: after minus before."""

    quantity: str
    unit: str
    after_entry: int
    size: float
    sigma: float


@dataclass(frozen=True)
class Trend:
    """A steady change. per_30_days: with its sigma; first, last: the entries that it runs through."""

    quantity: str
    unit: str
    per_30_days: float
    sigma: float
    first: int
    last: int


@dataclass(frozen=True, eq=False)
class History:
    """The record in order of time. days: (n,), since the first; values, sigmas: by quantity, (n,)."""

    unit: str | None
    entries: tuple[Entry, ...]
    days: Array
    values: dict[str, Array]
    sigmas: dict[str, Array]
    units: dict[str, str]
    steps: tuple[Step, ...]
    trends: tuple[Trend, ...]
    notes: tuple[str, ...]


def histories(entries: Sequence[Entry]) -> tuple[History, ...]:
    """One history a unit name, in order of first appearance.

    Raises CalibrationFileError where calibrations of one unit are of different aspect.
    """
    names = list(dict.fromkeys(entry.calibration.unit for entry in entries))
    return tuple(_history(name, [e for e in entries if e.calibration.unit == name]) for name in names)


def _history(unit: str | None, entries: list[Entry]) -> History:
    entries = sorted(entries, key=lambda e: e.when)
    size = entries[0].calibration.rig.left.size
    tables = []
    for entry in entries:
        try:
            rows = people_values(carried_over(entry.calibration, size))
        except CalibrationFileError as problem:
            raise CalibrationFileError(
                f"{entry.label} does not go with {entries[0].label}: {problem}; give units different names"
            ) from problem
        tables.append({name: (unit_, value, sigma) for name, unit_, value, sigma in rows})
    days = np.array([(e.when - entries[0].when).total_seconds() / _SECONDS_A_DAY for e in entries])
    values = {q: np.array([t[q][1] for t in tables]) for q in QUANTITIES}
    sigmas = {q: np.array([t[q][2] for t in tables]) for q in QUANTITIES}
    units = {q: tables[0][q][0] for q in QUANTITIES}
    steps: list[Step] = []
    trends: list[Trend] = []
    for q in QUANTITIES:
        known = np.flatnonzero(np.isfinite(sigmas[q]) & (sigmas[q] > 0))
        _explain(q, units[q], days, values[q], sigmas[q], known, steps, trends)
    return History(
        unit, tuple(entries), days, values, sigmas, units, tuple(steps), tuple(trends), _notes(unit, entries)
    )


def _notes(unit: str | None, entries: Sequence[Entry]) -> tuple[str, ...]:
    notes = []
    if unit is None:
        notes.append("these calibrations name no unit: they are taken for one")
    undated = [e.label for e in entries if not e.dated]
    if undated:
        notes.append(f"no date inside {', '.join(undated)}: the file's own time is used")
    unknown = [e.label for e in entries if not np.any(e.calibration.covariance)]
    if unknown:
        notes.append(f"no uncertainty in {', '.join(unknown)}: shown, but not judged")
    return tuple(notes)


def _explain(
    quantity: str,
    unit: str,
    days: Array,
    values: Array,
    sigmas: Array,
    index: np.ndarray,
    steps: list[Step],
    trends: list[Trend],
) -> None:
    """Append what happened among the entries `index`, in order of time."""
    from scipy.stats import chi2

    if len(index) < 2:
        return
    t, x, weight = days[index], values[index], sigmas[index] ** -2
    steady = _misfit_of_mean(x, weight)
    places = range(1, len(index))
    split = [_misfit_of_mean(x[:k], weight[:k]) + _misfit_of_mean(x[k:], weight[k:]) for k in places]
    best = int(np.argmin(split)) + 1
    step_gain = steady - split[best - 1]
    p_step = min(1.0, chi2.sf(step_gain, 1) * len(split) * len(QUANTITIES))
    slope, slope_sigma, line = _line(t, x, weight)
    p_trend = min(1.0, chi2.sf(steady - line, 1) * len(QUANTITIES)) if len(index) > 2 else 1.0
    if min(p_step, p_trend) >= _SIGNIFICANCE:
        return
    if p_trend < p_step:
        trends.append(Trend(quantity, unit, 30 * slope, 30 * slope_sigma, int(index[0]), int(index[-1])))
        return
    before, after = slice(None, best), slice(best, None)
    size = np.average(x[after], weights=weight[after]) - np.average(x[before], weights=weight[before])
    sigma = np.sqrt(1 / weight[before].sum() + 1 / weight[after].sum())
    steps.append(Step(quantity, unit, int(index[best - 1]), float(size), float(sigma)))
    _explain(quantity, unit, days, values, sigmas, index[before], steps, trends)
    _explain(quantity, unit, days, values, sigmas, index[after], steps, trends)


def _misfit_of_mean(x: Array, weight: Array) -> float:
    return float(np.sum(weight * (x - np.average(x, weights=weight)) ** 2))


def _line(t: Array, x: Array, weight: Array) -> tuple[float, float, float]:
    """Slope, its sigma, and chi-square of the weighted straight line."""
    middle = np.average(t, weights=weight)
    spread = float(np.sum(weight * (t - middle) ** 2))
    if spread <= 0:
        return 0.0, float("inf"), _misfit_of_mean(x, weight)
    slope = float(np.sum(weight * (t - middle) * x) / spread)
    return slope, spread**-0.5, _misfit_of_mean(x - slope * t, weight)


def findings(history: History) -> list[str]:
    """What happened to the unit, in sentences."""
    words = []
    for s in sorted(history.steps, key=lambda s: s.after_entry):
        before, after = history.entries[s.after_entry], history.entries[s.after_entry + 1]
        words.append(
            f"{s.quantity} changed by {s.size:+.4g} ± {s.sigma:.2g} {s.unit} between {before.label} "
            f"({before.when:%Y-%m-%d}) and {after.label} ({after.when:%Y-%m-%d})"
        )
    words += [
        f"{t.quantity} drifts by {t.per_30_days:+.4g} ± {t.sigma:.2g} {t.unit} in 30 days"
        for t in history.trends
    ]
    judged = sum(bool(np.any(e.calibration.covariance)) for e in history.entries)
    if not words and judged >= 2:
        words.append("steady: no change beyond what the sigmas explain")
    elif judged < 2:
        words.append("fewer than two calibrations state their uncertainty: whether it moved cannot be told")
    return words
