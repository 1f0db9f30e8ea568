"""Takes for the tests of checking: exact matches of a rig that stays, is knocked, or drifts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from autocal.calibration import Calibration
from autocal.geometry import ImageCircle, Lens, Rig, matrix_from_yaw_pitch_roll
from autocal.geometry.lens import Array
from autocal.matches import EyePairs
from autocal.verify.clip_pairs import ClipPairs, Moment
from samples.truth import EyeTruth, Truth
from tests.simulation import SIZE, random_points, simulate

HARBOUR = Path(__file__).parents[1] / "samples" / "harbour.mp4"
NOISE_PX = 0.3


def knocked(rig: Rig, yaw_pitch_roll_deg: Array | Sequence[float]) -> Rig:
    """The rig with its right eye turned, as `autocal.geometry` counts yaw, pitch and roll."""
    return replace(rig, R_right=matrix_from_yaw_pitch_roll(*np.deg2rad(yaw_pitch_roll_deg)) @ rig.R_right)


def take(
    rng: np.random.Generator,
    rigs: Sequence[Rig],
    *,
    points: int = 1000,
    noise_px: float = NOISE_PX,
    outliers: float = 0.0,
    distances_m: Sequence[float] | None = None,
) -> ClipPairs:
    """One frame a window, half a second apart; `rigs`: the unit in each; half of the points are matched.

    distances_m: the nearest and the furthest of the points, evenly spread in inverse distance; every third
    is a furthest one.
    """
    still = (np.eye(3)[None], np.zeros((1, 3)))
    parts = []
    for rig in rigs:
        scene = random_points(rng, points)
        if distances_m is not None:
            near, far = distances_m
            scene[:, 3] = rng.uniform(1 / far, 1 / near, points)
            scene[::3, 3] = 1 / far
        seen = simulate(rng, rig, still, scene, noise_px=noise_px, outliers=outliers, run=1)
        parts.append(seen.matches.eye_pairs())
    frame = np.concatenate([np.full(len(part), i) for i, part in enumerate(parts)])
    pairs = EyePairs(
        np.arange(len(frame)),
        np.arange(len(frame)),
        frame,
        np.concatenate([part.pixel_left for part in parts]),
        np.concatenate([part.pixel_right for part in parts]),
        np.full(len(frame), max(noise_px, 1e-3)),
    )
    moments = tuple(Moment(0, 12 * i, 0.5 * i, i) for i in range(len(rigs)))
    return ClipPairs(pairs, SIZE, (), moments)


def _fitted_lens(eye: EyeTruth, size: tuple[int, int], rim: float) -> Lens:
    """The polynomial nearest to a tabulated lens, out to `rim` rad."""
    theta = np.linspace(0.01, rim, 400)
    powers = theta[:, None] ** [1, 3, 5, 7, 9]
    c = np.linalg.lstsq(powers, eye.radius_of_angle(theta), rcond=None)[0]
    circle = ImageCircle(*eye.principal_point, float(eye.radius_of_angle(rim)))
    return Lens(size, float(c[0]), eye.principal_point, tuple(map(float, c[1:] / c[0])), circle=circle)


def true_calibration(truth: Truth) -> Calibration:
    """The calibration nearest to a sample's truth."""
    rim = np.deg2rad(truth.fov_deg / 2)
    left, right = (_fitted_lens(truth.eye(eye), truth.eye_size, rim) for eye in (0, 1))
    rig = Rig(left, right, truth.eye(0).R_eye_from_rig, truth.eye(1).R_eye_from_rig, 64.0)
    return Calibration(rig.levelled())
