"""Random scenes, indoors and outdoors: another layout and other textures for every seed."""

from __future__ import annotations

import numpy as np

from samples.building import Builder, Kit, add_house, add_ridges, make_kit
from samples.shapes import Cylinder, Shape, Sphere, box
from samples.surfaces import Colour, Lamp, Scene, Sky
from samples.textures import Tile


def random_scene(rng: np.random.Generator, indoor: bool | None = None, texture_px: int = 256) -> Scene:
    """A room, or a place outdoors under clouds (None: either). The floor is y = 0; one thing in it moves."""
    if indoor is None:
        indoor = bool(rng.integers(2))
    b = Builder(rng, make_kit(rng.spawn(1)[0], texture_px))
    if indoor:
        _room(b)
    else:
        _outdoors(b)
    day = _colour(rng, 0.8, 1.2)
    sun = np.array([rng.uniform(-1, 1), -rng.uniform(0.3, 1.0), rng.uniform(0.2, 1.0)])
    sky = Sky(
        clouds=b.kit.clouds,
        zenith=(0.12, 0.24, 0.55),
        horizon=(0.6, 0.66, 0.75),
        cloud_light=(0.95, 0.93, 0.9),
        cloud_dark=(0.25, 0.28, 0.36),
        glow=(0.5, 0.4, 0.25),
    )
    return Scene(
        things=tuple(b.things),
        sky=sky,
        sun=sun / np.linalg.norm(sun),
        sunlight=(0.0, 0.0, 0.0) if indoor else (0.9 * day[0], 0.85 * day[1], 0.75 * day[2]),
        from_above=(0.45, 0.44, 0.42) if indoor else (0.6, 0.65, 0.75),
        from_below=(0.3, 0.28, 0.26),
        haze=(0.6, 0.63, 0.68),
        lamps=(Lamp((1.0, -2.2, 1.5), (2.0, 1.7, 1.3)),) if indoor else (),
    )


def _colour(rng: np.random.Generator, low: float, high: float) -> Colour:
    r, g, b = rng.uniform(low, high, 3)
    return float(r), float(g), float(b)


def _any_tile(rng: np.random.Generator, kit: Kit) -> Tile:
    tiles = (kit.stone, kit.bricks, kit.planks, kit.metal, kit.checks, kit.cobbles)
    return tiles[int(rng.integers(len(tiles)))]


def _scatter(b: Builder, count: int, nearest: float, furthest: float) -> None:
    """Things on the floor and in the air, evenly over all directions to well behind the rig's sides."""
    rng = b.rng
    for i in range(count):
        azimuth = np.deg2rad(-120 + 240 * (i + rng.random()) / count)
        away = nearest * (furthest / nearest) ** rng.random()
        size = float(0.28 * away * rng.uniform(0.4, 1.0))
        kind = int(rng.integers(3))
        shape: Shape
        if kind == 0:
            width, height, depth = size * rng.uniform(0.6, 1.4, 3)
            shape = box(float(width), float(height), float(depth))
        elif kind == 1:
            height = size * rng.uniform(0.6, 2.0)
            shape = Cylinder(size * 0.4, float(height))
        else:
            height = size
            shape = Sphere(size / 2)
        lift = float(rng.uniform(0.5, 3.0)) if rng.random() < 0.3 else 0.0
        at = (float(away * np.sin(azimuth)), -float(height) / 2 - lift, float(away * np.cos(azimuth)))
        turn = (float(rng.uniform(0, 90)), float(rng.uniform(-20, 20)) if lift else 0.0, 0.0)
        b.add(shape, _any_tile(rng, b.kit), max(0.5, size), at, turn, b.tint(0.7, 1.6), 2.5 * max(0.5, size))


def _mover(b: Builder, away: float) -> None:
    x = float(b.rng.uniform(-0.4, 0.4)) * away
    speed = float(b.rng.choice([-1, 1]) * b.rng.uniform(0.25, 0.45)) * away
    at = (x, -float(b.rng.uniform(0.3, 1.0)), away)
    b.add(Sphere(0.07 * away), b.kit.checks, 0.4, at, tint=b.tint(0.8, 1.5), velocity_m_s=(speed, 0.0, 0.2))


def _room(b: Builder) -> None:
    rng = b.rng
    width, height, depth = rng.uniform(6.0, 14.0), rng.uniform(2.6, 4.0), rng.uniform(8.0, 20.0)
    at = (float(rng.uniform(-1, 1)), -float(height) / 2, float(depth) * 0.2)
    walls = box(float(width), float(height), float(depth), hollow=True)
    b.add(walls, _any_tile(rng, b.kit), 2.7, at, (float(rng.uniform(-25, 25)), 0, 0), coarse_m=5.0)
    _scatter(b, 26, 0.9, 4.0)
    _mover(b, 3.0)


def _outdoors(b: Builder) -> None:
    rng, kit = b.rng, b.kit
    ground = (kit.cobbles, kit.stone, kit.foliage)[int(rng.integers(3))]
    b.add(box(3000, 2, 3000), ground, 3.3, (0, 1, 0), tint=(1.2, 1.2, 1.2), coarse_m=17.0)
    _scatter(b, 22, 0.9, 6.0)
    _scatter(b, 16, 6.0, 30.0)
    for i in range(12):
        azimuth = np.deg2rad(-110 + 220 * (i + rng.random()) / 12)
        away = float(rng.uniform(16, 60))
        tile = kit.front if i % 2 else kit.shed
        x, z = float(away * np.sin(azimuth)), float(away * np.cos(azimuth))
        width, height, depth = (float(v) for v in rng.uniform((5, 4, 5), (12, 12, 10)))
        add_house(b, tile, 6.0, (x, z), (width, height, depth), float(rng.uniform(-40, 40)))
    add_ridges(b)
    _mover(b, 7.0)
