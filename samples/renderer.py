"""Rays through every part of every pixel, cast into a scene.

A pixel's value is the mean over samples spread evenly inside it (a box filter over its area); textures are
read
from a ladder of half sizes at the width of a sample's footprint, so that nothing finer than a sample is
seen. Pixels are handled in square blocks: a thing is tried only on blocks whose cone of view its bounding
sphere meets.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import torch
from numpy.typing import NDArray

from samples.surfaces import Array, Scene, Thing, sky_colour, surface_colour
from samples.truth import EyeTruth, Pose

_BLOCK = 16
_SKY = -1
#: Samples that are worked on together: enough to be worth a call, few enough to stay in the cache.
_CHUNK_SAMPLES = 100_000
#: Offsets within a pixel whose x are all different, whose y are all different, and whose mean is the centre.
PATTERNS: dict[int, tuple[tuple[float, float], ...]] = {
    1: ((0.0, 0.0),),
    4: ((-0.125, -0.375), (0.375, -0.125), (0.125, 0.375), (-0.375, 0.125)),
    9: tuple(
        ((3 * i + (j + 0.5)) / 9 - 0.5, (3 * j + (2.5 - i)) / 9 - 0.5) for i in range(3) for j in range(3)
    ),
}


@dataclass(frozen=True, eq=False)
class EyeRays:
    """All rays of one eye, in blocks of pixels. Made once, used for every frame.

    directions: (b, 3, k) float32, rig frame, k samples of the b blocks that see anything. seen: (b, k),
    false outside the lens. axes: (b, 3), spreads: (b,), rad: a cone about each block's rays. blocks: (b,
    2), row and column of each. spread_rad: width of a sample's footprint. centre_m: (3,), the eye in the
    rig frame.
    """

    directions: torch.Tensor
    seen: torch.Tensor
    axes: Array
    spreads: Array
    blocks: NDArray[np.int64]
    size: tuple[int, int]
    samples: int
    spread_rad: float
    centre_m: Array
    off_axis: NDArray[np.float32]


def eye_rays(eye: EyeTruth, size: tuple[int, int], max_angle: float, samples: int = 4) -> EyeRays:
    """The rays of an eye whose half is size (width, height) px, out to `max_angle` rad off axis.

    samples: rays a pixel, one of `PATTERNS`. The rays come from the truth's own table, by the exact
    inverse.
    """
    width, height = size
    columns, rows = -(-width // _BLOCK), -(-height // _BLOCK)
    inner = np.arange(_BLOCK)
    offsets = np.array(PATTERNS[samples])
    axes, spreads, blocks, directions, seen = [], [], [], [], []
    off_axis = np.full((rows * _BLOCK, columns * _BLOCK), np.nan, np.float32)
    for row in range(rows):
        y, x = np.meshgrid(row * _BLOCK + inner, np.arange(columns * _BLOCK), indexing="ij")
        pixels = np.stack([x, y], axis=-1).astype(float)
        d = eye.directions(pixels[:, :, None, :] + offsets)  # (block, width, samples, 3)
        angle = np.arccos(np.clip(d @ eye.R_eye_from_rig[2], -1, 1))
        off_axis[row * _BLOCK : (row + 1) * _BLOCK] = angle.mean(axis=2)
        visible = angle <= max_angle
        for column in range(columns):
            part = slice(column * _BLOCK, (column + 1) * _BLOCK)
            good = visible[:, part].ravel()
            if not good.any():
                continue
            rays = d[:, part].reshape(-1, 3)
            axis = rays[good].mean(axis=0)
            axis /= np.linalg.norm(axis)
            rays[~good] = axis
            axes.append(axis)
            spreads.append(np.arccos(np.clip(np.min(rays @ axis), -1, 1)))
            blocks.append((row, column))
            directions.append(rays.T.astype(np.float32))
            seen.append(good)
    centre = float(eye.radius_of_angle(max_angle)) / max_angle  # px a rad, mean over the field
    return EyeRays(
        directions=torch.from_numpy(np.stack(directions)),
        seen=torch.from_numpy(np.stack(seen)),
        axes=np.stack(axes),
        spreads=np.array(spreads),
        blocks=np.array(blocks),
        size=size,
        samples=samples,
        spread_rad=1 / (centre * np.sqrt(samples)),
        centre_m=eye.centre_m,
        off_axis=off_axis[:height, :width],
    )


def render(rays: EyeRays, scene: Scene, pose: Pose, time_s: float = 0.0) -> NDArray[np.float32]:
    """What one eye sees, linear light, (height, width, 3); black outside the lens.

    Runs on one thread, so that eyes can be rendered side by side.
    """
    threads = torch.get_num_threads()
    torch.set_num_threads(1)
    try:
        return _render(rays, scene, pose, time_s)
    finally:
        torch.set_num_threads(threads)


def _render(rays: EyeRays, scene: Scene, pose: Pose, time_s: float) -> NDArray[np.float32]:
    eye = pose.position_m + pose.R_world_from_rig @ rays.centre_m
    placed = [_Placed.of(thing, eye, pose.R_world_from_rig, time_s) for thing in scene.things]
    among = [np.flatnonzero(thing.may_be_in(rays)) for thing in placed]
    depth, owner = _nearest(rays, placed, among)
    colour = torch.zeros((*depth.shape, 3))
    for number, (thing, blocks) in enumerate(zip(placed, among, strict=True)):
        for part in _chunks(rays, blocks):
            block, sample = _owned(rays, owner, part, number)
            if block.numel():
                d = thing.turn(rays.directions[block, :, sample].T)
                distance = depth[block, sample]
                p = torch.tensor(thing.origin, dtype=torch.float32)[:, None] + distance * d
                seen = surface_colour(scene, thing.thing, p, distance, d, rays.spread_rad, time_s)
                colour[block, sample] = seen
    R_world_from_rig = torch.tensor(pose.R_world_from_rig, dtype=torch.float32)
    for part in _chunks(rays, np.arange(len(rays.spreads))):
        block, sample = _owned(rays, owner, part, _SKY)
        if block.numel():
            d = R_world_from_rig @ rays.directions[block, :, sample].T
            colour[block, sample] = sky_colour(scene, d, rays.spread_rad)
    return _assemble(rays, colour)


def _nearest(
    rays: EyeRays, placed: list[_Placed], among: list[NDArray[np.int64]]
) -> tuple[torch.Tensor, torch.Tensor]:
    """Distance to what every ray meets first and the number of that thing, (b, k) each."""
    blocks, _, per_block = rays.directions.shape
    depth = torch.full((blocks, per_block), float("inf"))
    owner = torch.full((blocks, per_block), _SKY, dtype=torch.int16)
    for number, (thing, candidates) in enumerate(zip(placed, among, strict=True)):
        for part in _chunks(rays, candidates):
            t = thing.thing.shape.enter(thing.origin, thing.turned(rays.directions[part]))
            before = depth[part]
            closer = t < before
            depth[part] = torch.where(closer, t, before)
            owner[part] = owner[part].masked_fill_(closer, number)
    return depth, owner


def _chunks(rays: EyeRays, blocks: NDArray[np.int64]) -> Iterator[torch.Tensor]:
    step = max(1, _CHUNK_SAMPLES // rays.directions.shape[2])
    for start in range(0, len(blocks), step):
        yield torch.from_numpy(blocks[start : start + step])


def _owned(
    rays: EyeRays, owner: torch.Tensor, part: torch.Tensor, number: int
) -> tuple[torch.Tensor, torch.Tensor]:
    """Block and place of the samples that see a thing, among blocks `part`."""
    block, sample = torch.nonzero((owner[part] == number) & rays.seen[part], as_tuple=True)
    return part[block], sample


@dataclass(frozen=True, eq=False)
class _Placed:
    """A thing as one eye sees it: the eye in the thing's frame, the thing from the eye in the rig frame."""

    thing: Thing
    R_thing_from_rig: Array
    origin: Array
    centre_rig: Array

    @classmethod
    def of(cls, thing: Thing, eye: Array, R_world_from_rig: Array, time_s: float) -> _Placed:
        away = thing.at(time_s) - eye
        return cls(
            thing,
            thing.R_world_from_thing.T @ R_world_from_rig,
            -(thing.R_world_from_thing.T @ away),
            R_world_from_rig.T @ away,
        )

    def may_be_in(self, rays: EyeRays) -> NDArray[np.bool_]:
        shape = self.thing.shape
        distance = float(np.linalg.norm(self.centre_rig))
        among = np.ones(len(rays.spreads), bool)
        if shape.radius < distance:
            angle = np.arccos(np.clip(rays.axes @ self.centre_rig / distance, -1, 1))
            among = angle <= rays.spreads + np.arcsin(shape.radius / distance) + 1e-6
        axes = rays.axes[among] @ self.R_thing_from_rig.T
        if len(axes):
            among[among] = shape.may_meet(self.origin, axes, rays.spreads[among], distance + shape.radius)
        return among

    def turned(self, d: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
        """Directions (b, 3, k) of the rig, in the thing's frame: three (b, k)."""
        R = self.R_thing_from_rig
        x, y, z = d.unbind(1)
        first, second, third = (float(r[0]) * x + float(r[1]) * y + float(r[2]) * z for r in R)
        return first, second, third

    def turn(self, d: torch.Tensor) -> torch.Tensor:
        """Directions (3, n) of the rig, in the thing's frame."""
        return torch.tensor(self.R_thing_from_rig, dtype=torch.float32) @ d


def _assemble(rays: EyeRays, colour: torch.Tensor) -> NDArray[np.float32]:
    width, height = rays.size
    columns, rows = -(-width // _BLOCK), -(-height // _BLOCK)
    mean = colour.reshape(-1, _BLOCK, _BLOCK, rays.samples, 3).mean(dim=3).numpy()
    picture = np.zeros((rows, columns, _BLOCK, _BLOCK, 3), np.float32)
    picture[rays.blocks[:, 0], rays.blocks[:, 1]] = mean
    return picture.transpose(0, 2, 1, 3, 4).reshape(rows * _BLOCK, columns * _BLOCK, 3)[:height, :width]
