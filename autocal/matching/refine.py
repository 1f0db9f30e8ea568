"""Sub-pixel positions: a stored patch laid over a picture, with affine shape, gain and offset.

Inverse compositional alignment (Baker and Matthews, IJCV 56(3), 2004, sec. 3.2): the patch's
gradients stay, the picture is resampled. In every step the resampled picture is explained,
by weighted least squares, as gain * patch + gain * gradient . (shift + shape) + offset.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from autocal.geometry.lens import Array
from autocal.matching.patches import (
    GRADIENT_BORDER,
    SAMPLES,
    SMOOTHING,
    WINDOW,
    SmoothImage,
    noise_taps,
    window_offsets,
    window_weights,
)

if TYPE_CHECKING:
    import torch

_SHIFT_STEPS = 2  # shift alone at first: shape from far off runs away
_STEPS = 9
_CONVERGED = 0.008  # sample spacings
_LONGEST_STEP, _LARGEST_SHAPE_STEP = 1.5, 0.25
_CHUNK = 256  # patches whose machinery fits a processor's cache
_LEAST_CORRELATION = 0.85
_FURTHEST = 3.5  # sample spacings from where the search began
_LARGEST_SIGMA = 0.35  # sample spacings
_MOST_STRETCHED_ERROR = 4.0  # along over across, of the error ellipse


@dataclass(frozen=True, eq=False)
class Alignment:
    """Where patches were found.

    pixel: (n, 2), full resolution. shape: (n, 2, 2), picture offsets per patch offset.
    sigma_px: (n,), per coordinate, of one of the two sights, by noise alone. correlation: (n,), weighted.
    good: (n,), whether to believe it.
    """

    pixel: Array
    shape: Array
    sigma_px: Array
    correlation: Array
    good: NDArray[np.bool_]


def align(patches: NDArray[np.float16], image: SmoothImage, pixel: Array, shape: Array) -> Alignment:
    """Find patches (n, STORED, STORED) in a picture, from `pixel` (n, 2) and `shape` (n, 2, 2)."""
    if not len(patches):
        none = np.zeros(0)
        return Alignment(np.zeros((0, 2)), np.zeros((0, 2, 2)), none, none, np.zeros(0, dtype=bool))
    parts = [
        _align_chunk(patches[i : i + _CHUNK], image, pixel[i : i + _CHUNK], shape[i : i + _CHUNK])
        for i in range(0, len(patches), _CHUNK)
    ]
    return Alignment(
        *(
            np.concatenate([getattr(part, name) for part in parts])
            for name in ("pixel", "shape", "sigma_px", "correlation", "good")
        )
    )


@dataclass(frozen=True, eq=False)
class _Model:
    """The least-squares machinery of a batch of patches; depends on the patches alone.

    values: (n, SAMPLES). solve_shift: (n, 4, SAMPLES), picture to (shift, gain, offset).
    solve_all: (n, 8, SAMPLES), to (shift, shape, gain, offset). weights: (SAMPLES,).
    """

    values: torch.Tensor
    design: torch.Tensor
    solve_shift: torch.Tensor
    solve_all: torch.Tensor
    weights: torch.Tensor


def _model(patches: NDArray[np.float16], device: torch.device) -> _Model:
    import torch

    stored = torch.from_numpy(patches.astype(np.float32)).to(device)
    border = GRADIENT_BORDER
    inner = slice(border, border + WINDOW)

    def shifted(axis: int, by: int) -> torch.Tensor:
        moved = slice(border + by, border + by + WINDOW)
        return stored[:, inner, moved] if axis == 0 else stored[:, moved, inner]

    # Fourth-order central differences, per sample spacing.
    gradient = [
        ((8.0 * (shifted(k, 1) - shifted(k, -1)) - (shifted(k, 2) - shifted(k, -2))) / 12.0).reshape(
            -1, SAMPLES
        )
        for k in (0, 1)
    ]
    values = stored[:, inner, inner].reshape(-1, SAMPLES)
    offsets = torch.from_numpy(window_offsets()).to(values)
    weights = torch.from_numpy(window_weights()).to(values)
    x, y = offsets[:, 0], offsets[:, 1]
    gx, gy = gradient
    ones = torch.ones_like(values)
    design = torch.stack([gx, gy, gx * x, gx * y, gy * x, gy * y, values, ones], dim=2)
    return _Model(
        values, design, _solver(design[:, :, [0, 1, 6, 7]], weights), _solver(design, weights), weights
    )


def _solver(design: torch.Tensor, weights: torch.Tensor) -> torch.Tensor:
    """(J^T W J)^-1 J^T W, (n, p, SAMPLES), of designs (n, SAMPLES, p)."""
    import torch

    weighted = design * weights[:, None]
    normal = (design.transpose(1, 2) @ weighted).double()
    diagonal = normal.diagonal(dim1=1, dim2=2)
    scale = torch.rsqrt(torch.clamp(diagonal, min=1e-9))
    eye = torch.eye(normal.shape[1], dtype=normal.dtype, device=normal.device)
    scaled = normal * scale[:, :, None] * scale[:, None, :] + 1e-7 * eye
    inverse = torch.linalg.inv(scaled) * scale[:, :, None] * scale[:, None, :]
    return inverse.float() @ weighted.transpose(1, 2)


def _align_chunk(patches: NDArray[np.float16], image: SmoothImage, pixel: Array, shape: Array) -> Alignment:
    import torch

    device = image.nodes.device
    spacing = image.spacing
    model = _model(patches, device)
    offsets = torch.from_numpy(window_offsets() * spacing).to(device)
    start = torch.from_numpy(np.ascontiguousarray(pixel, np.float64)).to(device)
    place = start.clone()
    form = torch.from_numpy(np.ascontiguousarray(shape, np.float64)).to(device)
    moved = torch.full((len(patches),), float("inf"), dtype=torch.float64, device=device)
    rows = torch.arange(len(patches), device=device)  # those still moving, and a few that no longer do
    solve_shift, solve_all = model.solve_shift, model.solve_all
    eye = torch.eye(2, dtype=torch.float64, device=device)
    for step in range(_STEPS):
        with_shape = step >= _SHIFT_STEPS
        seen = image.at(place[rows], offsets @ form[rows].transpose(1, 2))
        theta = ((solve_all if with_shape else solve_shift) @ seen[:, :, None])[:, :, 0].double()
        gain = theta[:, -2]
        gain = torch.where(gain.abs() < 0.05, torch.full_like(gain, 0.05), gain)
        shift = theta[:, :2] / gain[:, None]
        length = shift.norm(dim=1)
        shift = shift * torch.clamp(_LONGEST_STEP / torch.clamp(length, min=1e-12), max=1.0)[:, None]
        if with_shape:
            change = (theta[:, 2:6] / gain[:, None]).reshape(-1, 2, 2)
            change = torch.clamp(change, -_LARGEST_SHAPE_STEP, _LARGEST_SHAPE_STEP)
            form[rows] = form[rows] @ torch.linalg.inv(eye + change)
        place[rows] -= spacing * (form[rows] @ shift[:, :, None])[:, :, 0]
        moved[rows] = length
        moving = (place[rows] - start[rows]).norm(dim=1) < _FURTHEST * spacing
        if with_shape:
            moving &= length > _CONVERGED
        count = int(moving.sum())
        if not count:
            break
        if with_shape and count < 0.6 * len(rows):
            rows, solve_all = rows[moving], solve_all[moving]
    return _judged(model, image, offsets, start, place, form, moved)


def _judged(
    model: _Model,
    image: SmoothImage,
    offsets: torch.Tensor,
    start: torch.Tensor,
    place: torch.Tensor,
    form: torch.Tensor,
    moved: torch.Tensor,
) -> Alignment:
    """Residuals, their meaning for the position, and whether the patch is there at all."""
    import torch

    spacing = image.spacing
    seen = image.at(place, offsets @ form.transpose(1, 2))
    theta = (model.solve_all @ seen[:, :, None])[:, :, 0]
    residual = seen - (model.design @ theta[:, :, None])[:, :, 0]
    weights = model.weights
    total = weights.sum()
    centred = seen - (seen * weights).sum(dim=1, keepdim=True) / total
    left = (weights * residual**2).sum(dim=1) / total
    variance = (weights * centred**2).sum(dim=1) / total
    gain = theta[:, 6]
    correlation = torch.sqrt(torch.clamp(1.0 - left / torch.clamp(variance, min=1e-9), min=0.0))
    correlation = torch.where(gain > 0, correlation, -correlation)
    covariance = _shift_covariance(model, left) / torch.clamp(gain, min=0.05)[:, None, None] ** 2
    in_picture = form.float() @ covariance @ form.float().transpose(1, 2)
    roots = torch.sqrt(torch.clamp(torch.linalg.eigvalsh(in_picture.double()), min=1e-12))
    sigma = torch.sqrt((roots**2).mean(dim=1))
    stretch = torch.linalg.svdvals(form)
    good = (
        (correlation > _LEAST_CORRELATION)
        & ((place - start).norm(dim=1) < _FURTHEST * spacing)
        & (moved < 0.05)
        & (sigma < _LARGEST_SIGMA)
        & (roots[:, 1] < _MOST_STRETCHED_ERROR * roots[:, 0])
        & (stretch[:, 0] < 2.0)
        & (stretch[:, 1] > 0.5)
    )
    return Alignment(
        place.cpu().numpy(),
        form.cpu().numpy(),
        spacing * sigma.cpu().numpy(),
        correlation.double().cpu().numpy(),
        good.cpu().numpy(),
    )


def _shift_covariance(model: _Model, residual_variance: torch.Tensor) -> torch.Tensor:
    """Covariance (n, 2, 2) of the shift, spacings^2, by the noise of one of the two pictures.

    Noise of neighbouring samples is correlated by the smoothing: white noise of variance s^2
    leaves residuals of 2 s^2 sum(g^2), and moves the shift by s^2 sum((solver * g)^2). The
    patch's gradients hold noise too, which makes them look steeper than the texture is: their
    share of it, s^2 sum(dg^2), is taken out.
    """
    import torch

    taps = torch.from_numpy(noise_taps()).to(residual_variance)
    reach = len(taps) - 1
    smear = torch.zeros((WINDOW + reach, WINDOW), dtype=taps.dtype, device=taps.device)
    for k, tap in enumerate(taps):
        smear.diagonal(-k).fill_(float(tap))
    rows = model.solve_all[:, :2].reshape(-1, 2, WINDOW, WINDOW)
    spread = (smear @ rows @ smear.T).flatten(2)
    energy = float((taps**2).sum())  # of the smoothing, along one axis
    freedom = 1.0 - 8.0 * energy**2 / float(model.weights.sum())  # close to 1
    noise = residual_variance / (2.0 * energy**2 * freedom)
    slope = torch.arange(len(taps), device=taps.device) - len(taps) // 2
    steepness = float((((slope / SMOOTHING**2) * taps) ** 2).sum()) * energy  # sum(dg^2) in the plane
    gradient = (model.design[:, :, :2] ** 2 * model.weights[:, None]).sum(dim=1).mean(dim=1)
    share = torch.clamp(noise * steepness * model.weights.sum() / gradient.clamp(min=1e-9), max=0.7)
    return (noise / (1.0 - share) ** 2)[:, None, None] * (spread @ spread.transpose(1, 2))
