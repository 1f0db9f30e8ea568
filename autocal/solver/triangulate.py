"""Points placed anew from the rays that agree, whatever the other sights of them say."""

from __future__ import annotations

from dataclasses import replace

import torch
from torch import Tensor

from autocal.geometry.parameters import rig_from_vector
from autocal.geometry.rig import Rig
from autocal.solver.bundle import Observations, State, residuals_of
from autocal.solver.levenberg import squared_misfit
from autocal.solver.loss import GemanMcClure

_DRAWS = 6


def retriangulated(
    state: State, seen: Observations, share: Tensor, rig: Rig, scale: float, generator: torch.Generator
) -> State:
    """The state with each point moved to where most of its observations agree, if that is better.

    Two sights of a point are drawn at a time and their rays intersected (the midpoint of their common
    perpendicular, in homogeneous form); the place that the most sights support is kept.
    rig: whose lenses the state's vector moves. scale: of the loss, in sigmas.
    """
    origin, ray = _world_rays(state, seen, rig)
    points = len(state.point)
    count = torch.bincount(seen.point, minlength=points)
    first = torch.cumsum(count, 0) - count
    u = torch.rand(_DRAWS, 2, points, generator=generator, dtype=torch.float64).to(count.device)
    a = (u[:, 0] * count).long().clamp_max(count.max() - 1)
    b = (a + 1 + (u[:, 1] * (count - 1)).long()) % count.clamp_min(1)
    i, j = (torch.where(count >= 2, first + k, 0).flatten() for k in (a, b))
    met = _meeting(origin[i], ray[i], origin[j], ray[j]).view(_DRAWS, points, 4)
    usable = (count >= 2) & met.isfinite().all(dim=2)
    tried = torch.cat([state.point[None], torch.where(usable[..., None], met, state.point)])

    misfit = squared_misfit(residuals_of(tried, state, seen), share)
    cost = misfit.new_zeros(len(tried), points)
    cost.index_add_(1, seen.point, share * GemanMcClure(scale).value(misfit))
    best = cost.nan_to_num(nan=torch.inf).argmin(dim=0)  # of equals the first: what there was
    return replace(state, point=tried[best, torch.arange(points, device=best.device)])


def _world_rays(state: State, seen: Observations, rig: Rig) -> tuple[Tensor, Tensor]:
    """Where each observation's eye stands in the world and where it looks, (n, 3) each; NaN off the lens."""
    turned = rig_from_vector(state.vector.cpu().numpy(), rig)
    pixel, eye = seen.pixel.cpu().numpy(), seen.eye.cpu().numpy()
    d = seen.pixel.new_empty(len(seen), 3)
    for side in (0, 1):
        rows = torch.as_tensor(eye == side, device=d.device)
        d[rows] = torch.as_tensor(turned.directions(side, pixel[eye == side]), device=d.device)
    R = state.rotation[seen.frame]
    shift = torch.zeros_like(d)
    shift[:, 0] = seen.eye - 0.5
    return state.position[seen.frame] + _back(R, shift), _back(R, d)


def _back(R: Tensor, v: Tensor) -> Tensor:
    return torch.einsum("nji,nj->ni", R, v)


def _meeting(c1: Tensor, u1: Tensor, c2: Tensor, u2: Tensor) -> Tensor:
    """Homogeneous points (n, 4), unit length, midway between two rays where they are nearest.

    Solves the 2 x 2 system of the common perpendicular without dividing by its determinant, which is
    the fourth coordinate: parallel rays meet at infinity.
    """
    e = (u1 * u2).sum(dim=1, keepdim=True)
    b = c2 - c1
    b1, b2 = (b * u1).sum(dim=1, keepdim=True), (b * u2).sum(dim=1, keepdim=True)
    w = 1 - e * e
    x = 0.5 * (w * (c1 + c2) + (b1 - e * b2) * u1 + (e * b1 - b2) * u2)
    point = torch.cat([x, w], dim=1)
    lost = point.norm(dim=1, keepdim=True) < 1e-12
    point = torch.where(lost, torch.cat([u1 + u2, torch.zeros_like(w)], dim=1), point)
    # Rays that part meet beyond infinity: seen along the same direction, at a negative inverse distance.
    forward = (point[:, :3] * (u1 + u2)).sum(dim=1, keepdim=True)
    point = torch.where(forward < 0, -point, point)
    return torch.nn.functional.normalize(point, dim=1)
