"""What happened in a sequence of estimates: nothing, steps, or a slow drift.

The accounts compete as in the record of a unit (`autocal.verify.history`), here for yaw, pitch and roll
at once with their full covariances: a step at every place, corrected for the number of places
(Bonferroni), against a straight line over time. On either side of a step the question is asked again.
Likelihood ratios of Gaussian models: Kay, Fundamentals of Statistical Signal Processing: Detection
Theory, 1998, ch. 12 (change detection; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from autocal.geometry.lens import Array

#: False alarms are worse than a step of a hair's breadth missed: one quiet take in ten thousand.
LEVEL: Final = 1e-4
_AXES: Final = 3
_FEWEST_TO_JUDGE_SCATTER: Final = 8
_MEDIAN_OF_CHI_SQUARE: Final = 0.454936  # one degree of freedom


@dataclass(frozen=True, eq=False)
class Change:
    """A step between two windows, or a drift across them.

    first, last: numbers of the windows: the last before and the first after a step, or where a drift
    begins and ends. size_deg, sigma_deg: (3,), yaw, pitch, roll: after minus before, or end minus begin.
    """

    kind: Literal["step", "drift"]
    first: int
    last: int
    size_deg: Array
    sigma_deg: Array
    p_value: float


def find_changes(times: Array, values: Array, covariances: Array) -> tuple[Change, ...]:
    """Changes in a sequence, in order of time.

    times: (n,), rising, s; values: (n, 3); covariances: (n, 3, 3), of errors that differ from one to
    the next; what all share does not matter here.
    """
    n = len(times)
    if n < 2:
        return ()
    spread = max(1.0, _scatter(values, covariances))
    weights = np.asarray(np.linalg.inv(covariances * spread), dtype=np.float64)
    found = _explained(times, values, weights, 0)
    return tuple(sorted(found, key=lambda change: change.first))


def _scatter(values: Array, covariances: Array) -> float:
    """By how much the values scatter more than their covariances say, as a ratio of variances.

    From second differences, which neither a drift nor most of a step can reach; 1 for short sequences.
    """
    if len(values) < _FEWEST_TO_JUDGE_SCATTER:
        return 1.0
    bend = values[2:] - 2 * values[1:-1] + values[:-2]
    expected = covariances[2:] + 4 * covariances[1:-1] + covariances[:-2]
    white = np.linalg.solve(np.linalg.cholesky(expected), bend[..., None])
    return float(np.median(white**2)) / _MEDIAN_OF_CHI_SQUARE


def _explained(times: Array, values: Array, weights: Array, offset: int) -> list[Change]:
    """Changes in a stretch; offset: the number of its first window. weights: (n, 3, 3)."""
    from scipy.stats import chi2

    n = len(times)
    if n < 2:
        return []
    # Sums up to each place, so that the mean of any stretch and its misfit need no loop.
    W = np.cumsum(weights, axis=0)
    Wx = np.cumsum(np.einsum("nij,nj->ni", weights, values), axis=0)
    square = np.cumsum(np.einsum("ni,nij,nj->n", values, weights, values))
    steady = _misfit(square[-1:], Wx[-1:], W[-1:])[0]
    split = _misfit(square[:-1], Wx[:-1], W[:-1])
    split = split + _misfit(square[-1] - square[:-1], Wx[-1] - Wx[:-1], W[-1] - W[:-1])
    best = int(np.argmin(split))
    p_step = min(1.0, float(chi2.sf(steady - split[best], _AXES)) * (n - 1))
    line, drift = _line(times, values, weights, offset)
    p_line = float(chi2.sf(steady - line, _AXES)) if n > 2 else 1.0
    if min(p_step, p_line) >= LEVEL:
        return []
    if p_line < LEVEL and line < split[best]:
        return [replace(drift, p_value=p_line)]
    cut = best + 1
    before, after = np.linalg.inv(W[best]), np.linalg.inv(W[-1] - W[best])
    size = after @ (Wx[-1] - Wx[best]) - before @ Wx[best]
    sigma = np.sqrt(np.diag(before + after))
    step = Change("step", offset + best, offset + cut, size, sigma, p_step)
    return [
        step,
        *_explained(times[:cut], values[:cut], weights[:cut], offset),
        *_explained(times[cut:], values[cut:], weights[cut:], offset + cut),
    ]


def _misfit(square: Array, Wx: Array, W: Array) -> Array:
    """Chi-square of values about their weighted mean, from sums over them: (k,), (k, 3), (k, 3, 3)."""
    return square - np.einsum("ki,ki->k", Wx, np.linalg.solve(W, Wx[..., None])[..., 0])


def _line(times: Array, values: Array, weights: Array, offset: int) -> tuple[float, Change]:
    """Chi-square of the straight line over time, and the drift it means."""
    span = float(times[-1] - times[0])
    t = (times - times[0]) / span if span > 0 else np.zeros(len(times))
    design = np.stack([np.ones(len(t)), t], axis=1)
    normal = np.einsum("na,nb,nij->aibj", design, design, weights).reshape(2 * _AXES, 2 * _AXES)
    right = np.einsum("na,nij,nj->ai", design, weights, values).ravel()
    inverse = np.linalg.pinv(normal, hermitian=True)
    line = (inverse @ right).reshape(2, _AXES)
    misfit = values - design @ line
    chi_square = float(np.einsum("ni,nij,nj->", misfit, weights, misfit))
    sigma = np.sqrt(np.maximum(np.diag(inverse)[_AXES:], 0.0))
    return chi_square, Change("drift", offset, offset + len(times) - 1, line[1], sigma, 1.0)
