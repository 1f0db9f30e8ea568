"""What scenes are put together with: a set of textures, and a collector of things."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from samples import textures
from samples.shapes import Ridge, Shape, box, roof
from samples.surfaces import Array, Colour, Material, Thing
from samples.textures import Tile


@dataclass(frozen=True, eq=False)
class Kit:
    """The textures everything is covered with."""

    cobbles: Tile
    stone: Tile
    bricks: Tile
    planks: Tile
    metal: Tile
    front: Tile
    shed: Tile
    foliage: Tile
    water: Tile
    checks: Tile
    clouds: Tile
    stars: Tile


def make_kit(rng: np.random.Generator, n: int, check_colours: Array | None = None) -> Kit:
    """All textures, most of them n x n texels, n a power of two. check_colours: (2, 3); None: random ones."""
    stars = np.zeros((n, n, 3))
    places = rng.integers(0, n, (500, 2))
    stars[places[:, 0], places[:, 1]] = rng.uniform(0.1, 1.0, (500, 1)) ** 2
    return Kit(
        cobbles=textures.cobbles(rng, 2 * n),
        stone=textures.stone(rng, n),
        bricks=textures.bricks(rng, n),
        planks=textures.planks(rng, n),
        metal=textures.metal(rng, n),
        front=textures.facade(rng, 2 * n, base=(0.62, 0.5, 0.4)),
        shed=textures.facade(rng, n, across=3, floors=2, base=(0.4, 0.3, 0.26), lit=0.3),
        foliage=textures.foliage(rng, n),
        water=textures.water(rng, n),
        checks=textures.checks(
            rng, n // 2, rng.uniform(0.05, 0.9, (2, 3)) if check_colours is None else check_colours
        ),
        clouds=textures.clouds(rng, 2 * n),
        stars=textures.make_tile(stars),
    )


class Builder:
    """Collects things, each with its own piece of texture."""

    def __init__(self, rng: np.random.Generator, kit: Kit) -> None:
        self.rng, self.kit = rng, kit
        self.things: list[Thing] = []

    def add(
        self,
        shape: Shape,
        tile: Tile,
        tile_m: float,
        at: tuple[float, float, float],
        turn_deg: tuple[float, float, float] = (0.0, 0.0, 0.0),
        tint: Colour = (1.0, 1.0, 1.0),
        coarse_m: float | None = 23.0,
        velocity_m_s: tuple[float, float, float] | None = None,
        glow: float = 1.0,
        drift_m_s: float = 0.0,
    ) -> None:
        """turn_deg: about y, x, z in that order, each about the turned axes."""
        u, v = self.rng.random(2)
        coarse = None if coarse_m is None else self.kit.stone
        material = Material(
            tile, tile_m, tint, (float(u), float(v)), coarse, coarse_m or 1.0, glow, drift_m_s
        )
        turn = Rotation.from_euler("YXZ", np.deg2rad(turn_deg)).as_matrix()
        path = None if velocity_m_s is None else Glide(np.array(velocity_m_s))
        self.things.append(Thing(shape, material, np.array(at, float), turn, path))

    def tint(self, low: float = 0.55, high: float = 1.25) -> Colour:
        grey = self.rng.uniform(low, high)
        r, g, b = grey * self.rng.uniform(0.8, 1.2, 3)
        return float(r), float(g), float(b)


class Glide:
    """A straight path at constant speed."""

    def __init__(self, velocity_m_s: Array) -> None:
        self.velocity_m_s = velocity_m_s

    def __call__(self, time_s: float) -> Array:
        return self.velocity_m_s * time_s


def add_house(
    b: Builder,
    tile: Tile,
    tile_m: float,
    at: tuple[float, float],
    size: tuple[float, float, float],
    turn_deg: float,
    base_m: float = 0.0,
) -> None:
    """A house at (x, z) of size (width, height to the eaves, depth), m, standing on y = base_m."""
    (x, z), (width, height, depth) = at, size
    turn = (turn_deg, 0.0, 0.0)
    walls = box(width, height, depth)
    b.add(walls, tile, tile_m, (x, base_m - height / 2, z), turn, b.tint(0.5, 1.25), 13.0, glow=0.95)
    eaves = base_m - height
    top = roof(width * 1.04, depth * 0.42, depth * 1.06)
    b.add(top, b.kit.bricks, 2.6, (x, eaves, z), turn, b.tint(0.5, 0.9), 11.0)
    c, s = np.cos(np.deg2rad(turn_deg)), np.sin(np.deg2rad(turn_deg))
    for part in (-0.28 * width, 0.2 * width):
        chimney = (x + c * part, eaves - depth * 0.36, z - s * part)
        b.add(box(0.7, 1.8, 0.7), b.kit.bricks, 1.5, chimney, turn, coarse_m=3.0)


def add_ridges(b: Builder) -> None:
    """Hills all around, 230 to 790 m away."""
    azimuth = np.linspace(-np.pi, np.pi, 2048, endpoint=False)
    for distance, base, rise in ((230.0, 7.0, 14.0), (460.0, 24.0, 30.0), (790.0, 62.0, 60.0)):
        skyline = np.full_like(azimuth, base)
        for wave in range(2, 120):
            phase, size = b.rng.uniform(0, 2 * np.pi), b.rng.normal(0, 1)
            skyline += 0.6 * rise * size * wave**-1.15 * np.sin(wave * azimuth + phase)
        ridge = Ridge(distance, np.maximum(skyline, 1.0).astype(np.float32))
        tint = (1.2, 1.0, 1.0)
        b.add(ridge, b.kit.foliage, distance * 0.16, (0, 0, 0), tint=tint, coarse_m=distance * 0.9)
