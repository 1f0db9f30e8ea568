"""The record of a unit: its calibrations over time, and whether it moved in steps or drifted.

For each quantity three accounts compete: steady, some neighbours that differ from all others, a straight
trend; the simplest that the sigmas allow wins. Neighbours are tested at every place, so their significance
is corrected for the number of places and of quantities (Bonferroni). Of every part the question is asked
again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import pairwise
from typing import Final

import numpy as np

from autocal.calibration import Calibration
from autocal.errors import CalibrationFileError
from autocal.exchange.any_file import carried_over
from autocal.geometry.lens import Array
from autocal.matches import Ints
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
        weight = np.where(sigmas[q] > 0, sigmas[q], np.inf) ** -2.0
        stretches = _stretches(days, values[q], weight, known)
        for before, after in pairwise(stretches):
            (was, was_sigma), (became, became_sigma) = (
                before.at(days[before.index[-1]]),
                after.at(days[after.index[0]]),
            )
            sigma = float(np.hypot(was_sigma, became_sigma))
            steps.append(Step(q, units[q], int(before.index[-1]), became - was, sigma))
        trends += [
            Trend(q, units[q], 30 * s.slope, 30 * s.slope_sigma, int(s.index[0]), int(s.index[-1]))
            for s in stretches
            if s.slope_sigma > 0
        ]
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


@dataclass(frozen=True, eq=False)
class _Stretch:
    """Entries between two sudden changes: their places in the record, and their weighted line, level where
    nothing drifts: its value in the middle, with the sigma, and its slope, a day."""

    index: Ints
    middle: float
    value: float
    sigma: float
    slope: float = 0.0
    slope_sigma: float = 0.0

    def at(self, day: float) -> tuple[float, float]:
        """Value of the line on a day, and its sigma."""
        away = day - self.middle
        return self.value + self.slope * away, float(np.hypot(self.sigma, self.slope_sigma * away))


def _stretches(t: Array, x: Array, weight: Array, index: Ints) -> list[_Stretch]:
    """The record in stretches, in order; t, x, weight: (n,), all of it; index: of what is looked at.

    Circular binary segmentation (Olshen et al., Biostatistics 5(4), 2004): some neighbours that differ from
    all the others, at an end or in the middle, are cut out, and so on in the parts; unless a straight line
    says more.
    """
    if len(index) == 0:
        return []
    days, found, w = t[index], x[index], weight[index]
    level = _Stretch(
        index,
        float(np.average(days, weights=w)),
        float(np.average(found, weights=w)),
        float(w.sum() ** -0.5),
    )
    if len(index) == 1:
        return [level]
    gain, first, last = _most_unlike(found, w)
    choices = len(index) * (len(index) + 1) // 2 - 1
    log_step = _log_chance(gain) + np.log(choices)
    slope, slope_sigma, rest = _line(days, found, w)
    gain_of_line = _misfit_of_mean(found, w) - rest
    log_trend = _log_chance(gain_of_line) if len(index) > 2 else 0.0
    if min(log_step, log_trend) + np.log(len(QUANTITIES)) >= np.log(_SIGNIFICANCE):
        return [level]
    if log_trend < log_step:
        return [replace(level, slope=slope, slope_sigma=slope_sigma)]
    parts = index[:first], index[first:last], index[last:]
    return [stretch for part in parts for stretch in _stretches(t, x, weight, part)]


def _log_chance(gain: float) -> float:
    """Logarithm of the probability that chi-square with one degree of freedom exceeds this: of what is
    certain the probability itself is zero, whatever explains it best."""
    from scipy.special import log_ndtr

    return float(np.log(2) + log_ndtr(-np.sqrt(max(gain, 0.0))))


def _most_unlike(x: Array, weight: Array) -> tuple[float, int, int]:
    """Which neighbours, x[first:last], differ most from all others: by what chi-square, first, last."""
    centred = x - np.average(x, weights=weight)
    sums = np.r_[0.0, np.cumsum(weight * centred)]
    weights = np.r_[0.0, np.cumsum(weight)]
    first, last = np.triu_indices(len(sums), 1)
    some = last - first < len(x)
    first, last = first[some], last[some]
    inside, amount = weights[last] - weights[first], sums[last] - sums[first]
    gain = amount**2 * (1 / inside + 1 / (weights[-1] - inside))
    best = int(np.argmax(gain))
    return float(gain[best]), int(first[best]), int(last[best])


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
