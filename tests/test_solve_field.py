"""What a covariance of the parameters means out in the field."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from autocal.geometry import Lens, horizontal_disparity, vertical_disparity
from autocal.geometry.lens import Array
from autocal.geometry.parameters import NAMES, rig_from_vector, vector_from_rig
from autocal.solver.uncertainty import FieldUncertainty
from tests.simulation import random_rig

SIGMA = 1e-4  # rad


def ending(lens: Lens, angle_deg: float) -> Lens:
    """The lens with a range that ends so far off axis."""
    return replace(lens, k=(-1 / (3 * np.deg2rad(angle_deg) ** 2), 0.0, 0.0, 0.0))


def field() -> Array:
    """Directions (n, 3) up to 60 degrees off axis, evenly all around."""
    angle, turn = np.meshgrid(np.deg2rad([10.0, 35.0, 60.0]), np.deg2rad(np.arange(0.0, 360.0, 30.0)))
    return np.stack(
        [np.sin(angle) * np.cos(turn), np.sin(angle) * np.sin(turn), np.cos(angle)], axis=-1
    ).reshape(-1, 3)


@pytest.mark.parametrize(
    "name", ["rotation_x", "rotation_y", "rotation_z", "focal_difference", "baseline_roll"]
)
def test_sigmas_over_the_field_are_what_one_sigma_of_a_parameter_moves(name: str) -> None:
    rig = random_rig(np.random.default_rng(3))
    vector, directions, cov = vector_from_rig(rig), field(), np.zeros((len(NAMES), len(NAMES)))
    one = NAMES.index(name)
    cov[one, one] = SIGMA**2
    known = FieldUncertainty.of(rig, cov, directions)
    moved = rig_from_vector(vector + SIGMA * np.eye(len(NAMES))[one], rig)
    left, right = (moved.directions(eye, rig.pixels(eye, directions)) for eye in (0, 1))
    mean = float(np.mean(horizontal_disparity(left, right)))
    assert known.infinity_sigma(np.deg2rad(61.0)) == pytest.approx(abs(mean), rel=0.01, abs=1e-3 * SIGMA)
    # The rotation common to both eyes, which the map's sigma leaves out, moves no vertical disparity much.
    vertical = np.abs(vertical_disparity(left, right))
    np.testing.assert_allclose(known.vertical_sigma(), vertical, atol=0.02 * SIGMA)


def test_a_turn_of_both_eyes_alike_is_no_error_of_the_map() -> None:
    """Yaw by half a sigma each way is all that is left of a sigma between the eyes."""
    rig = random_rig(np.random.default_rng(3))
    cov = np.zeros((len(NAMES), len(NAMES)))
    yaw = NAMES.index("rotation_y")
    cov[yaw, yaw] = SIGMA**2
    sigma = FieldUncertainty.of(rig, cov, field()).map_sigma()
    assert np.all(sigma < 0.51 * SIGMA)
    assert np.max(sigma) > 0.45 * SIGMA


def test_directions_outside_a_narrow_lens_do_not_make_infinity_surer() -> None:
    wide = random_rig(np.random.default_rng(3))
    cov = np.zeros((len(NAMES), len(NAMES)))
    yaw = NAMES.index("rotation_y")
    cov[yaw, yaw] = SIGMA**2
    narrow = replace(wide, left=ending(wide.left, 45.0), right=ending(wide.right, 45.0))
    inside = field()[field()[:, 2] > np.cos(np.deg2rad(40.0))]
    of_all, of_seen = (
        FieldUncertainty.of(narrow, cov, directions).infinity_sigma(np.deg2rad(61.0))
        for directions in (field(), inside)
    )
    assert of_all == pytest.approx(of_seen, rel=1e-9)
    assert of_seen > 0.5 * SIGMA
