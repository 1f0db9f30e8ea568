"""How a rig moves: poses for each frame. World frame as the rig's at rest: x right, y down, z forward."""

from __future__ import annotations

import numpy as np
from scipy.spatial.transform import Rotation

from samples.truth import Array, Pose


def pose(position_m: Array, yaw_deg: float = 0.0, pitch_deg: float = 0.0, roll_deg: float = 0.0) -> Pose:
    """A pose turned to the right, tilted up, rolled clockwise."""
    turn = Rotation.from_euler("YXZ", np.deg2rad([yaw_deg, pitch_deg, roll_deg]))
    return Pose(turn.as_matrix(), np.asarray(position_m, float))


def tripod(frames: int, height_m: float = 1.5) -> tuple[Pose, ...]:
    """Nothing moves."""
    return (pose(np.array([0.0, -height_m, 0.0])),) * frames


def pan(frames: int, turn_deg: float = 60.0, height_m: float = 1.5) -> tuple[Pose, ...]:
    """A turn on the spot, from left to right."""
    yaws = np.linspace(-turn_deg / 2, turn_deg / 2, frames)
    return tuple(pose(np.array([0.0, -height_m, 0.0]), float(yaw)) for yaw in yaws)


def walk(
    frames: int,
    distance_m: float = 1.5,
    turn_deg: float = 30.0,
    height_m: float = 1.5,
    heading_deg: float = 35.0,
    sway: float = 1.0,
) -> tuple[Pose, ...]:
    """A hand-held walk in a gentle arc while turning to the right, with the bob and sway of steps.

    heading_deg: direction of the walk in the world, to the right of forward. sway: 0 for none.
    """
    along = np.linspace(0.0, 1.0, frames)
    steps = 2 * np.pi * along * distance_m / 0.7  # a step of 0.7 m: from memory
    heading = np.deg2rad(heading_deg + 20.0 * (along - 0.5))
    travelled = np.gradient(along, edge_order=1) * distance_m if frames > 1 else np.zeros(1)
    x = np.cumsum(travelled * np.sin(heading))
    z = np.cumsum(travelled * np.cos(heading))
    x, z = x - x.mean(), z - z.mean()
    bob = 0.02 * sway * np.sin(2 * steps)
    side = 0.015 * sway * np.sin(steps)
    return tuple(
        pose(
            np.array([x[i] + side[i], -height_m + bob[i], z[i]]),
            turn_deg * (along[i] - 0.5) + 0.6 * sway * np.sin(steps[i] + 1.0),
            0.8 * sway * np.sin(2 * steps[i] + 0.4) + 1.5 * sway * (along[i] - 0.5),
            1.2 * sway * np.sin(steps[i] + 2.0),
        )
        for i in range(frames)
    )
