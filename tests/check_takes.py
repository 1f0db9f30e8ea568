"""Takes for the tests of checking: exact matches of a rig that stays, is knocked, or drifts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from autocal.geometry import Rig, matrix_from_yaw_pitch_roll
from autocal.geometry.lens import Array
from autocal.matches import EyePairs
from autocal.verify.clip_pairs import ClipPairs, Moment
from tests.simulation import SIZE, random_points, simulate

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
