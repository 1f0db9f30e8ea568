"""What happened within a take: nothing, a knock, or a slow drift."""

import numpy as np
import pytest
from scipy.stats import ortho_group

from autocal.geometry.lens import Array
from autocal.verify.check_change import find_changes
from autocal.verify.check_rotation import rows_of
from autocal.verify.check_windows import timeline
from tests.check_takes import knocked, take
from tests.simulation import random_rig

WINDOWS = 8
TIMES = np.arange(WINDOWS) * 0.5


def changes_of(seed: int, turns_deg: Array):
    """Changes found in a simulated take of about 500 matches a window, a tenth of them wrong."""
    rng = np.random.default_rng(seed)
    rig = random_rig(rng)
    seen = take(rng, [knocked(rig, turn) for turn in turns_deg], outliers=0.05)
    rows = rows_of(rig, seen.pairs)
    windows = timeline(rows, seen.moments, rig, np.ones(len(rows), dtype=bool)).windows
    assert len(windows) == WINDOWS
    return find_changes(
        np.array([w.elapsed_s for w in windows]),
        np.array([w.rotation_deg for w in windows]),
        np.array([w.covariance_deg2 for w in windows]),
    )


def test_no_false_alarm_on_100_quiet_takes() -> None:
    assert sum(len(changes_of(seed, np.zeros((WINDOWS, 3)))) for seed in range(100)) == 0


def test_a_step_of_a_twentieth_of_a_degree_is_dated_within_a_window_in_95_of_100_takes() -> None:
    dated = 0
    for seed in range(100):
        rng = np.random.default_rng(1000 + seed)
        at, axis = int(rng.integers(1, WINDOWS)), int(rng.integers(3))
        turns = np.zeros((WINDOWS, 3))
        turns[at:, axis] = rng.choice([-0.05, 0.05])
        found = changes_of(seed, turns)
        dated += len(found) == 1 and found[0].kind == "step" and abs(found[0].last - at) <= 1
    assert dated >= 95


def test_a_slow_drift_is_told_from_a_step() -> None:
    right = 0
    for seed in range(25):
        axis = seed % 3
        turns = np.zeros((WINDOWS, 3))
        turns[:, axis] = np.linspace(0, 0.12, WINDOWS)
        found = changes_of(seed, turns)
        right += len(found) == 1 and found[0].kind == "drift"
        if len(found) == 1 and found[0].kind == "drift":
            assert found[0].size_deg[axis] == pytest.approx(0.12, abs=5 * found[0].sigma_deg[axis])
            assert (found[0].first, found[0].last) == (0, WINDOWS - 1)
    assert right >= 24


def covariances(rng: np.random.Generator, n: int) -> Array:
    """Correlated, and different from window to window."""
    turn = ortho_group.rvs(3, random_state=rng)
    spread = turn @ np.diag([0.002, 0.004, 0.008]) ** 2 @ turn.T
    return spread * rng.uniform(0.5, 2.0, n)[:, None, None]


def estimates(rng: np.random.Generator, C: Array) -> Array:
    return np.einsum("nij,nj->ni", np.linalg.cholesky(C), rng.normal(size=(len(C), 3)))


def test_false_alarms_on_gaussian_estimates_are_rarer_than_the_level() -> None:
    rng = np.random.default_rng(0)
    alarms = 0
    for _ in range(3000):
        C = covariances(rng, 12)
        alarms += bool(find_changes(np.arange(12.0), estimates(rng, C), C))
    # One in ten thousand for steps and for drifts each: 0.6 expected of 3000; 4 have a chance of 0.3 %.
    assert alarms < 4


def test_alarms_stay_rare_where_all_sigmas_are_twice_too_small() -> None:
    """The scatter of 16 windows about each other is itself known only roughly: 3 % of alarms are allowed."""
    rng = np.random.default_rng(1)
    alarms = 0
    for _ in range(300):
        C = covariances(rng, 16)
        alarms += bool(find_changes(np.arange(16.0), 2 * estimates(rng, C), C))
    assert alarms <= 9


def test_two_knocks_are_both_found() -> None:
    rng = np.random.default_rng(2)
    C = covariances(rng, 16)
    values = estimates(rng, C)
    values[5:] += [0.1, 0, 0]
    values[11:] += [0, -0.1, 0.1]
    found = find_changes(np.arange(16.0), values, C)
    assert [(c.kind, c.first, c.last) for c in found] == [("step", 4, 5), ("step", 10, 11)]
    assert found[0].size_deg == pytest.approx([0.1, 0, 0], abs=0.02)


@pytest.mark.parametrize("n", [0, 1])
def test_a_single_window_shows_no_change(n: int) -> None:
    assert find_changes(np.arange(float(n)), np.zeros((n, 3)), np.tile(np.eye(3), (n, 1, 1))) == ()
