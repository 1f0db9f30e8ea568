"""The lens of `autocal.geometry.lens` in torch, with its derivatives: many rays, two lenses.

Works on directions of any length and past 90 degrees off axis; nothing divides by z. It goes on
beyond the monotonic range instead of giving NaN: the optimiser keeps lenses monotonic by refusing
steps, and needs finite numbers to do so. `Lens.project` is its slow twin.
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
        return torch.stack([cx + self.f * self.U, cy + self.fa * self.V], dim=1)


def _traced(directions: Tensor, lens: Tensor) -> _Traced:
    focal, _, _, k1, k2, k3, k4, log_aspect, p1, p2 = lens.unbind(1)
    x, y, z = directions.unbind(1)
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
    """Pixels (n, 2) of rays, as `project` has them, without derivatives."""
    return _traced(directions, lens).pixels(lens[:, 1], lens[:, 2])


def project(directions: Tensor, lens: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Pixels of rays, and how they change.

    directions: (n, 3), camera frame, any positive length. lens: (n, 10), each ray's lens.
    Returns pixels (n, 2), d pixel / d direction (n, 2, 3), d pixel / d lens (n, 2, 10).
    """
    _, cx, cy, k1, k2, k3, k4, _, p1, p2 = lens.unbind(1)
    traced = _traced(directions, lens)
    x, y, z, n2, rho, theta, t2, s, X, Y, r2, U, V, f, fa = traced
    slope = 1 + t2 * (3 * k1 + t2 * (5 * k2 + t2 * (7 * k3 + t2 * 9 * k4)))
    ds_drho = (slope * z / n2 - s) / rho
    ds_dz = -slope / n2
    zero = torch.zeros_like(x)
    dX_dd = torch.stack([s + x * x * ds_drho / rho, x * y * ds_drho / rho, x * ds_dz], dim=1)
    dY_dd = torch.stack([x * y * ds_drho / rho, s + y * y * ds_drho / rho, y * ds_dz], dim=1)
    powers = theta[:, None] * torch.stack([t2, t2**2, t2**3, t2**4], dim=1) / rho[:, None]  # ds / dk

    U_X, U_Y = 1 + 2 * p1 * Y + 6 * p2 * X, 2 * p1 * X + 2 * p2 * Y
    V_X, V_Y = 2 * p1 * X + 2 * p2 * Y, 1 + 6 * p1 * Y + 2 * p2 * X

    d_direction = torch.stack(
        [
            f[:, None] * (U_X[:, None] * dX_dd + U_Y[:, None] * dY_dd),
            fa[:, None] * (V_X[:, None] * dX_dd + V_Y[:, None] * dY_dd),
        ],
        dim=1,
    )
    one = torch.ones_like(x)
    dU_dk = (U_X * x + U_Y * y)[:, None] * powers
    dV_dk = (V_X * x + V_Y * y)[:, None] * powers
    row_u = torch.stack([f * U, one, zero, *(f[:, None] * dU_dk).unbind(1), zero], dim=1)
    row_v = torch.stack([fa * V, zero, one, *(fa[:, None] * dV_dk).unbind(1), fa * V], dim=1)
    tail_u = torch.stack([2 * f * X * Y, f * (r2 + 2 * X * X)], dim=1)
    tail_v = torch.stack([fa * (r2 + 2 * Y * Y), 2 * fa * X * Y], dim=1)
    d_lens = torch.stack([torch.cat([row_u, tail_u], dim=1), torch.cat([row_v, tail_v], dim=1)], dim=1)
    return traced.pixels(cx, cy), d_direction, d_lens
