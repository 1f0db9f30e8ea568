"""The lens of `autocal.geometry.lens` in torch, with its derivatives: many rays, two lenses.

Works on directions of any length and past 90 degrees off axis; nothing divides by z. It goes on
beyond the monotonic range instead of giving NaN: the optimiser keeps lenses monotonic by refusing
steps, and needs finite numbers to do so. `Lens.project` is its slow twin. Everything is kept
component by component, (..., n): processors run along the rays, not along the components of one.
"""

from __future__ import annotations

from typing import NamedTuple

import torch
from torch import Tensor

_SMALLEST_RHO = 1e-9  # relative to the ray's length; keeps the axis itself finite


class _Traced(NamedTuple):
    """Rays on their way to the sensor, (n,) each; the names of `project`."""

    x: Tensor
    y: Tensor
    z: Tensor
    n2: Tensor
    rho: Tensor
    theta: Tensor
    t2: Tensor
    s: Tensor
    X: Tensor
    Y: Tensor
    r2: Tensor
    U: Tensor
    V: Tensor
    f: Tensor
    fa: Tensor

    def pixels(self, cx: Tensor, cy: Tensor) -> Tensor:
        return torch.stack([cx + self.f * self.U, cy + self.fa * self.V])


def _traced(directions: Tensor, lens: Tensor) -> _Traced:
    focal, _, _, k1, k2, k3, k4, log_aspect, p1, p2 = lens.unbind(0)
    x, y, z = directions.unbind(0)
    n2 = x * x + y * y + z * z
    rho = torch.sqrt(x * x + y * y).clamp_min(_SMALLEST_RHO * torch.sqrt(n2))
    theta = torch.atan2(rho, z)
    t2 = theta * theta
    # Distorted coordinates X = x s, Y = y s with s = radial / rho.
    s = theta * (1 + t2 * (k1 + t2 * (k2 + t2 * (k3 + t2 * k4)))) / rho
    X, Y = x * s, y * s
    # Decentring, then the sensor.
    r2 = X * X + Y * Y
    U = X + 2 * p1 * X * Y + p2 * (r2 + 2 * X * X)
    V = Y + p1 * (r2 + 2 * Y * Y) + 2 * p2 * X * Y
    f = torch.exp(focal)
    return _Traced(x, y, z, n2, rho, theta, t2, s, X, Y, r2, U, V, f, f * torch.exp(log_aspect))


def project_only(directions: Tensor, lens: Tensor) -> Tensor:
    """Pixels (2, n) of rays, as `project` has them, without derivatives."""
    return _traced(directions, lens).pixels(lens[1], lens[2])


class _Slopes(NamedTuple):
    """How pixels change, focal length included: u and v by the distorted coordinates X and Y, (n,) each, and
    both by the direction, (2, 3, n)."""

    u_x: Tensor
    u_y: Tensor
    v_x: Tensor
    v_y: Tensor
    by_direction: Tensor


def _slopes(traced: _Traced, lens: Tensor) -> _Slopes:
    _, _, _, k1, k2, k3, k4, _, p1, p2 = lens.unbind(0)
    x, y, z, n2, rho, _, t2, s, X, Y, _, _, _, f, fa = traced
    slope = 1 + t2 * (3 * k1 + t2 * (5 * k2 + t2 * (7 * k3 + t2 * 9 * k4)))
    ds_dz = -slope / n2
    across = (-ds_dz * z - s) / rho / rho  # ds / drho / rho
    diagonal_x, mixed, diagonal_y = s + x * x * across, x * y * across, s + y * y * across
    dX_dd = torch.stack([diagonal_x, mixed, x * ds_dz])
    dY_dd = torch.stack([mixed, diagonal_y, y * ds_dz])
    shared = 2 * (p1 * X + p2 * Y)
    u_x, u_y = f * (1 + 2 * p1 * Y + 6 * p2 * X), f * shared
    v_x, v_y = fa * shared, fa * (1 + 6 * p1 * Y + 2 * p2 * X)
    return _Slopes(u_x, u_y, v_x, v_y, torch.stack([u_x * dX_dd + u_y * dY_dd, v_x * dX_dd + v_y * dY_dd]))


def project_by_direction(directions: Tensor, lens: Tensor) -> tuple[Tensor, Tensor]:
    """Pixels (2, n) of rays and d pixel / d direction (2, 3, n), as `project` has them."""
    traced = _traced(directions, lens)
    return traced.pixels(lens[1], lens[2]), _slopes(traced, lens).by_direction


def project(directions: Tensor, lens: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Pixels of rays, and how they change.

    directions: (3, n), camera frame, any positive length. lens: (10, n), each ray's lens.
    Returns pixels (2, n), d pixel / d direction (2, 3, n), d pixel / d lens (10, 2, n).
    """
    traced = _traced(directions, lens)
    slopes = _slopes(traced, lens)
    x, y, _, _, rho, theta, t2, _, X, Y, r2, U, V, f, fa = traced
    power = theta / rho  # of theta squared, times this: ds / dk
    by_k = []
    by_s = (slopes.u_x * x + slopes.u_y * y, slopes.v_x * x + slopes.v_y * y)
    for _ in range(4):
        power = power * t2
        by_k += [by_s[0] * power, by_s[1] * power]
    fU, faV, XY, zero, one = f * U, fa * V, 2 * X * Y, torch.zeros_like(x), torch.ones_like(x)
    by_centre = [one, zero, zero, one]
    by_decentring = [f * XY, fa * (r2 + 2 * Y * Y), f * (r2 + 2 * X * X), fa * XY]
    d_lens = torch.stack([fU, faV, *by_centre, *by_k, zero, faV, *by_decentring]).view(len(lens), 2, -1)
    return traced.pixels(lens[1], lens[2]), slopes.by_direction, d_lens
