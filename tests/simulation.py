"""Exact matches of random rigs in random scenes, without pictures: truth for the solver's tests."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from autocal.geometry import (
    ImageCircle,
    Lens,
    Rig,
    matrix_from_rotation_vector,
    matrix_from_yaw_pitch_roll,
)
from autocal.geometry.lens import Array
from autocal.geometry.rig import rig_from_relative
from autocal.matches import Matches, matches_from_rows

SIZE = (1536, 1536)
#: Standard deviations that k1..k4 are drawn with: of one lens about the mean, and of the other about the one.
SHAPE_SPREAD = (0.01, 0.003, 0.001, 0.0002)
SHAPE_DIFFERENCE_SPREAD = (0.002, 0.0005, 0.0002, 0.00005)


@dataclass(frozen=True, eq=False)
class Simulated:
    """Matches with the truth they were made from. R_rig: (frames, 3, 3), rig from world;
    position: (frames, 3), m; points: (tracks, 4), homogeneous, in the world; outlier: (n,), rows that
    were moved at random."""

    matches: Matches
    rig: Rig
    R_rig: Array
    position: Array
    points: Array
    outlier: np.ndarray


def random_rig(rng: np.random.Generator, *, spread: float = 1.0) -> Rig:
    """A rig as they come: tenths of degrees of tilt, lenses not quite alike, baseline not quite level."""
    yaw, pitch, roll = np.deg2rad(rng.normal(0, 0.4 * spread, 3))

    def lens(k: Array, focal: float, centre: Array) -> Lens:
        x, y = centre + rng.normal(0, 2.0, 2) * spread
        circle = ImageCircle(x, y, 735.0)
        return Lens(SIZE, focal, tuple(centre), tuple(k), circle=circle)

    k = np.array([-0.02, 0.0, 0.0, 0.0]) + rng.normal(0, 1, 4) * SHAPE_SPREAD * spread
    focal = 460.0 * np.exp(rng.normal(0, 0.02 * spread))
    centre = np.array([767.5, 767.5]) + rng.normal(0, 4.0 * spread, 2)
    other = k + rng.normal(0, 1, 4) * SHAPE_DIFFERENCE_SPREAD * spread
    return rig_from_relative(
        lens(k, focal, centre),
        lens(other, focal * np.exp(rng.normal(0, 0.003 * spread)), centre + rng.normal(0, 3.0 * spread, 2)),
        matrix_from_yaw_pitch_roll(yaw, pitch, roll),
        [1.0, *np.deg2rad(rng.normal(0, 0.4 * spread, 2))],
        60.0,
    )


def walk(frames: int, *, metres: float = 1.5, turn_deg: float = 30.0) -> tuple[Array, Array]:
    """Poses of a walk: rig-from-world rotations (frames, 3, 3) and positions (frames, 3), m."""
    t = np.linspace(0.0, 1.0, frames)
    turn = np.deg2rad(turn_deg) * (t - t[0])
    sway = np.deg2rad(1.5) * np.sin(6 * t)
    vectors = -np.stack([sway - sway[0], turn, 0.5 * (sway - sway[0])], axis=1)
    position = np.stack([0.3 * metres * t, 0.03 * np.sin(7 * t), metres * t], axis=1)
    return matrix_from_rotation_vector(vectors), position - position[0]


def random_points(rng: np.random.Generator, n: int) -> Array:
    """Homogeneous points (n, 4): all around, from 0.8 m to infinity (a tenth of them)."""
    direction = rng.normal(size=(n, 3))
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    inverse = np.exp(rng.uniform(np.log(1 / 300), np.log(1 / 0.8), n))
    inverse[rng.random(n) < 0.1] = 0.0
    return np.concatenate([direction, inverse[:, None]], axis=1)


def simulate(
    rng: np.random.Generator,
    rig: Rig,
    poses: tuple[Array, Array],
    points: Array,
    *,
    noise_px: float = 0.3,
    outliers: float = 0.0,
    run: int = 6,
    angle_deg: float = 88.0,
) -> Simulated:
    """What the rig sees of the points: each point over `run` consecutive frames, both eyes.

    outliers: share of the observations replaced by a random place within 200 px or anywhere.
    """
    R_rig, position = poses
    frames = len(R_rig)
    rows = []
    half = 0.5e-3 * rig.baseline_mm
    first = rng.integers(0, max(frames - run, 0) + 1, len(points))
    for frame in range(frames):
        seen = (first <= frame) & (frame < first + run)
        g = (points[:, :3] - points[:, 3:] * position[frame]) @ R_rig[frame].T
        for eye, side in ((0, -half), (1, half)):
            d = (g - points[:, 3:] * [side, 0.0, 0.0]) @ rig.rotation(eye).T
            near_axis = d[:, 2] > np.cos(np.deg2rad(angle_deg)) * np.linalg.norm(d, axis=1)
            pixel = rig.lens(eye).project(d)
            ok = seen & near_axis & rig.lens(eye).inside(pixel)
            number = np.flatnonzero(ok)
            rows.append((number, np.full(len(number), frame), np.full(len(number), eye), pixel[ok]))
    track, frame_, eye_, pixel = (np.concatenate(column) for column in zip(*rows, strict=True))
    pixel = pixel + rng.normal(0, noise_px, pixel.shape)
    wrong = rng.random(len(track)) < outliers
    near = rng.random(len(track)) < 0.5
    pixel[wrong & near] += rng.uniform(-200, 200, (int((wrong & near).sum()), 2))
    pixel[wrong & ~near] = rng.uniform(100, 1400, (int((wrong & ~near).sum()), 2))
    sigma = np.full(len(track), noise_px)
    matches = matches_from_rows(track, frame_, eye_, pixel, sigma, frames, rig.left.size)
    # What became of each row, carried through the same sorting and dropping: was it moved, which point.
    fate = np.stack([wrong.astype(float), track.astype(float)], axis=1)
    kept = matches_from_rows(track, frame_, eye_, fate, sigma, frames, rig.left.size)
    point = points[kept.pixel[np.searchsorted(kept.track, np.arange(kept.tracks)), 1].astype(int)]
    return Simulated(matches, rig, R_rig, position, point, kept.pixel[:, 0] > 0.5)
