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


def project(directions: Tensor, lens: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Pixels of rays, and how they change.

    directions: (3, n), camera frame, any positive length. lens: (10, n), each ray's lens.
    Returns pixels (2, n), d pixel / d direction (2, 3, n), d pixel / d lens (10, 2, n).
    """
    _, cx, cy, k1, k2, k3, k4, _, p1, p2 = lens.unbind(0)
    traced = _traced(directions, lens)
    x, y, z, n2, rho, theta, t2, s, X, Y, r2, U, V, f, fa = traced
    slope = 1 + t2 * (3 * k1 + t2 * (5 * k2 + t2 * (7 * k3 + t2 * 9 * k4)))
    ds_dz = -slope / n2
    across = (-ds_dz * z - s) / rho / rho  # ds / drho / rho
    diagonal_x, mixed, diagonal_y = s + x * x * across, x * y * across, s + y * y * across
    dX_dd = torch.stack([diagonal_x, mixed, x * ds_dz])
    dY_dd = torch.stack([mixed, diagonal_y, y * ds_dz])

    # By X and Y, focal length included.
    shared = 2 * (p1 * X + p2 * Y)
    U_X, U_Y = f * (1 + 2 * p1 * Y + 6 * p2 * X), f * shared
    V_X, V_Y = fa * shared, fa * (1 + 6 * p1 * Y + 2 * p2 * X)
    d_direction = torch.stack([U_X * dX_dd + U_Y * dY_dd, V_X * dX_dd + V_Y * dY_dd])

    power = theta / rho  # of theta squared, times this: ds / dk
    by_k = []
    by_s = (U_X * x + U_Y * y, V_X * x + V_Y * y)
    for _ in range(4):
        power = power * t2
        by_k += [by_s[0] * power, by_s[1] * power]
    fU, faV, XY, zero, one = f * U, fa * V, 2 * X * Y, torch.zeros_like(x), torch.ones_like(x)
    by_centre = [one, zero, zero, one]
    by_decentring = [f * XY, fa * (r2 + 2 * Y * Y), f * (r2 + 2 * X * X), fa * XY]
    d_lens = torch.stack([fU, faV, *by_centre, *by_k, zero, faV, *by_decentring]).view(len(lens), 2, -1)
    return traced.pixels(cx, cy), d_direction, d_lens
