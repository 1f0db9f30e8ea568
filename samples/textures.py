"""Tiles of procedural texture: periodic, with corners at every scale, and a ladder of half sizes for area
sampling.

A tile is (n, n, 4): red, green, blue as square roots of the linear albedo, and how much it glows by itself.
All are periodic, so that they may cover any surface; what keeps a large one from repeating is a second,
coarser layer (`samples.surfaces`).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import scipy.fft
import torch
from numpy.typing import NDArray

Image = NDArray[np.float32]
_PAD = 2
_REMAP_ROW = 1024


@dataclass(frozen=True, eq=False)
class Tile:
    """A texture with its ladder of half sizes, laid side by side in one picture.

    atlas: (h, w, 4) uint8, square roots. sizes, starts: of each step of the ladder, px.
    """

    atlas: NDArray[np.uint8]
    sizes: torch.Tensor
    starts: torch.Tensor

    @property
    def texels(self) -> int:
        """Texels along the side of the finest step."""
        return int(self.sizes[0])

    def sample(self, u: torch.Tensor, v: torch.Tensor, level: torch.Tensor) -> torch.Tensor:
        """Linear colour and glow (n, 4) at u, v (n,), in tiles, at a fractional ladder step (n,)."""
        level = level.clamp(0.0, len(self.sizes) - 1.001)
        lower = level.floor()
        part = (level - lower).unsqueeze(-1)
        index = lower.to(torch.int64)
        u, v = u - u.floor(), v - v.floor()
        low, high = self._lookup(u, v, index), self._lookup(u, v, index + 1)
        return torch.lerp(low, high, part).square_()

    def _lookup(self, u: torch.Tensor, v: torch.Tensor, index: torch.Tensor) -> torch.Tensor:
        size = self.sizes[index]
        n = u.numel()
        rows = -(-n // _REMAP_ROW)
        maps = torch.zeros((2, rows * _REMAP_ROW), dtype=torch.float32)
        torch.addcmul(self.starts[index] + (_PAD - 0.5), u, size, out=maps[0, :n])
        torch.addcmul(torch.full_like(u, _PAD - 0.5), v, size, out=maps[1, :n])
        x, y = (m.reshape(rows, _REMAP_ROW).numpy() for m in maps)
        found = cv2.remap(self.atlas, x, y, cv2.INTER_LINEAR)
        return torch.from_numpy(found.reshape(-1, 4)[:n]).to(torch.float32).mul_(1 / 255)


def make_tile(colour: NDArray[np.floating], glow: NDArray[np.floating] | None = None) -> Tile:
    """A tile of a periodic linear colour (n, n, 3) and glow (n, n), both 0 to 1; n a power of two."""
    n = colour.shape[0]
    alpha = np.zeros((n, n)) if glow is None else glow
    step = np.concatenate([colour, alpha[..., None]], axis=-1).astype(np.float32).clip(0, 1)
    steps, sizes, starts, at = [], [], [], 0
    while True:
        padded = np.pad(step, ((_PAD, _PAD), (_PAD, _PAD), (0, 0)), mode="wrap")
        steps.append(np.rint(255 * np.sqrt(padded)).astype(np.uint8))
        sizes.append(step.shape[0])
        starts.append(at)
        at += padded.shape[1]
        if step.shape[0] <= 4:
            break
        step = step.reshape(step.shape[0] // 2, 2, -1, 2, 4).mean(axis=(1, 3))
    atlas = np.zeros((steps[0].shape[0], at, 4), np.uint8)
    for start, picture in zip(starts, steps, strict=True):
        atlas[: picture.shape[0], start : start + picture.shape[1]] = picture
    return Tile(atlas, torch.tensor(sizes, dtype=torch.float32), torch.tensor(starts, dtype=torch.float32))


def fractal(rng: np.random.Generator, n: int, slope: float = 1.0, lowest: float = 1.0) -> Image:
    """Periodic noise (n, n) with amplitude falling as frequency to the -slope, mean 0, deviation 1."""
    across = np.abs(np.fft.fftfreq(n, 1 / n)).astype(np.float32)
    frequency = np.hypot(across[:, None], across[None, : n // 2 + 1])
    amplitude = (frequency >= lowest) * np.maximum(frequency, 1.0) ** np.float32(-slope)
    white = rng.standard_normal((n, n), dtype=np.float32)
    noise = scipy.fft.irfft2(scipy.fft.rfft2(white) * amplitude, s=(n, n))
    return ((noise - noise.mean()) / noise.std()).astype(np.float32)


def cells(rng: np.random.Generator, n: int, across: int) -> tuple[Image, NDArray[np.int64]]:
    """A periodic Voronoi pattern of across x across cells, one seed in each square of a grid.

    Returns, (n, n) each, how much further the second nearest seed is than the nearest, in squares, and the
    cell's number.
    """
    seeds = rng.uniform(0.08, 0.92, (across, across, 2)).astype(np.float32)
    axis = ((np.arange(n) + 0.5) * across / n).astype(np.float32)
    square = np.floor(axis).astype(np.int64)
    nearest = np.full((n, n), 9.0, np.float32)
    second = nearest.copy()
    number = np.zeros((n, n), np.int64)
    for i in (-1, 0, 1):
        for j in (-1, 0, 1):
            row, column = (square + i) % across, (square + j) % across
            seed = seeds[row[:, None], column[None, :]]
            dy = (square + i - axis)[:, None] + seed[..., 0]
            dx = (square + j - axis)[None, :] + seed[..., 1]
            distance = np.hypot(dx, dy).astype(np.float32)
            closer = distance < nearest
            second = np.where(closer, nearest, np.minimum(second, distance))
            nearest = np.where(closer, distance, nearest)
            number = np.where(closer, row[:, None] * across + column[None, :], number)
    return second - nearest, number


def _relief(height: Image, strength: float) -> Image:
    """Light falling on a bumpy surface from the upper left, around 1."""
    slope = (np.roll(height, 1, 0) - np.roll(height, -1, 0)) + (
        np.roll(height, 1, 1) - np.roll(height, -1, 1)
    )
    return np.clip(1.0 - strength * slope * height.shape[0] / 512, 0.3, 1.9).astype(np.float32)


def _tinted(value: Image, rng: np.random.Generator, spread: float, base: tuple[float, float, float]) -> Image:
    """A grey value coloured around `base`, the hue wandering over the tile by `spread`."""
    n = value.shape[0]
    hue = np.stack([fractal(rng, n, 1.4) for _ in range(3)], axis=-1)
    return (value[..., None] * np.array(base) * (1 + spread * hue)).astype(np.float32)


def stone(rng: np.random.Generator, n: int, base: tuple[float, float, float] = (0.5, 0.48, 0.45)) -> Tile:
    """Rough stone or plaster: patches, cracks, grain."""
    edge, number = cells(rng, n, 8)
    fine_edge, fine_number = cells(rng, n, 39)
    value = 0.55 + 0.45 * rng.random(64)[number] + 0.35 * (rng.random(39**2)[fine_number] - 0.5)
    value = value * (0.35 + 0.65 * np.clip(edge / 0.06, 0, 1)) * (0.7 + 0.3 * np.clip(fine_edge / 0.15, 0, 1))
    value = value * np.exp(0.25 * fractal(rng, n, 0.8))
    return make_tile(_tinted(value.astype(np.float32), rng, 0.07, base))


def cobbles(rng: np.random.Generator, n: int, base: tuple[float, float, float] = (0.34, 0.33, 0.35)) -> Tile:
    """Round paving stones in dark joints."""
    edge, number = cells(rng, n, 21)
    dome = np.sqrt(np.clip(edge / 0.7, 0, 1))
    tone = (0.45 + 0.9 * rng.random(21**2))[number]
    value = (0.12 + 0.88 * np.clip(dome * 2.2 - 0.25, 0, 1)) * tone * _relief(0.06 * dome * n / 20, 0.35)
    value = value * np.exp(0.35 * fractal(rng, n, 0.75, 8))
    return make_tile(_tinted(value.astype(np.float32), rng, 0.07, base))


def bricks(
    rng: np.random.Generator, n: int, rows: int = 16, base: tuple[float, float, float] = (0.5, 0.3, 0.22)
) -> Tile:
    """Brickwork in running bond: repeats itself nearly, every brick with its own tone."""
    y, x = (np.indices((n, n)) + 0.5) / n
    row = np.floor(y * rows).astype(int)
    across = x * rows / 2 + 0.5 * (row % 2)
    column = np.floor(across).astype(int) % (rows // 2)
    tone = (0.5 + 0.8 * rng.random((rows, rows // 2)))[row, column]
    joint = np.minimum(np.minimum(y * rows % 1, 1 - y * rows % 1) / 2, np.minimum(across % 1, 1 - across % 1))
    value = np.where(joint > 0.035, tone, 0.75) * np.exp(0.28 * fractal(rng, n, 0.8))
    return make_tile(_tinted(value.astype(np.float32), rng, 0.1, base))


def planks(
    rng: np.random.Generator, n: int, boards: int = 14, base: tuple[float, float, float] = (0.42, 0.3, 0.2)
) -> Tile:
    """Weathered boards with grain, gaps and nails."""
    y, x = (np.indices((n, n)) + 0.5) / n
    board = np.floor(x * boards).astype(int)
    grain = fractal(rng, n, 0.9)
    drawn = cv2.blur(np.tile(grain, (3, 1)), (1, max(3, n // 20)))[n : 2 * n].astype(np.float32)
    grain = np.take_along_axis(drawn, (np.indices((n, n))[0] + 37 * board * n // 512) % n, axis=0)
    tone = (0.5 + 0.8 * rng.random(boards))[board]
    gap = np.minimum(x * boards % 1, 1 - x * boards % 1)
    nails = np.hypot((x * boards % 1 - 0.5), ((y * 6) % 1 - 0.5) * boards / 6) < 0.07
    value = tone * np.exp(0.9 * grain / grain.std() * 0.3) * np.where(gap > 0.05, 1.0, 0.2)
    value = np.where(nails, 0.15, value) * np.exp(0.22 * fractal(rng, n, 0.9))
    return make_tile(_tinted(value.astype(np.float32), rng, 0.1, base))


def metal(rng: np.random.Generator, n: int, base: tuple[float, float, float] = (0.32, 0.4, 0.42)) -> Tile:
    """Painted plates with rivets, rust breaking through."""
    y, x = (np.indices((n, n)) + 0.5) / n
    plate = np.floor(y * 4).astype(int) * 4 + np.floor(x * 4 + 0.37 * np.floor(y * 4)).astype(int) % 4
    value = (0.6 + 0.6 * rng.random(16))[plate]
    seam = np.minimum(y * 4 % 1, 1 - y * 4 % 1) < 0.02
    rivet = np.hypot(x * 32 % 1 - 0.5, (y * 4 % 1 - 0.06) * 8) < 0.28
    value = np.where(seam, 0.35, np.where(rivet, 1.5, 1.0)) * value * np.exp(0.15 * fractal(rng, n, 0.8))
    colour = _tinted(value.astype(np.float32), rng, 0.08, base)
    rust = np.clip(2.0 * fractal(rng, n, 1.1) - 0.8, 0, 1)[..., None]
    rusty = _tinted(np.exp(0.4 * fractal(rng, n, 0.6)), rng, 0.1, (0.34, 0.16, 0.08))
    return make_tile(colour * (1 - rust) + rusty * rust)


def facade(
    rng: np.random.Generator,
    n: int,
    across: int = 6,
    floors: int = 4,
    base: tuple[float, float, float] = (0.5, 0.38, 0.3),
    lit: float = 0.35,
) -> Tile:
    """A house front: a wall with rows of windows, some of them lit."""
    y, x = (np.indices((n, n)) + 0.5) / n
    column, floor = np.floor(x * across).astype(int), np.floor(y * floors).astype(int)
    px, py = x * across % 1 - 0.5, y * floors % 1 - 0.5
    pane = (np.abs(px) < 0.22) & (np.abs(py) < 0.30)
    frame = (np.abs(px) < 0.28) & (np.abs(py) < 0.35) & ~pane
    bars = pane & ((np.abs(px) < 0.018) | (np.abs(py + 0.05) < 0.014))
    edge, number = cells(rng, n, 22)
    wall = (0.7 + 0.5 * rng.random(22**2)[number]) * np.exp(0.3 * fractal(rng, n, 0.9))
    wall = wall * (0.8 + 0.2 * np.clip(edge / 0.12, 0, 1))
    colour = _tinted(wall.astype(np.float32), rng, 0.1, base)
    light = rng.random((floors, across))
    brightness = np.where(light < lit, 0.35 + 0.65 * rng.random((floors, across)), 0.0)[floor, column]
    room = np.clip(0.75 + 0.3 * fractal(rng, n, 0.8, 6), 0.1, 1.4)
    glass = np.where((brightness > 0)[..., None], np.array([1.0, 0.62, 0.25]), np.array([0.05, 0.06, 0.09]))
    colour = np.where(pane[..., None], glass * room[..., None], colour)
    shade = (0.35 + 0.75 * rng.random((floors, across)))[floor, column]
    colour = np.where((frame | bars)[..., None], 0.5 * shade[..., None] * np.array([1.0, 0.95, 0.85]), colour)
    return make_tile(colour, np.where(pane & ~bars, brightness, 0.0))


def foliage(rng: np.random.Generator, n: int, base: tuple[float, float, float] = (0.14, 0.2, 0.1)) -> Tile:
    """Woods and fields from afar: clumps in clumps."""
    edge, number = cells(rng, n, 50)
    coarse = fractal(rng, n, 1.3)
    value = (0.3 + 1.2 * rng.random(50**2)[number]) * np.clip(edge / 0.5, 0.2, 1) * np.exp(0.5 * coarse)
    value = value * np.exp(0.35 * fractal(rng, n, 0.6))
    return make_tile(_tinted(value.astype(np.float32), rng, 0.2, base))


def water(rng: np.random.Generator, n: int, base: tuple[float, float, float] = (0.1, 0.13, 0.18)) -> Tile:
    """Ripples, longer across than along."""
    height = cv2.resize(np.tile(fractal(rng, n, 1.25, 3), (3, 1)), (n, n), interpolation=cv2.INTER_AREA)
    slope = np.roll(height, 1, 0) - np.roll(height, -1, 0)
    slope = slope / slope.std()
    sparkle = np.exp(0.75 * slope)
    return make_tile(_tinted(sparkle.astype(np.float32), rng, 0.15, base))


def clouds(rng: np.random.Generator, n: int) -> Tile:
    """How cloudy it is, as grey: mixed into the sky's own colours. Billows with crisp edges."""
    billow = fractal(rng, n, 1.45, 2) + 0.3 * fractal(rng, n, 0.8, 16)
    cover = 0.5 + 0.5 * np.tanh(1.8 * billow)
    shade = np.clip(
        0.5 + 0.4 * (billow - np.roll(billow, n // 60, (0, 1))) + 0.12 * fractal(rng, n, 0.7), 0, 1
    )
    return make_tile(np.stack([cover, shade, np.zeros_like(cover)], axis=-1))


def checks(rng: np.random.Generator, n: int, colours: NDArray[np.floating], squares: int = 8) -> Tile:
    """Squares of two colours (2, 3), all but alike: the repeating texture that misleads matchers."""
    y, x = (np.indices((n, n)) + 0.5) / n
    odd = (np.floor(x * squares) + np.floor(y * squares)) % 2
    value = np.exp(0.15 * fractal(rng, n, 0.7))[..., None]
    return make_tile(np.where(odd[..., None] > 0, colours[0], colours[1]) * value)
