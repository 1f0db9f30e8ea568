"""The few solids that scenes are built of: where a ray meets one, and where on its surface that is.

Rays are given in a solid's own frame (y down, like the world's): one origin for all of them (3,),
directions as three tensors of one shape. `enter` gives the distance along the ray, infinite where it
misses. `surface` gives for hit points (3, n) the place on the surface u, v in m, and the outward normal (3,
n).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Protocol

import numpy as np
import torch
from numpy.typing import NDArray

Directions = tuple[torch.Tensor, torch.Tensor, torch.Tensor]
Surface = tuple[torch.Tensor, torch.Tensor, torch.Tensor]
Array = NDArray[np.float64]
_FAR = float("inf")


class Shape(Protocol):
    """What the renderer needs of a solid."""

    @property
    def radius(self) -> float:
        """Of a sphere about the origin that holds the solid, m; infinite: never left out."""
        ...

    def enter(self, origin: Array, d: Directions) -> torch.Tensor:
        """Distance to the surface in units of the direction's length."""
        ...

    def surface(self, p: torch.Tensor) -> Surface:
        """Place on the surface and outward normal."""
        ...

    def may_meet(self, origin: Array, axes: Array, spreads: Array, reach: float) -> NDArray[np.bool_]:
        """Whether any ray of a cone may hit it (never wrongly false).

        axes: (b, 3), unit length; spreads: (b,), half angles of the cones, rad; reach: no part is further
        away, m.
        """
        ...


@dataclass(frozen=True, eq=False)
class Convex:
    """The intersection of half-spaces n . p <= offset: boxes, roofs, hulls. Hollow: a room, seen from
    inside.

    normals: (f, 3), unit length; offsets: (f,), m; radius: of a sphere that holds it, m.
    """

    normals: Array
    offsets: Array
    radius: float
    hollow: bool = False

    def enter(self, origin: Array, d: Directions) -> torch.Tensor:
        first = torch.zeros_like(d[0])
        last = torch.full_like(d[0], _FAR)
        for normal, offset in zip(self.normals, self.offsets, strict=True):
            ahead = float(offset - normal @ origin)
            along = _dot(normal, d)
            # Seen from outside a face can only be entered, seen from inside only be left.
            if ahead < 0:
                first = torch.maximum(first, torch.where(along < 0, ahead / along, _FAR))
            else:
                last = torch.minimum(last, torch.where(along > 0, ahead / along, _FAR))
        if self.hollow:
            return last
        return torch.where((first < last) & (first > 0), first, _FAR)

    def surface(self, p: torch.Tensor) -> Surface:
        # The face a hit lies on is the one it sticks out of most; a loop is faster than argmax over few
        # faces.
        face = torch.zeros(p.shape[1], dtype=torch.int64)
        most = torch.full((p.shape[1],), -_FAR)
        for i, (normal, offset) in enumerate(zip(self.normals, self.offsets, strict=True)):
            out = _dot(normal, p.unbind(0)) - float(offset)
            face.masked_fill_(out > most, i)
            most = torch.maximum(most, out)
        u_axis, v_axis, n_axis = self._axes
        u = (u_axis[:, face] * p).sum(0)
        v = (v_axis[:, face] * p).sum(0)
        # Each face has a piece of the texture of its own.
        return u + 0.37 * face, v + 0.63 * face, n_axis[:, face]

    @cached_property
    def _axes(self) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
        """Tangents u and v and the normal towards the viewer of each face, (3, f)."""
        u, v = np.stack([_tangents(n) for n in self.normals], axis=1)
        seen = -self.normals if self.hollow else self.normals
        first, second, third = (torch.tensor(a.T, dtype=torch.float32) for a in (u, v, seen))
        return first, second, third

    def may_meet(self, origin: Array, axes: Array, spreads: Array, reach: float) -> NDArray[np.bool_]:
        ahead = self.offsets - self.normals @ origin
        # A face that turns its outside to the viewer is entered only by rays running against its normal.
        along = axes @ self.normals[ahead < 0].T
        meets = np.all(along < np.sin(np.minimum(spreads, np.pi / 2))[:, None] + 1e-6, axis=1)
        grown = replace(self, offsets=self.offsets + reach * np.tan(np.minimum(spreads.max(), 1.0)))
        if self.hollow or np.all(grown.offsets - grown.normals @ origin >= 0):
            return meets
        return meets & _axes_enter(grown, origin, axes)


def _dot(normal: Array, vectors: tuple[torch.Tensor, ...]) -> torch.Tensor:
    """The dot product of one vector with many, those parts left out that are zero."""
    products = [float(n) * x for n, x in zip(normal, vectors, strict=True) if n != 0.0]
    total = products[0]
    for product in products[1:]:
        total = total + product
    return total


def _axes_enter(shape: Shape, origin: Array, axes: Array) -> NDArray[np.bool_]:
    x, y, z = torch.tensor(axes.T, dtype=torch.float32)
    return torch.isfinite(shape.enter(origin, (x, y, z))).numpy()


def _tangents(normal: Array) -> Array:
    down = np.array([0.0, 1.0, 0.0])
    u = np.cross(down, normal)
    u = u / np.linalg.norm(u) if np.linalg.norm(u) > 1e-6 else np.array([1.0, 0.0, 0.0])
    return np.stack([u, np.cross(normal, u)])


def box(x: float, y: float, z: float, hollow: bool = False) -> Convex:
    """A box of full side lengths x, y, z about the origin."""
    half = np.array([x, y, z]) / 2
    normals = np.concatenate([np.eye(3), -np.eye(3)])
    return Convex(normals, np.concatenate([half, half]), float(np.linalg.norm(half)), hollow)


def roof(x: float, rise: float, z: float) -> Convex:
    """A gabled roof with the ridge along x, standing on y = 0."""
    slope = np.hypot(rise, z / 2)
    sides = np.array([[0, -z / 2, rise], [0, -z / 2, -rise]]) / slope
    normals = np.concatenate([sides, [[0, 1, 0], [1, 0, 0], [-1, 0, 0]]])
    lift = z / 2 * rise / slope
    return Convex(
        normals, np.array([lift, lift, 0.0, x / 2, x / 2]), float(np.hypot(np.hypot(x, z) / 2, rise))
    )


def hull(length: float, height: float, width: float) -> Convex:
    """A boat's hull along x, bow at +x, deck on y = -height / 2: sides that lean out, a raked bow."""
    half = np.array([length, height, width]) / 2
    points: list[tuple[float, float, float, float]] = [
        (0, 1, 0, half[1]),
        (0, -1, 0, half[1]),
        (-1, 0.15, 0, half[0]),
    ]
    points += [(0, 0.35, s, half[2]) for s in (-1, 1)] + [(0.45, 0.3, s, half[0] * 0.55) for s in (-1, 1)]
    planes = np.array(points, float)
    norm = np.linalg.norm(planes[:, :3], axis=1)
    return Convex(planes[:, :3] / norm[:, None], planes[:, 3] / norm, float(np.linalg.norm(half)) * 1.2)


@dataclass(frozen=True)
class Sphere:
    """A ball about the origin."""

    radius: float

    def enter(self, origin: Array, d: Directions) -> torch.Tensor:
        ox, oy, oz = map(float, origin)
        nearest = -(ox * d[0] + oy * d[1] + oz * d[2])
        # From the foot of the perpendicular: the textbook form loses all digits in float32 for far balls.
        px, py, pz = ox + nearest * d[0], oy + nearest * d[1], oz + nearest * d[2]
        inside = self.radius**2 - (px * px + py * py + pz * pz)
        t = nearest - inside.clamp_min(0.0).sqrt()
        return torch.where((inside > 0) & (t > 0), t, _FAR)

    def surface(self, p: torch.Tensor) -> Surface:
        n = p / p.norm(dim=0).clamp_min(1e-9)
        face = n.abs().argmax(0)
        u = torch.where(face == 0, p[2], p[0])
        v = torch.where(face == 1, p[2], p[1])
        return u + 0.31 * face, v + 0.17 * face, n

    def may_meet(self, origin: Array, axes: Array, spreads: Array, reach: float) -> NDArray[np.bool_]:
        return np.ones(len(axes), bool)  # the bounding sphere has said it all


@dataclass(frozen=True)
class Cylinder:
    """A closed cylinder about the y axis: `across` its radius, `height` its full length."""

    across: float
    height: float

    @property
    def radius(self) -> float:
        return float(np.hypot(self.across, self.height / 2))

    def enter(self, origin: Array, d: Directions) -> torch.Tensor:
        ox, oy, oz = map(float, origin)
        flat = (d[0] * d[0] + d[2] * d[2]).clamp_min(1e-12)
        nearest = -(ox * d[0] + oz * d[2]) / flat
        px, pz = ox + nearest * d[0], oz + nearest * d[2]
        inside = self.across**2 - (px * px + pz * pz)
        half = (inside.clamp_min(0.0) / flat).sqrt()
        rise = torch.where(d[1].abs() < 1e-9, 1e-9, d[1])
        bottom, top = (self.height / 2 - oy) / rise, (-self.height / 2 - oy) / rise
        first = torch.maximum(nearest - half, torch.minimum(bottom, top))
        last = torch.minimum(nearest + half, torch.maximum(bottom, top))
        return torch.where((inside > 0) & (first < last) & (first > 0), first, _FAR)

    def surface(self, p: torch.Tensor) -> Surface:
        out = (p[0] * p[0] + p[2] * p[2]).sqrt().clamp_min(1e-9)
        cap = (p[1].abs() - self.height / 2) > (out - self.across)
        zero = torch.zeros_like(out)
        normal = torch.stack(
            [
                torch.where(cap, zero, p[0] / out),
                torch.where(cap, p[1].sign(), zero),
                torch.where(cap, zero, p[2] / out),
            ]
        )
        u = torch.where(cap, p[0], torch.atan2(p[0], p[2]) * self.across)
        return u, torch.where(cap, p[2], p[1]), normal

    def may_meet(self, origin: Array, axes: Array, spreads: Array, reach: float) -> NDArray[np.bool_]:
        margin = reach * float(np.tan(np.minimum(spreads.max(), 1.0)))
        grown = Cylinder(self.across + margin, self.height + 2 * margin)
        if np.hypot(origin[0], origin[2]) <= grown.across and abs(origin[1]) <= grown.height / 2:
            return np.ones(len(axes), bool)
        return _axes_enter(grown, origin, axes)


@dataclass(frozen=True, eq=False)
class Ridge:
    """A ring of hills about the origin, `distance` away: what lies below its skyline.

    skyline: (n,), height over the origin, m, evenly spaced in azimuth from -180 to 180 degrees, periodic.
    """

    distance: float
    skyline: NDArray[np.float32]

    @property
    def radius(self) -> float:
        return _FAR

    def enter(self, origin: Array, d: Directions) -> torch.Tensor:
        ox, oy, oz = map(float, origin)
        flat = (d[0] * d[0] + d[2] * d[2]).clamp_min(1e-12)
        nearest = -(ox * d[0] + oz * d[2]) / flat
        inside = self.distance**2 - (ox + nearest * d[0]) ** 2 - (oz + nearest * d[2]) ** 2
        t = nearest + (inside / flat).sqrt()
        n = len(self.skyline)
        at = torch.atan2(ox + t * d[0], oz + t * d[2]) * (n / (2 * np.pi)) + n / 2
        floor = at.floor()
        low = floor.to(torch.int64) % n
        table = torch.from_numpy(self.skyline)
        height = torch.lerp(table[low], table[(low + 1) % n], at - floor)
        return torch.where(-(oy + t * d[1]) < height, t, _FAR)

    def surface(self, p: torch.Tensor) -> Surface:
        out = (p[0] * p[0] + p[2] * p[2]).sqrt()
        normal = torch.stack([-p[0] / out * 0.8, torch.full_like(out, -0.6), -p[2] / out * 0.8])
        return torch.atan2(p[0], p[2]) * self.distance, p[1], normal

    def may_meet(self, origin: Array, axes: Array, spreads: Array, reach: float) -> NDArray[np.bool_]:
        # Elevation of the highest summit, from the nearest and the furthest a hill can be.
        off = float(np.hypot(origin[0], origin[2]))
        top = float(self.skyline.max()) + origin[1]
        highest = max(np.arctan2(top, self.distance - off), np.arctan2(top, self.distance + off))
        return np.arcsin(np.clip(-axes[:, 1], -1, 1)) <= highest + spreads
