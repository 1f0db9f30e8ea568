"""Errors of the solve against the Cramer-Rao bound, and against its own sigmas: many simulated rigs.

    python -m benchmarks.bench_statistics [RIGS]

The bars: without outliers the rms error of every well-determined parameter within 1.1 x the bound, with
40 % gross outliers within 1.3 x, and errors over sigmas within chi-square at 99 % (over all
parameters together: Bonferroni). The rms of one parameter is itself uncertain by 7 % with a hundred rigs;
what an efficient estimate would have made of the same noise is therefore worked out beside it, and its
luck taken out. All cores are used.
"""

from __future__ import annotations

import multiprocessing
import sys
from concurrent.futures import ProcessPoolExecutor

import numpy as np
from scipy.stats import chi2

from autocal.geometry.parameters import NAMES
from benchmarks.row import MISSED
from tests.test_solve_statistics import FREE, above_bound, run_trials

RIGS = 100
_BARS = ((0.0, 1.1), (0.4, 1.3))
_HEAD = "| outliers | parameter | error / bound | luck taken out | bar | error / sigma | chi-square |"


def rows(rigs: int = RIGS) -> tuple[list[str], bool]:
    """Markdown rows, one a parameter and share of outliers, and whether every bar is met."""
    out, met = [_HEAD, "| --- | --- | --- | --- | --- | --- | --- |"], True
    names = np.array(NAMES)[FREE]
    for outliers, bar in _BARS:
        with ProcessPoolExecutor(mp_context=multiprocessing.get_context("spawn")) as pool:
            trials = run_trials(outliers, rigs, pool.map)
        determined = trials.well_determined
        plain = np.sqrt(np.mean((trials.error / trials.bound) ** 2, axis=0))
        by_bound = above_bound(trials)
        z2 = np.sum((trials.error / trials.sigma) ** 2, axis=0)
        tail = 0.005 / determined.sum()
        low, high = chi2.ppf([tail, 1 - tail], rigs)
        for i in np.flatnonzero(determined):
            inside = bool(low < z2[i] < high)
            met &= bool(by_bound[i] <= bar) and inside
            shares = f"{plain[i]:.2f} | {by_bound[i]:.2f} | {bar} | {np.sqrt(z2[i] / rigs):.2f}"
            verdict = "passes" if inside else "**fails**"
            out.append(f"| {outliers:.0%} | {names[i]} | {shares} | {verdict} |")
    return out, met


if __name__ == "__main__":
    table, all_met = rows(*map(int, sys.argv[1:2]))
    print("\n".join(table))
    sys.exit(0 if all_met else MISSED)
