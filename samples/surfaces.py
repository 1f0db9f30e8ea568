"""What things are made of and how they are lit: a scene's plain data, and the colour of a hit.

World frame: x right, y down, z forward; m and s. Colours are linear, RGB.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import torch
from numpy.typing import NDArray

from samples.shapes import Shape
from samples.textures import Tile

Array = NDArray[np.float64]
Colour = tuple[float, float, float]
#: How much of a slanted footprint's length counts: 1 never aliases, 0 keeps far ground sharp.
_SLANT = 0.85


@dataclass(frozen=True, eq=False)
class Material:
    """A tile of texture laid over a surface, and a coarser one over it that keeps it from repeating.

    tile_m, coarse_m: side length of a tile, m. offset: where the surface's origin falls in the tile.
    drift_m_s: how fast the fine layer moves over the surface (the coarse one moves the other way).
    """

    tile: Tile
    tile_m: float
    tint: Colour = (1.0, 1.0, 1.0)
    offset: tuple[float, float] = (0.0, 0.0)
    coarse: Tile | None = None
    coarse_m: float = 37.0
    glow: float = 1.0
    drift_m_s: float = 0.0


@dataclass(frozen=True, eq=False)
class Thing:
    """A solid in the world. path: where its centre has moved to after t seconds, (3,), m; None: it stands."""

    shape: Shape
    material: Material
    centre: Array
    R_world_from_thing: Array = field(default_factory=lambda: np.eye(3))
    path: Callable[[float], Array] | None = None

    def at(self, time_s: float) -> Array:
        """Its centre at that time, (3,), m."""
        return self.centre if self.path is None else self.centre + self.path(time_s)


@dataclass(frozen=True)
class Lamp:
    """A small light without a shadow. strength: light on a facing surface 1 m away."""

    place: tuple[float, float, float]
    strength: Colour


@dataclass(frozen=True, eq=False)
class Sky:
    """Everything at infinity: a gradient, a glow about the sun, a layer of clouds, stars."""

    clouds: Tile
    zenith: Colour
    horizon: Colour
    cloud_light: Colour
    cloud_dark: Colour
    glow: Colour
    stars: Tile | None = None


@dataclass(frozen=True, eq=False)
class Scene:
    """Things under a sky.

    sun: direction towards it, (3,), unit length. haze_m: distance at which 63 % of a thing is lost in haze.
    """

    things: tuple[Thing, ...]
    sky: Sky
    sun: Array
    sunlight: Colour
    from_above: Colour
    from_below: Colour
    haze: Colour
    haze_m: float = 2000.0
    lamps: tuple[Lamp, ...] = ()


def surface_colour(
    scene: Scene,
    thing: Thing,
    p: torch.Tensor,
    distance: torch.Tensor,
    incoming: torch.Tensor,
    blur: float,
    time_s: float,
) -> torch.Tensor:
    """Linear colour (n, 3) of hits.

    p: (3, n) in the thing's frame; distance: (n,), m; incoming: (3, n), ray directions in the thing's
    frame; blur: width of a sample's footprint, rad.
    """
    u, v, normal = thing.shape.surface(p)
    slant = (normal * incoming).sum(0).abs().clamp(0.02, 1.0)
    footprint = torch.log2(distance * blur * slant**-_SLANT)
    texture = _texture(thing.material, u, v, footprint, time_s)
    R = torch.tensor(thing.R_world_from_thing, dtype=torch.float32)
    normal = R @ normal
    light = _light(scene, normal, p, R, thing.at(time_s))
    albedo, glow = texture[:, :3], texture[:, 3:]
    colour = albedo * (light * (1 - glow) + glow * thing.material.glow)
    clear = torch.exp(distance / -scene.haze_m).unsqueeze(-1)
    return torch.lerp(torch.tensor(scene.haze), colour, clear)


def _texture(
    material: Material, u: torch.Tensor, v: torch.Tensor, footprint: torch.Tensor, time_s: float
) -> torch.Tensor:
    drift = material.drift_m_s * time_s
    tile, per_m = material.tile, 1 / material.tile_m
    level = footprint + float(np.log2(tile.texels * per_m))
    texture = tile.sample(
        (u + drift) * per_m + material.offset[0], (v + 0.6 * drift) * per_m + material.offset[1], level
    )
    if material.coarse is not None:
        # Turned against the fine layer, so that the two never fall into step.
        per_m = 1 / material.coarse_m
        level = footprint + float(np.log2(material.coarse.texels * per_m))
        a, b = (u - drift) * (0.8 * per_m), (v - 0.5 * drift) * (0.6 * per_m)
        a, b = a - b + material.offset[1], (u - drift) * (0.6 * per_m) + (v - 0.5 * drift) * (0.8 * per_m)
        texture[:, :3] *= 0.3 + 1.6 * material.coarse.sample(a, b, level)[:, 1:2]
    texture[:, :3] *= torch.tensor(material.tint)
    return texture


def _light(
    scene: Scene, normal: torch.Tensor, p: torch.Tensor, R: torch.Tensor, centre: Array
) -> torch.Tensor:
    up = (0.5 - 0.5 * normal[1]).unsqueeze(-1)
    light = torch.lerp(torch.tensor(scene.from_below), torch.tensor(scene.from_above), up)
    sun = torch.tensor(scene.sun, dtype=torch.float32)
    light = light + (sun @ normal).clamp_min(0).unsqueeze(-1) * torch.tensor(scene.sunlight)
    if scene.lamps:
        world = R @ p + torch.tensor(centre, dtype=torch.float32)[:, None]
        for lamp in scene.lamps:
            to_lamp = torch.tensor(lamp.place)[:, None] - world
            square = (to_lamp * to_lamp).sum(0)
            # Lamps are spread: half of their light reaches surfaces turned away.
            facing = 0.35 + 0.65 * (normal * to_lamp).sum(0).clamp_min(0) * square.rsqrt()
            light = light + (facing / (square + 0.5)).unsqueeze(-1) * torch.tensor(lamp.strength)
    return light


def sky_colour(scene: Scene, d: torch.Tensor, blur: float) -> torch.Tensor:
    """Linear colour (n, 3) of the sky in directions (3, n) of the world."""
    sky = scene.sky
    up = (-d[1]).clamp_min(0.0)
    base = torch.lerp(torch.tensor(sky.horizon), torch.tensor(sky.zenith), (up**0.45).unsqueeze(-1))
    sun = torch.tensor(scene.sun, dtype=torch.float32)
    near_sun = (sun @ d).clamp_min(0.0)
    glow = (0.35 * near_sun**3 + near_sun**24).unsqueeze(-1) * torch.tensor(sky.glow)
    if sky.stars is not None:
        r = torch.arccos(up.clamp(0, 1)) / (d[0] ** 2 + d[2] ** 2).sqrt().clamp_min(1e-9)
        level = torch.full_like(up, float(np.log2(blur * sky.stars.texels / 0.8)))
        stars = sky.stars.sample(d[0] * r / 0.8, d[2] * r / 0.8, level)[:, :3]
        base = base + 0.6 * stars * up.unsqueeze(-1)
    # A flat layer overhead, bent down so that it meets the horizon at a finite distance.
    height = up + 0.12
    x, z = d[0] / height, d[2] / height
    level = torch.log2(blur * sky.clouds.texels / 2.6 / height**1.5)
    layer = sky.clouds.sample(x / 2.6 + 0.13, z / 2.6 + 0.41, level)
    lit = torch.lerp(torch.tensor(sky.cloud_dark), torch.tensor(sky.cloud_light), layer[:, 1:2])
    return torch.lerp(base + glow, lit + glow * layer[:, 1:2], layer[:, :1])
