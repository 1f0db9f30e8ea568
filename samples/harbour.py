"""An invented harbour at dusk: a cobbled quay, moored boats, sheds, house fronts across the water, hills,
clouds.

World: the quay's edge runs along x at z = 4.6 m; its surface is y = 0, the water lies 1.3 m lower.
"""

from __future__ import annotations

import numpy as np

from samples.building import Builder, add_house, add_ridges, make_kit
from samples.shapes import Convex, Cylinder, Shape, Sphere, box, hull, roof
from samples.surfaces import Array, Colour, Lamp, Scene, Sky
from samples.textures import Tile

QUAY_EDGE_M = 4.6
WATER_M = 1.3


def harbour(seed: int = 7, texture_px: int = 512) -> Scene:
    """The scene. Two things move: a boat gliding by, and a gull; the water drifts."""
    # Layout and textures are drawn apart: the same place, however fine its textures.
    kit = make_kit(
        np.random.default_rng((seed, 1)),
        texture_px,
        check_colours=np.array([[0.62, 0.1, 0.07], [0.85, 0.8, 0.68]]),
    )
    b = Builder(np.random.default_rng(seed), kit)
    _ground(b)
    _quay_clutter(b)
    _sheds(b)
    _boats(b)
    _far_shore(b)
    _overhead(b)
    _moving(b)
    sun = np.array([0.55, -0.13, 0.82])
    sky = Sky(
        clouds=kit.clouds,
        zenith=(0.075, 0.13, 0.30),
        horizon=(0.85, 0.46, 0.27),
        cloud_light=(0.78, 0.50, 0.45),
        cloud_dark=(0.11, 0.12, 0.21),
        glow=(1.0, 0.5, 0.16),
        stars=kit.stars,
    )
    return Scene(
        things=tuple(b.things),
        sky=sky,
        sun=sun / np.linalg.norm(sun),
        sunlight=(0.95, 0.52, 0.26),
        from_above=(0.50, 0.55, 0.78),
        from_below=(0.30, 0.24, 0.22),
        haze=(0.52, 0.34, 0.30),
        haze_m=1300.0,
        lamps=(
            Lamp((-3.4, -3.4, 3.2), (3.2, 2.0, 0.85)),
            Lamp((4.4, -3.4, 3.4), (3.2, 2.0, 0.85)),
            Lamp((-4.6, -2.6, -2.2), (2.2, 1.4, 0.6)),
        ),
    )


def _ground(b: Builder) -> None:
    k = b.kit
    b.add(box(160, 4, 60), k.cobbles, 3.1, (0, 2.0, QUAY_EDGE_M - 30.4), coarse_m=9.0)
    b.add(
        box(160, 0.22, 0.7), k.stone, 1.7, (0, -0.05, QUAY_EDGE_M - 0.1), tint=(1.1, 1.05, 1.0), coarse_m=7.0
    )
    b.add(box(3000, 2, 3000), k.water, 4.3, (0, WATER_M + 1, 0), coarse_m=31.0, drift_m_s=0.35)
    # A jetty on piles, running out to the right.
    b.add(box(2.2, 0.25, 22), k.planks, 1.9, (6.5, 0.1, QUAY_EDGE_M + 11), coarse_m=6.0)
    for i in range(8):
        for side in (-1.1, 1.1):
            at = (6.5 + side, -0.1, QUAY_EDGE_M + 1.5 + 2.8 * i)
            b.add(Cylinder(0.14, 3.2), k.planks, 0.8, at, tint=(0.7, 0.65, 0.6))


def _quay_clutter(b: Builder) -> None:
    k, rng = b.kit, b.rng
    for x in (-5.4, -2.0, 1.6, 5.0, 9.0, -9.0):
        b.add(
            Cylinder(0.17, 0.5),
            k.metal,
            0.55,
            (x, -0.25, QUAY_EDGE_M - 0.55),
            tint=(0.8, 0.8, 0.9),
            coarse_m=2.0,
        )
        b.add(
            Cylinder(0.26, 0.12),
            k.metal,
            0.55,
            (x, -0.55, QUAY_EDGE_M - 0.55),
            tint=(0.9, 0.8, 0.8),
            coarse_m=2.0,
        )
    stacks = (
        (-2.6, 1.2),
        (-3.4, 0.3),
        (2.7, 1.9),
        (3.6, 0.6),
        (-1.5, 3.0),
        (0.9, 3.3),
        (4.6, -0.4),
        (-5.0, -0.9),
    )
    for x, z in stacks:
        side = float(rng.uniform(0.5, 0.9))
        height, turn = 0.0, float(rng.uniform(0, 90))
        for _ in range(int(rng.integers(1, 4))):
            at = (x + float(rng.normal(0, 0.04)), -height - side * 0.4, z)
            tile = (k.planks, k.planks, k.bricks, k.checks)[int(rng.integers(4))]
            b.add(box(side, side * 0.8, side), tile, 0.75, at, (turn, 0, 0), b.tint(0.6, 1.5), coarse_m=1.7)
            height += side * 0.8
            side *= float(rng.uniform(0.7, 0.95))
            turn += float(rng.uniform(-25, 25))
    for x, z in ((-0.9, 2.5), (1.75, 1.05), (-2.1, -0.4), (2.2, 3.4), (-3.9, 2.2), (5.4, 1.5), (3.0, -1.2)):
        tint = b.tint(0.6, 1.5)
        b.add(Cylinder(0.29, 0.85), k.metal, 0.9, (x, -0.425, z), tint=tint, coarse_m=1.9)
        for y in (-0.2, -0.62):
            b.add(Cylinder(0.30, 0.05), k.metal, 0.5, (x, y, z), tint=(0.6, 0.6, 0.6))
    for x, z, r in (
        (-1.3, 1.7, 0.22),
        (0.4, 2.6, 0.3),
        (2.0, 2.5, 0.25),
        (-4.4, 1.3, 0.35),
        (0.1, 3.7, 0.24),
        (3.9, 2.9, 0.3),
    ):
        tile = (k.checks, k.stone, k.bricks)[int(rng.integers(3))]
        b.add(Sphere(r), tile, 0.6, (x, -r, z), (0, 30, 0), b.tint(0.7, 1.6), coarse_m=1.3)  # buoys
    for x, z in ((0.75, 1.6), (-0.6, 0.9), (-3.0, 3.4), (1.2, 4.0)):
        for i in range(3):  # coils of rope
            b.add(
                Cylinder(0.34 - 0.07 * i, 0.09),
                k.planks,
                0.3,
                (x, -0.045 - 0.09 * i, z),
                tint=(1.5, 1.4, 1.2),
                coarse_m=0.9,
            )
    for x, z, turn in (
        (-4.0, -1.7, 20.0),
        (4.1, -2.4, -35.0),
        (-2.3, -2.8, 70.0),
        (1.9, -3.3, 10.0),
    ):  # carts behind
        b.add(box(1.6, 0.7, 0.9), k.planks, 1.1, (x, -0.75, z), (turn, 0, 0), b.tint(), coarse_m=2.0)
        b.add(Cylinder(0.4, 0.1), k.metal, 0.7, (x, -0.4, z + 0.5), (turn, 90, 0), b.tint(), coarse_m=1.0)


def _sheds(b: Builder) -> None:
    k, rng = b.kit, b.rng
    for x, z in ((-11.5, -13.0), (-12.0, -4.5), (-12.5, 0.6)):
        add_house(b, k.shed, 5.2, (x, z), (7.6, float(rng.uniform(4.5, 6.5)), 7.0), 90.0)
    for x, z in ((12.5, -12.0), (13.3, -3.0)):
        add_house(b, k.shed, 4.6, (x, z), (8.0, float(rng.uniform(4.2, 5.5)), 6.5), 90.0)
    for i in range(7):
        add_house(b, k.front, 8.5, (-24 + 8.2 * i, -13.5), (7.9, float(rng.uniform(7, 12)), 8.0), 0.0)
    # Containers close by on both sides.
    b.add(box(2.4, 2.5, 5.0), k.metal, 2.2, (-6.6, -1.25, 1.2), (6, 0, 0), (1.2, 0.85, 0.7), coarse_m=4.0)
    b.add(box(2.4, 2.4, 4.6), k.metal, 2.0, (7.6, -1.2, 0.6), (-9, 0, 0), (0.7, 1.05, 1.2), coarse_m=4.0)


def _boats(b: Builder) -> None:
    places = (
        (-3.6, 9.0, 5.0, 8.0),
        (2.2, 8.0, 4.2, 172.0),
        (-9.5, 12.0, 7.5, 20.0),
        (11.0, 12.5, 7.0, 100.0),
        (1.5, 17.0, 9.0, -12.0),
    )
    for x, z, length, turn in (*places, (-16, 22, 11.0, 30.0), (17, 24, 12.0, 160.0), (-5, 29, 10.0, 5.0)):
        _boat(b, x, z, length, turn)


def _boat(
    b: Builder,
    x: float,
    z: float,
    length: float,
    turn: float,
    velocity: tuple[float, float, float] | None = None,
) -> None:
    k = b.kit
    height, width = 0.22 * length, 0.3 * length
    c, s = np.cos(np.deg2rad(turn)), np.sin(np.deg2rad(turn))
    deck = WATER_M - height * 0.62

    def put(
        shape: Shape,
        tile: Tile,
        tile_m: float,
        along: float,
        up: float,
        tint: Colour,
        tilt: tuple[float, float] = (0, 0),
    ) -> None:
        at = (x + c * along, deck - up, z - s * along)
        b.add(shape, tile, tile_m, at, (turn, *tilt), tint, 3.0, velocity)

    put(hull(length, height, width), k.planks, 1.6, 0.0, -height / 2, b.tint(0.5, 1.6))
    put(
        box(length * 0.26, height * 0.7, width * 0.5),
        k.shed,
        1.5,
        -0.18 * length,
        height * 0.33,
        b.tint(0.7, 1.5),
    )
    put(box(length * 0.3, 0.1, width * 0.58), k.metal, 1.1, -0.18 * length, height * 0.7, b.tint(0.6, 1.4))
    put(
        box(length * 0.12, height * 0.28, width * 0.4),
        k.checks,
        0.7,
        0.14 * length,
        height * 0.14,
        b.tint(0.7, 1.6),
    )
    mast = 0.75 * length
    put(Cylinder(0.05 + 0.004 * length, mast), k.planks, 0.7, 0.03 * length, mast / 2, (1.0, 0.9, 0.8))
    put(
        Cylinder(0.04 + 0.003 * length, length * 0.42),
        k.planks,
        0.7,
        -0.18 * length,
        mast * 0.45,
        (1.0, 0.9, 0.8),
        (0, 78),
    )
    lean = float(np.rad2deg(np.arctan2(0.42 * length, mast)))
    put(
        Cylinder(0.022, float(np.hypot(mast, 0.42 * length))),
        k.planks,
        0.3,
        0.24 * length,
        mast / 2,
        (0.5, 0.5, 0.5),
        (0, -lean),
    )
    put(box(0.55, 0.38, 0.02), k.checks, 0.5, -0.2, mast * 0.93, b.tint(0.6, 1.8))


def _far_shore(b: Builder) -> None:
    k, rng = b.kit, b.rng
    shore = 58.0
    b.add(box(700, 3, 300), k.stone, 5.0, (0, 0.6 + 1.5, shore + 150), coarse_m=29.0)
    x = -95.0
    while x < 95.0:
        width = float(rng.uniform(7, 13))
        z = shore + 9 + float(rng.uniform(-3, 5)) + 0.0025 * x * x
        size = (width, float(rng.uniform(6, 13)), 10.0)
        add_house(
            b, k.front, float(rng.uniform(8, 11)), (x + width / 2, z), size, float(rng.uniform(-6, 6)), 0.6
        )
        # Here and there a gap, through which the hills are seen.
        x += width + float(rng.choice([0.3, 0.8, 9.0], p=[0.4, 0.35, 0.25]))
    b.add(box(6, 30, 6), k.bricks, 4.0, (-22, -15, shore + 26), (15, 0, 0), (0.9, 0.85, 0.8))
    for turn in (0.0, 90.0):  # a steep spire out of two roofs would need a cone: two crossed gables do
        b.add(roof(5.5, 13, 6.4), k.bricks, 2.0, (-22, -30, shore + 26), (15 + turn, 0, 0), (0.5, 0.6, 0.6))
    for x, tall in ((34.0, 24.0), (52.0, 30.0)):  # cranes
        b.add(box(1.6, tall, 1.6), k.metal, 3.0, (x, -tall / 2, shore + 2), (20, 0, 0), (1.3, 0.8, 0.5))
        b.add(
            box(tall * 0.9, 1.1, 1.1), k.metal, 3.0, (x - 5, -tall, shore + 2), (20, 0, 12), (1.3, 0.8, 0.5)
        )
    add_ridges(b)


def _overhead(b: Builder) -> None:
    """Lamp posts, a crane's arm and lines of flags: something near in the upper field as well."""
    k = b.kit
    for x, z, y in ((-3.4, 3.2, -3.4), (4.4, 3.4, -3.4), (-4.6, -2.2, -2.6)):
        b.add(Cylinder(0.06, -y), k.metal, 0.6, (x, y / 2, z), coarse_m=1.0)
        b.add(Sphere(0.17), k.checks, 0.3, (x, y - 0.1, z), tint=(3.5, 2.6, 1.5), coarse_m=None)
        b.add(Cylinder(0.26, 0.05), k.metal, 0.6, (x, y - 0.28, z), coarse_m=1.0)
    b.add(box(0.5, 6.5, 0.5), k.metal, 1.2, (-3.9, -3.25, -0.3), (25, 0, 0), (1.5, 1.0, 0.5), coarse_m=3.0)
    b.add(box(9.0, 0.4, 0.4), k.metal, 1.2, (-0.4, -6.3, 1.2), (-25, 0, 8), (1.5, 1.0, 0.5), coarse_m=3.0)
    b.add(box(0.7, 0.5, 0.5), k.planks, 0.8, (1.9, -4.1, 2.25), (10, 0, 0), (1.3, 1.0, 0.9), coarse_m=1.0)
    b.add(Cylinder(0.02, 2.3), k.metal, 0.5, (1.9, -5.4, 2.25), tint=(0.6, 0.6, 0.6))
    for start, end in (
        ((-3.4, -3.2, 3.2), (4.4, -3.2, 3.4)),
        ((-4.6, -2.5, -2.2), (4.4, -3.3, 3.4)),
        ((-4.6, -2.5, -2.2), (-3.4, -3.2, 3.2)),
    ):
        _flags(b, np.array(start), np.array(end))


def _flags(b: Builder, start: Array, end: Array) -> None:
    count = 14
    span = end - start
    yaw = float(np.rad2deg(np.arctan2(-span[2], span[0])))
    for i in range(1, count):
        part = i / count
        at = start + span * part
        at[1] += 0.9 * (1 - (2 * part - 1) ** 2) * 0.5
        tile = (b.kit.checks, b.kit.planks, b.kit.bricks, b.kit.stone)[i % 4]
        x, y, z = map(float, at)
        turn = (
            yaw + float(b.rng.uniform(-20, 20)),
            float(b.rng.uniform(-15, 15)),
            float(b.rng.uniform(-8, 8)),
        )
        b.add(_pennant(0.3, 0.42), tile, 0.4, (x, y + 0.2, z), turn, b.tint(0.5, 2.2), coarse_m=0.9)


def _pennant(width: float, drop: float) -> Convex:
    """A thin triangle hanging point down."""
    slope = np.hypot(width / 2, drop)
    sides = np.array([[drop, width / 2, 0], [-drop, width / 2, 0]]) / slope
    normals = np.concatenate([sides, [[0, -1, 0], [0, 0, 1], [0, 0, -1]]])
    apex = width / 2 * drop / 2 / slope
    return Convex(normals, np.array([apex, apex, drop / 2, 0.008, 0.008]), float(np.hypot(width, drop)))


def _moving(b: Builder) -> None:
    _boat(b, -4.0, 36.0, 12.0, 0.0, (2.4, 0.0, 0.0))
    for side in (-1.0, 1.0):  # a gull
        b.add(
            box(0.75, 0.05, 0.26),
            b.kit.checks,
            0.5,
            (1.5 + 0.33 * side, -5.2, 11.0),
            (0, 10, 18 * side),
            (1.6, 1.6, 1.7),
            1.0,
            (-4.0, -0.4, 0.8),
        )
    b.add(
        Sphere(0.16),
        b.kit.stone,
        0.3,
        (1.5, -5.15, 11.0),
        tint=(1.6, 1.6, 1.7),
        coarse_m=None,
        velocity_m_s=(-4.0, -0.4, 0.8),
    )
