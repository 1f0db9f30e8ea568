"""From a scene, a rig and a path to a film with its truth beside it."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from samples import motions
from samples.renderer import eye_rays, render
from samples.scenes import random_scene
from samples.sensor import Sensor, expose, write_h264
from samples.surfaces import Scene
from samples.truth import Pose, Truth, save_truth

FRAME_RATE = Fraction(24)
#: Two eyes that expose a little differently.
SENSORS = (
    Sensor(exposure=1.0, colour=(1.0, 1.0, 1.0), vignetting=0.42),
    Sensor(exposure=0.93, colour=(1.03, 1.0, 0.96), vignetting=0.47),
)


def frames(
    truth: Truth,
    scene: Scene,
    seed: int,
    samples: int = 4,
    sensors: tuple[Sensor, Sensor] = SENSORS,
    frame_rate: Fraction = FRAME_RATE,
) -> Iterator[NDArray[np.uint8]]:
    """Side-by-side frames (h, 2 w, 3), one for each of the truth's poses; noise by `seed`.

    samples: rays a pixel, one of `samples.renderer.PATTERNS`.
    """
    rng = np.random.default_rng(seed)
    rim = np.deg2rad(truth.fov_deg / 2)
    rays = [eye_rays(truth.eye(eye), truth.eye_size, rim, samples) for eye in (0, 1)]
    with ThreadPoolExecutor(2) as pool:
        for index, pose in enumerate(truth.poses):
            seen = [pool.submit(render, r, scene, pose, float(index / frame_rate)) for r in rays]
            halves = [
                expose(light.result(), r.off_axis, rim, sensor, rng)
                for light, r, sensor in zip(seen, rays, sensors, strict=True)
            ]
            yield np.concatenate(halves[::-1] if truth.swapped else halves, axis=1)


def write_clip(
    path: Path,
    truth: Truth,
    scene: Scene,
    seed: int,
    samples: int = 4,
    crf: int = 20,
    sensors: tuple[Sensor, Sensor] = SENSORS,
    notes: dict[str, object] | None = None,
) -> None:
    """Write a film (.mp4) and its truth beside it (.json): written under other names, then renamed."""
    part = path.with_name(f".{path.name}.part")
    try:
        write_h264(frames(truth, scene, seed, samples, sensors), part, FRAME_RATE, crf)
        save_truth(truth, path.with_suffix(".json"), notes)
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def write_random_clip(
    path: Path, rig: Truth, poses: tuple[Pose, ...], seed: int, samples: int = 4, crf: int = 20
) -> Truth:
    """A film of a random scene (`samples.scenes`) along `poses`, for instance those of `samples.motions`."""
    truth = replace(rig, poses=poses)
    write_clip(path, truth, random_scene(np.random.default_rng(seed)), seed, samples, crf)
    return truth


def write_tripod_clip(path: Path, rig: Truth, frame_count: int = 6, seed: int = 0, samples: int = 4) -> Truth:
    """A film from a rig that stands still, outdoors: only noise and one thing in the scene change."""
    truth = replace(rig, poses=motions.tripod(frame_count))
    write_clip(path, truth, random_scene(np.random.default_rng(seed), indoor=False), seed, samples)
    return truth
