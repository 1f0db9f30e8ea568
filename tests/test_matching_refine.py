"""Sub-pixel alignment against pictures whose true shift and shape are known exactly."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates

from autocal.matching.patches import (
    HALF_WINDOW,
    SMOOTHING,
    WINDOW,
    cut_patches,
    sample_spacing,
    smooth_picture,
)
from autocal.matching.refine import Alignment, align
from autocal.matching.sampling import (
    holds,
    sample,
    sample_patches,
    smoothed_window,
    window_about,
    window_memory,
)

Array = NDArray[np.float64]

_SIDE = 260
_NUDGE = np.array([0.37, -0.23])
_SHAPES = {
    "same": np.eye(2),
    "stretched": np.array([[1.10, 0.05], [-0.08, 0.93]]),
    "turned": np.array([[0.97, 0.18], [-0.18, 0.97]]),
}


class Waves:
    """A random texture with a spectrum like that of natural pictures, as a sum of waves.

    A pixel is its mean over the pixel's area, in closed form: a box of two sincs.
    """

    def __init__(self, seed: int, count: int = 160) -> None:
        rng = np.random.default_rng(seed)
        direction = rng.normal(size=(count, 2))
        direction /= np.linalg.norm(direction, axis=1, keepdims=True)
        rate = np.exp(rng.uniform(np.log(2 * np.pi / 60), np.log(2 * np.pi / 3), count))
        self.wave = direction * rate[:, None]
        self.phase = rng.uniform(0, 2 * np.pi, count)
        self.height = 1 / np.sqrt(rate)
        self.height *= 30 / np.sqrt((self.height**2).sum() / 2)

    def warped(self, place: Callable[[Array], Array]) -> Array:
        """Pixels q show the texture at place(q): the mean over four parts of each."""
        y, x = np.mgrid[:_SIDE, :_SIDE]
        q = np.stack([x.ravel(), y.ravel()], axis=1).astype(np.float64)
        steps = np.array([[-0.25, -0.25], [0.25, -0.25], [-0.25, 0.25], [0.25, 0.25]])
        value = sum(np.cos(place(q + step) @ self.wave.T + self.phase) @ self.height for step in steps)
        return 128 + np.asarray(value).reshape(_SIDE, _SIDE) / len(steps)

    def picture(self, linear: Array, origin: Array) -> Array:
        """Pixel q shows the texture at linear @ q + origin; values about 128."""
        y, x = np.mgrid[:_SIDE, :_SIDE]
        q = np.stack([x.ravel(), y.ravel()], axis=1).astype(np.float64)
        per_pixel = self.wave @ linear
        box = np.sinc(per_pixel / (2 * np.pi)).prod(axis=1)
        angle = (q @ linear.T + origin).astype(np.float32) @ self.wave.T.astype(np.float32)
        value = np.cos(angle + self.phase.astype(np.float32)) @ (self.height * box).astype(np.float32)
        return 128 + value.reshape(_SIDE, _SIDE).astype(np.float64)


def _aligned(
    shape: Array, gain: float, noise: float, seed: int, spacing: int = 1, points: int = 500
) -> tuple[Alignment, Array]:
    """Patches of one picture found in another, deformed one; and where they truly are."""
    rng = np.random.default_rng(seed)
    texture = Waves(seed)
    centre = np.full(2, _SIDE / 2)
    back = np.linalg.inv(shape)
    origin = centre - back @ centre + _NUDGE
    first, second = texture.picture(np.eye(2), np.zeros(2)), texture.picture(back, origin)
    pictures = [
        np.clip(np.rint(p + noise * rng.normal(size=p.shape)), 0, 255).astype(np.uint8)
        for p in (first, gain * (second - 128) + 118)
    ]
    margin = 45 * spacing if spacing == 1 else 70
    start = rng.uniform(margin, _SIDE - margin, (points, 2))
    true = (start - origin) @ shape.T
    patches = cut_patches(smooth_picture(pictures[0], spacing), start)
    guess = true + rng.uniform(-1, 1, true.shape) * spacing
    found = align(patches, smooth_picture(pictures[1], spacing), guess, np.tile(np.eye(2), (points, 1, 1)))
    return found, true


@pytest.mark.parametrize("shape", _SHAPES.values(), ids=_SHAPES.keys())
@pytest.mark.parametrize("spacing", [1, 2])
def test_noise_free_positions_are_right_to_a_hundredth_of_a_pixel(shape: Array, spacing: int) -> None:
    found, true = _aligned(shape, 1.0, 0.0, seed=1, spacing=spacing, points=200)
    error = (found.pixel - true)[found.good]
    assert found.good.mean() > 0.95
    assert np.abs(error.mean(axis=0)).max() < 0.005 * spacing  # no systematic shift
    assert np.sqrt((error**2).mean()) < 0.012 * spacing


@pytest.mark.parametrize(("gain", "noise"), [(0.7, 2.0), (1.2, 4.0), (0.35, 1.5)])
def test_exposure_difference_and_noise_leave_no_bias(gain: float, noise: float) -> None:
    errors = []
    for seed in range(4):
        found, true = _aligned(_SHAPES["stretched"], gain, noise, seed)
        assert found.good.mean() > 0.9
        errors.append((found.pixel - true)[found.good])
    error = np.concatenate(errors)
    assert np.sqrt((error**2).mean()) < 0.1
    assert np.abs(error.mean(axis=0)).max() < 0.012


@pytest.mark.parametrize("spacing", [1, 2])
def test_what_bends_a_patch_does_not_move_it(spacing: int) -> None:
    """Pixel q of the second picture shows place q + |q - middle|^2 c / 2 of the first."""
    c, middle = np.array([8e-4, -4e-4]), np.full(2, _SIDE / 2)

    def there(q: Array) -> Array:
        return q + 0.5 * ((q - middle) ** 2).sum(axis=1, keepdims=True) * c

    def back(p: Array) -> Array:
        q = p.copy()
        for _ in range(30):
            q -= there(q) - p
        return q

    def slopes(of: Callable[[Array], Array], at: Array) -> Array:
        return np.stack([(of(at + step) - of(at - step)) / 2 for step in np.eye(2)], axis=-1)

    texture = Waves(0)
    true = np.random.default_rng(0).uniform(75, _SIDE - 75, (500, 2))
    start = there(true)
    bend = sum(back(start + step) for step in (*np.eye(2), *-np.eye(2))) - 4 * back(start)
    first, second = (
        smooth_picture(np.clip(np.rint(p), 0, 255).astype(np.uint8), spacing)
        for p in (texture.picture(np.eye(2), np.zeros(2)), texture.warped(there))
    )
    patches, shape = cut_patches(first, start), np.linalg.inv(slopes(there, true))
    found, as_it_lies = (align(patches, second, true + 0.5, shape, by) for by in (bend, None))
    good = found.good
    assert good.mean() > 0.95
    assert np.abs((as_it_lies.pixel - true)[good].mean(axis=0)).max() > 0.015 * spacing**2
    assert np.abs((found.pixel - true)[good].mean(axis=0)).max() < 0.0015 * spacing**2


def test_shape_is_recovered() -> None:
    found, _ = _aligned(_SHAPES["stretched"], 1.0, 1.0, seed=3, points=200)
    assert np.abs(np.median(found.shape[found.good], axis=0) - _SHAPES["stretched"]).max() < 0.005


def _error_over_sigma(noise: float) -> float:
    """Mean square over several textures: a sixth of the patches of one overlap.

    Both sights are equally noisy: the shift between them has twice the variance of one.
    """
    ratios = []
    for seed in range(6):
        found, true = _aligned(np.eye(2), 1.0, noise, seed, points=300)
        error = (found.pixel - true)[found.good]
        ratios.append((error**2).mean(axis=1) / (2 * found.sigma_px[found.good] ** 2))
    return float(np.concatenate(ratios).mean())


@pytest.mark.parametrize("noise", [1.0, 2.0, 4.0])
def test_errors_over_sigma_have_variance_one_where_noise_is_low(noise: float) -> None:
    assert 0.9 < _error_over_sigma(noise) < 1.1


@pytest.mark.parametrize("noise", [8.0, 12.0, 16.0])
def test_errors_over_sigma_have_variance_one(noise: float) -> None:
    assert 0.75 < _error_over_sigma(noise) < 1.25


def test_other_texture_is_not_believed() -> None:
    rng = np.random.default_rng(0)
    one, other = (Waves(seed).picture(np.eye(2), np.zeros(2)).astype(np.uint8) for seed in (1, 2))
    pixel = rng.uniform(40, _SIDE - 40, (300, 2))
    patches = cut_patches(smooth_picture(one, 1), pixel)
    found = align(patches, smooth_picture(other, 1), pixel, np.tile(np.eye(2), (300, 1, 1)))
    assert found.good.mean() < 0.01


def test_an_edge_that_slides_along_itself_is_not_believed() -> None:
    step = np.tile(np.where(np.arange(120) < 60, 60, 190).astype(np.float64), (120, 1))
    noisy = np.random.default_rng(0).normal(step, 2.0, (2, 120, 120))
    pictures = [np.clip(p, 0, 255).astype(np.uint8) for p in noisy]
    pixel = np.column_stack([np.full(20, 59.5), np.linspace(40, 80, 20)])
    patches = cut_patches(smooth_picture(pictures[0], 1), pixel)
    found = align(patches, smooth_picture(pictures[1], 1), pixel, np.tile(np.eye(2), (20, 1, 1)))
    assert not found.good.any()


@pytest.mark.parametrize("level", range(0, 256, 15))
def test_flat_and_nearly_flat_pictures_are_not_believed(level: int) -> None:
    """What single precision rounds looks the same in both pictures, and says nothing."""
    flat = np.full((120, 120), level, np.uint8)
    speck = flat.copy()
    speck[60, 60] = 128
    at = np.random.default_rng(0).uniform(-20, 140, (60, 2))
    at[:10] = 60.0
    for one, other in ((flat, flat), (flat, speck), (speck, flat)):
        shape = np.tile(np.eye(2), (len(at), 1, 1))
        found = align(cut_patches(smooth_picture(one, 1), at), smooth_picture(other, 1), at, shape)
        assert not found.good.any()
        assert np.isfinite(found.pixel).all()


@pytest.mark.parametrize("wild", [np.nan, np.inf, -np.inf, 1e300, -3e10])
def test_a_search_from_nowhere_finds_nothing(wild: float) -> None:
    picture = smooth_picture(np.random.default_rng(0).integers(0, 256, (80, 80)).astype(np.uint8), 1)
    patches = cut_patches(picture, np.full((2, 2), 40.0))
    places = np.array([[wild, 40.0], [40.0, wild]])
    with np.errstate(all="ignore"):
        assert not align(patches, picture, places, np.tile(np.eye(2), (2, 1, 1))).good.any()
        assert len(cut_patches(picture, places)) == 2


def test_nothing_to_align_is_no_error() -> None:
    image = smooth_picture(np.zeros((60, 60), np.uint8), 1)
    patches = cut_patches(image, np.zeros((0, 2)))
    assert len(align(patches, image, np.zeros((0, 2)), np.zeros((0, 2, 2))).good) == 0


@pytest.mark.parametrize(("spacing", "per_pixel"), [(1, 2), (2, 1)])
def test_smoothed_picture_equals_scipy_gaussian_at_pixel_centres(spacing: int, per_pixel: int) -> None:
    """Reference: scipy.ndimage.gaussian_filter."""
    picture = np.random.default_rng(0).integers(0, 256, (50, 70)).astype(np.uint8)
    smooth = smooth_picture(picture, spacing)
    whole = (0, 0, per_pixel * 70, per_pixel * 50)
    memory = window_memory(smooth.taps, smooth.step)
    nodes = smoothed_window(smooth.luma, smooth.taps, smooth.step, whole, memory)
    expected = gaussian_filter(picture.astype(np.float64), SMOOTHING * spacing, mode="nearest", truncate=5.0)
    assert np.abs(nodes[::per_pixel, ::per_pixel] - expected).max() < 0.05


@pytest.mark.parametrize("spacing", [1, 2, 4])
@pytest.mark.parametrize("samples", [np.uint8, np.uint16])
def test_patches_are_cut_from_the_picture_as_if_it_were_smoothed_whole(spacing: int, samples: Any) -> None:
    """Reference: scipy.ndimage.gaussian_filter and map_coordinates; the patches reach beyond the edges."""
    rng = np.random.default_rng(0)
    top = np.iinfo(samples).max
    raw = rng.integers(0, top, (300, 340)).astype(np.float64)
    picture = gaussian_filter(raw, 2.0 * spacing).astype(samples)
    places = rng.uniform(-20, 320, (60, 2))
    shape = np.array([[1.6, 0.3], [-0.5, 0.8]])
    smooth = smooth_picture(picture, spacing)
    seen = np.empty((len(places), WINDOW * WINDOW), np.float32)
    sample_patches(smooth.luma, smooth.taps, smooth.step, places, shape, WINDOW, seen)
    y, x = np.mgrid[-HALF_WINDOW : HALF_WINDOW + 1, -HALF_WINDOW : HALF_WINDOW + 1]
    at = places[:, None, :] + spacing * np.column_stack([x.ravel(), y.ravel()]) @ shape.T
    around = np.pad(picture.astype(np.float64), 150, mode="edge")
    blurred = gaussian_filter(around, SMOOTHING * spacing) * (255 / top)
    expected = map_coordinates(blurred, at.reshape(-1, 2)[:, ::-1].T + 150, order=3)
    assert np.abs(seen.ravel() - expected).max() < 0.03 * np.ptp(expected)


def test_a_window_holds_all_that_is_sampled_of_it_or_says_that_it_does_not() -> None:
    rng = np.random.default_rng(0)
    smooth = smooth_picture(rng.integers(0, 256, (200, 220)).astype(np.uint8), 1)
    picture = smooth.luma, smooth.taps, smooth.step
    all_of_it = smoothed_window(*picture, (60, 50, 160, 160), window_memory(smooth.taps, smooth.step))
    one, other = np.empty(WINDOW * WINDOW, np.float32), np.empty(WINDOW * WINDOW, np.float32)
    answers = []
    for _ in range(200):
        x, y = rng.uniform(120, 140, 2)
        expected = np.eye(2) + rng.uniform(-0.3, 0.3, (2, 2))
        window = window_about(x, y, expected, WINDOW, 4.0)
        nodes = smoothed_window(*picture, window, window_memory(smooth.taps, smooth.step))
        shape = expected + rng.uniform(-0.4, 0.4, (2, 2))
        x, y = x + rng.uniform(-6, 6), y + rng.uniform(-6, 6)
        sample(nodes, x - window[0], y - window[1], shape, WINDOW, one)
        sample(all_of_it, x - 60, y - 50, shape, WINDOW, other)
        answers.append(holds(window, x, y, shape, WINDOW))
        if answers[-1]:
            assert np.abs(one - other).max() < 1e-3
    assert 0.2 < np.mean(answers) < 0.8


def test_a_ramp_is_sampled_without_shift_at_any_fraction() -> None:
    y, x = np.mgrid[:60, :60]
    ramp = (20000 + 300 * x + 150 * y).astype(np.uint16)
    smooth = smooth_picture(ramp, 1)
    at = np.random.default_rng(0).uniform(15, 45, (200, 2))
    seen = np.empty((len(at), 1), np.float32)
    sample_patches(smooth.luma, smooth.taps, smooth.step, at, np.eye(2), 1, seen)
    seen = seen[:, 0]
    expected = (20000 + at @ np.array([300.0, 150.0])) * 255 / 65535
    assert np.abs(seen - expected).max() < 0.002 * 300 * 255 / 65535  # thousandths of a pixel


def test_samples_equal_those_of_scipy_and_edges_repeat() -> None:
    """Reference: scipy.ndimage.map_coordinates, linear, nearest beyond the edge."""
    rng = np.random.default_rng(0)
    nodes = rng.uniform(0, 255, (40, 60)).astype(np.float32)
    places = rng.uniform(-8, 66, (300, 2))
    shape = np.array([[0.9, 0.2], [-0.3, 1.1]])
    seen = np.empty((len(places), 25), np.float32)
    for (x, y), values in zip(places, seen, strict=True):
        sample(nodes, x, y, shape, 5, values)
    y, x = np.mgrid[-2:3, -2:3]
    offsets = 2 * np.column_stack([x.ravel(), y.ravel()]) @ shape.T
    at = (places[:, None, :] + offsets).reshape(-1, 2)
    expected = map_coordinates(nodes.astype(np.float64), at[:, ::-1].T, order=1, mode="nearest")
    assert np.abs(seen.ravel() - expected).max() < 0.01


def test_eight_and_sixteen_bit_pictures_give_the_same_patches() -> None:
    picture = np.random.default_rng(0).integers(0, 256, (60, 60)).astype(np.uint8)
    at = np.array([[30.3, 29.1]])
    pictures = (picture, picture.astype(np.uint16) * 257)
    eight, sixteen = (cut_patches(smooth_picture(p, 1), at) for p in pictures)
    assert np.abs(eight.astype(float) - sixteen.astype(float)).max() < 0.1


def test_spacing_grows_with_the_picture() -> None:
    assert [sample_spacing(d) for d in (960, 1500, 4000, 8000)] == [1, 1, 2, 4]
