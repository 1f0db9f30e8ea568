"""The remaining rotation: right where truth is exact, and as uncertain as it says."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.stats import chi2

from autocal.calibration import Calibration
from autocal.geometry import Rig, sampson_miss, yaw_pitch_roll_from_matrix
from autocal.geometry.lens import Array
from autocal.geometry.parameters import NAMES, rig_from_vector, vector_from_rig
from autocal.matches import EyePairs
from autocal.verify.check_rotation import (
    axes_from_fitted,
    from_calibration,
    refined,
    rows_of,
    yaw_pitch_roll_deg,
)
from tests.check_takes import knocked, take
from tests.simulation import random_rig


def measured(rig: Rig, pairs: EyePairs) -> tuple[Array, Array]:
    """Yaw, pitch, roll against the calibration `rig`, and their sigmas from the matches alone, degrees."""
    rows, fit = refined(rows_of(rig, pairs), rig)
    to_axes = axes_from_fitted(rig)
    return yaw_pitch_roll_deg(rows, fit.vector, rig), np.sqrt(np.diag(to_axes @ fit.covariance @ to_axes.T))


@pytest.mark.parametrize(
    "turn_deg", [(0.5, 0, 0), (0, 0.5, 0), (0, 0, 0.5), (-0.03, 0.02, 0.05), (1.5, -2.0, 1.0)]
)
def test_a_turn_of_the_right_eye_is_found_to_the_last_digit_without_noise(
    turn_deg: tuple[float, ...],
) -> None:
    rng = np.random.default_rng(1)
    rig = random_rig(rng)
    pairs = take(rng, [knocked(rig, turn_deg)], noise_px=0.0).pairs
    assert measured(rig, pairs)[0] == pytest.approx(turn_deg, abs=2e-5)


def test_a_turn_of_the_left_eye_is_the_opposite_of_one_of_the_right() -> None:
    rng = np.random.default_rng(2)
    rig = random_rig(rng)
    left_knocked = replace(rig, R_left=knocked(replace(rig, R_right=rig.R_left), (0.2, 0.1, -0.3)).R_right)
    pairs = take(rng, [left_knocked], noise_px=0.0).pairs
    expected = np.rad2deg(
        yaw_pitch_roll_from_matrix(left_knocked.relative_rotation @ rig.relative_rotation.T)
    )
    found = measured(rig, pairs)[0]
    assert found == pytest.approx(expected, abs=2e-5)
    assert np.sign(found).tolist() == [-1, -1, 1]


def test_the_fit_is_that_of_a_general_optimiser() -> None:
    """scipy's least_squares on the misses themselves, over the solver's parameters, is the reference."""
    rng = np.random.default_rng(3)
    rig = random_rig(rng)
    pairs = take(rng, [knocked(rig, (0.3, -0.2, 0.1))]).pairs
    start, free = vector_from_rig(rig), [*range(5), NAMES.index("focal_difference")]

    def misses(values: Array) -> Array:
        vector = start.copy()
        vector[free] += values
        turned = rig_from_vector(vector, rig)
        left, right = turned.directions(0, pairs.pixel_left), turned.directions(1, pairs.pixel_right)
        return sampson_miss(left, right) / np.deg2rad(0.03)

    vector = start.copy()
    vector[free] += least_squares(misses, np.zeros(6), x_scale=1e-3).x
    change = rig_from_vector(vector, rig).relative_rotation @ rig.relative_rotation.T
    found, sigma = measured(rig, pairs)
    # Not whitened pixel by pixel and not robust: the same to a fraction of sigma.
    assert np.all(np.abs(found - np.rad2deg(yaw_pitch_roll_from_matrix(change))) < 0.7 * sigma)


def test_a_third_of_wrong_matches_does_not_move_the_answer() -> None:
    rng = np.random.default_rng(4)
    rig = random_rig(rng)
    # An observation in six replaced: three matches in ten are wrong.
    pairs = take(rng, [knocked(rig, (0.4, 0.3, -0.2))], outliers=1 / 6, points=2500).pairs
    found, sigma = measured(rig, pairs)
    assert np.all(np.abs(found - [0.4, 0.3, -0.2]) < 4 * sigma)
    assert sigma.max() < 0.01


def a_calibration(rng: np.random.Generator, rig: Rig) -> Calibration:
    """One that errs as its covariance says: turned, decentred, of another focal length in each eye."""
    sigma = np.zeros(len(NAMES))
    for name, size in {
        "rotation_x": np.deg2rad(0.01), "rotation_y": np.deg2rad(0.03), "rotation_z": np.deg2rad(0.01),
        "baseline_yaw": np.deg2rad(0.1), "baseline_roll": np.deg2rad(0.1),
        "focal": 0.002, "k1": 0.001, "focal_difference": 0.0005,
        "centre_x": 1.0, "centre_y": 1.0, "centre_x_difference": 0.2, "centre_y_difference": 0.2,
    }.items():  # fmt: skip
        sigma[NAMES.index(name)] = size
    mix = np.eye(len(NAMES)) + 0.3 * rng.normal(size=(len(NAMES), len(NAMES)))
    root = sigma[:, None] * mix
    error = root @ rng.normal(size=len(NAMES))
    return Calibration(rig_from_vector(vector_from_rig(rig) + error, rig), root @ root.T)


def test_errors_over_sigmas_pass_a_chi_square_test() -> None:
    """Nothing moved: what remains is the calibration's own error and the noise, and neither is underrated."""
    squares = []
    for seed in range(100):
        rng = np.random.default_rng(seed)
        truth = random_rig(rng)
        calibration = a_calibration(rng, truth)
        pairs = take(rng, [truth], points=700, outliers=0.03).pairs
        rows, fit = refined(rows_of(calibration.rig, pairs), calibration.rig)
        covariance = fit.covariance + from_calibration(rows, fit, calibration, pairs)
        d = yaw_pitch_roll_deg(rows, fit.vector, calibration.rig)
        to_axes = axes_from_fitted(calibration.rig)
        squares.append(d @ np.linalg.solve(to_axes @ covariance @ to_axes.T, d))
    low, high = chi2.ppf([0.005, 0.995], 3 * len(squares))
    assert low < np.sum(squares) < high


def test_errors_that_neighbours_share_make_the_sigmas_larger() -> None:
    """The same offset for all matches of a place: thousands of matches, few independent causes."""
    found, sigmas, independent = [], [], []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        rig = random_rig(rng)
        pairs = take(rng, [rig], points=3000, noise_px=0.1).pairs
        # Places of about 11 degrees, cut along other lines than those of the estimator.
        place = np.floor((pairs.pixel_left + rng.uniform(0, 90, 2)) / 90).astype(int)
        offset = rng.normal(0, 0.3, (40, 40, 2))[place[:, 1], place[:, 0]]
        shuffled = rng.permutation(offset)
        independent.append(measured(rig, replace(pairs, pixel_left=pairs.pixel_left + shuffled))[1])
        d, sigma = measured(rig, replace(pairs, pixel_left=pairs.pixel_left + offset))
        found.append(d)
        sigmas.append(sigma)
    z2 = np.sum((np.array(found) / sigmas) ** 2)
    # The places are not the estimator's cells: half as much again is allowed for.
    assert z2 < 1.5 * chi2.ppf(0.99, np.size(found))
    assert np.mean(sigmas) > 1.5 * np.mean(independent)


def test_an_unknown_covariance_of_the_calibration_counts_as_none() -> None:
    rng = np.random.default_rng(5)
    rig = random_rig(rng)
    pairs = take(rng, [rig]).pairs
    rows, fit = refined(rows_of(rig, pairs), rig)
    assert not from_calibration(rows, fit, Calibration(rig), pairs).any()
