"""Remapping planes: exact where it can be, without moire where the picture shrinks, fast equal to plain."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from autocal.render.filters import (
    WIDTHS,
    FilterName,
    named_filter,
    tap_weights,
    width_of_scale,
    width_scale,
)
from autocal.render.plan import Plan, make_plan
from autocal.render.remap import Plane, remap_plane
from autocal.render.remap_plain import remap_plain

FILTERS: tuple[FilterName, ...] = ("cubic", "lanczos", "linear")
Map = NDArray[np.float32]


def turned_map(
    size: tuple[int, int], source: tuple[int, int], scale: float, turn: float = 0.3
) -> tuple[Map, Map]:
    """Positions of an output turned and scaled about the middle of the source; NaN beyond its edges."""
    v, u = np.mgrid[: size[1], : size[0]] - (np.array(size[::-1])[:, None, None] - 1) / 2
    x = (source[0] - 1) / 2 + scale * (np.cos(turn) * u + np.sin(turn) * v)
    y = (source[1] - 1) / 2 + scale * (np.cos(turn) * v - np.sin(turn) * u)
    outside = (x < -0.5) | (y < -0.5) | (x > source[0] - 0.5) | (y > source[1] - 0.5)
    x[outside] = y[outside] = np.nan
    return x.astype(np.float32), y.astype(np.float32)


def remapped(source: Plane, plan: Plan, bits: int, fill: float = 0.0) -> Plane:
    out = np.empty(plan.size[::-1], source.dtype)
    remap_plane(source, plan, out, bits=bits, fill=fill)
    return out


def plan_of(x: Map, y: Map, source: Plane, name: FilterName = "cubic", share: Map | None = None) -> Plan:
    return make_plan(x, y, (source.shape[1], source.shape[0]), named_filter(name), share)


@pytest.mark.parametrize("name", FILTERS)
@pytest.mark.parametrize("scale", [0.4, 1.0, 1.7, 3.0, 9.0])
@pytest.mark.parametrize(("dtype", "bits"), [(np.uint8, 8), (np.uint16, 10), (np.float32, 0)])
def test_fast_equals_plain(name: FilterName, scale: float, dtype: type, bits: int) -> None:
    random = np.random.default_rng(5)
    full = (1 << bits) - 1 if bits else 1.0
    # Blurred noise: as steep as real detail gets after a lens.
    noise = cv2.GaussianBlur(random.random((83, 97)), (0, 0), 0.7)
    source = (full * (noise - noise.min()) / np.ptp(noise)).astype(dtype)
    x, y = turned_map((30, 26), (97, 83), scale)
    expected = remap_plain(source, x, y, name, fill=full / 2)
    if bits:
        expected = np.clip(np.floor(expected + 0.5), 0, full)
    result = remapped(source, plan_of(x, y, source, name), bits, fill=full / 2)
    difference = np.abs(result.astype(np.float64) - expected)
    # One code value, or a thousandth of the range: positions are held to 1 / 1024 px.
    assert difference.max() <= (1.0 if bits else 1e-3)


@pytest.mark.parametrize("name", FILTERS)
@pytest.mark.parametrize("scale", [1.0, 1.9, 5.0])
def test_a_flat_picture_stays_flat(name: FilterName, scale: float) -> None:
    source = np.full((60, 60), 700, np.uint16)
    x, y = turned_map((30, 30), (60, 60), scale)
    result = remapped(source, plan_of(x, y, source, name), 10, fill=700)
    assert np.all(result == 700)


@pytest.mark.parametrize("name", FILTERS)
def test_the_identity_changes_nothing(name: FilterName) -> None:
    source = np.random.default_rng(1).integers(0, 1024, (40, 50)).astype(np.uint16)
    y, x = np.mgrid[:40, :50].astype(np.float32)
    assert np.array_equal(remapped(source, plan_of(x, y, source, name), 10), source)


@pytest.mark.parametrize("name", FILTERS)
@pytest.mark.parametrize("scale", [0.13, 0.5, 0.97, 1.6, 2.2, 3.7])
def test_ten_bit_ramps_stay_monotonic(name: FilterName, scale: float) -> None:
    source = np.repeat(np.arange(1024, dtype=np.uint16)[None], 12, axis=0)
    x = np.arange(3, 1020, scale, dtype=np.float32)
    x, y = np.broadcast_to(x, (3, x.size)).copy(), np.full((3, x.size), 5.3, np.float32)
    result = remapped(source, plan_of(x, y, source, name), 10).astype(int)
    assert np.all(np.diff(result, axis=1) >= 0)
    assert np.ptp(result) > 1000


def test_linear_equals_opencv_where_the_picture_does_not_shrink() -> None:
    # Reference: cv2.remap with float maps and INTER_LINEAR, which is exact bilinear interpolation.
    source = np.random.default_rng(2).random((70, 80)).astype(np.float32)
    x, y = turned_map((90, 90), (80, 70), 0.6)
    inner = np.isfinite(x)
    expected = cv2.remap(
        source, np.nan_to_num(x), np.nan_to_num(y), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    result = remapped(source, plan_of(x, y, source, "linear"), 0)
    assert np.abs(result - expected)[inner].max() < 1.5e-3  # positions are held to 1 / 1024 px


def test_lanczos_weights_are_those_of_its_formula() -> None:
    # Duchon, J. Applied Meteorology 18, 1979: sinc(x) sinc(x / 3), here at -2.25, ..., 2.75.
    x = np.array([-2.25, -1.25, -0.25, 0.75, 1.75, 2.75])
    expected = np.sinc(x) * np.sinc(x / 3)
    weights = tap_weights("lanczos", 0.25, 0)
    assert weights[0] == weights[7] == 0
    assert np.allclose(weights[1:7], expected / expected.sum())


def test_cubic_passes_through_pixels_and_has_a_closed_form_at_scale_one() -> None:
    t = np.linspace(0, 1, 33)
    weights = tap_weights("cubic", t, 0)
    assert np.allclose(weights[0], [0, 1, 0, 0])
    assert np.allclose(weights[-1], [0, 0, 1, 0])
    assert np.allclose(weights[:, 0], -t * (1 - t) * (2 - t) / 4, atol=5e-4)


@pytest.mark.parametrize("width", [0, 5, 17, WIDTHS - 1])
def test_cubic_is_one_continuous_filter_that_reproduces_slopes(width: int) -> None:
    t = np.linspace(0, 1, 17)
    weights = tap_weights("cubic", t, width)
    assert np.allclose(weights.sum(axis=1), 1)
    assert np.allclose(weights @ np.array([-1.0, 0.0, 1.0, 2.0]), t)
    assert np.allclose(weights, weights[::-1, ::-1])
    assert weights[0, 3] == pytest.approx(0, abs=1e-12)


def test_cubic_comes_closer_to_ideal_interpolation_than_its_elders() -> None:
    """References: Keys' cubics (IEEE ASSP 29(6), 1981) with a = -1/2 (Catmull-Rom) and -3/4 (OpenCV's)."""
    t = np.linspace(0, 1, 41)
    frequency = np.linspace(0.01, 0.3, 60)

    def keys(a: float) -> NDArray[np.float64]:
        x = np.abs(t[:, None] - np.arange(-1, 3))
        near = (a + 2) * x**3 - (a + 3) * x**2 + 1
        return np.where(x <= 1, near, a * x**3 - 5 * a * x**2 + 8 * a * x - 4 * a)

    def error(weights: NDArray[np.float64]) -> float:
        waves = np.exp(-2j * np.pi * np.outer(np.arange(-1, 3), frequency))
        ideal = np.exp(-2j * np.pi * np.outer(t, frequency))
        return float(np.mean(np.abs(weights @ waves - ideal) ** 2 / frequency**2))

    assert error(tap_weights("cubic", t, 0)) < 0.5 * min(error(keys(-0.5)), error(keys(-0.75)))


@pytest.mark.parametrize("name", ["lanczos", "linear"])
def test_box_widened_filters_add_the_variance_of_the_output_pixel(name: FilterName) -> None:
    # A box of s px has variance s^2 / 12; the source pixel had 1 / 12 already. Means over the phases.
    t = (np.arange(64) + 0.5) / 64
    taps = named_filter(name).taps
    squared = (np.arange(taps) - (taps // 2 - 1) - t[:, None]) ** 2
    for width in (WIDTHS // 4, WIDTHS - 1):
        variances = [(tap_weights(name, t, w) * squared).sum(axis=1).mean() for w in (0, width)]
        assert variances[1] - variances[0] == pytest.approx((width_scale(width) ** 2 - 1) / 12, rel=0.1)
        assert width_of_scale(width_scale(width)) == width


def zone_plate(x: NDArray[np.float64], y: NDArray[np.float64], size: int) -> NDArray[np.float64]:
    """Rings whose frequency grows from the middle to half a cycle a px at the edge's middle."""
    squared = (x - (size - 1) / 2) ** 2 + (y - (size - 1) / 2) ** 2
    return 512 + 400 * np.cos(np.pi * squared / (2 * (size / 2)))


@pytest.mark.parametrize("scale", [1.5, 2.0, 3.0, 4.0])
def test_a_zone_plate_shrinks_without_moire(scale: float) -> None:
    """Reference: the same map sampled four times as finely each way, then averaged."""
    size = 512
    rows, columns = np.mgrid[:size, :size].astype(np.float64)
    source = np.rint(zone_plate(columns, rows, size)).astype(np.uint16)
    n = int(size / scale * 0.7)
    x, y = turned_map((n, n), (size, size), scale)
    fine_x, fine_y = turned_map((4 * n, 4 * n), (size, size), scale / 4)
    fine = cv2.remap(
        source.astype(np.float32), fine_x, fine_y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
    reference = fine.reshape(n, 4, n, 4).mean(axis=(1, 3))
    point_sampled = cv2.remap(source.astype(np.float32), x, y, cv2.INTER_CUBIC)
    inner = np.isfinite(reference)

    def psnr(picture: NDArray[np.generic]) -> float:
        return float(10 * np.log10(1023**2 / np.mean((picture - reference)[inner] ** 2)))

    for name in FILTERS:
        result = remapped(source, plan_of(x, y, source, name), 10).astype(np.float64)
        assert psnr(result) > psnr(point_sampled) + 6
        assert psnr(result) > 24


def test_detail_finer_than_the_output_vanishes() -> None:
    stripes = np.tile(np.array([0, 1023], np.uint16), (64, 32))
    x, y = turned_map((16, 16), (64, 64), 4.0, turn=0.0)
    x += np.float32(0.5)
    result = remapped(stripes, plan_of(x, y, stripes), 10)
    assert np.abs(result[2:-2, 2:-2].astype(int) - 512).max() <= 2


def test_samples_without_a_source_are_filled_and_the_rim_is_blended() -> None:
    source = np.full((20, 20), 1000, np.uint16)
    y, x = np.mgrid[:20, :20].astype(np.float32)
    share = np.ones((20, 20), np.float32)
    share[:, 0], share[:, 1] = 0.0, 0.25
    x[0, 5] = np.nan
    result = remapped(source, plan_of(x, y, source, share=share), 10, fill=64)
    assert result[0, 5] == 64
    assert np.all(result[1:, 0] == 64)
    assert np.all(result[1:, 1] == 64 + round((1000 - 64) / 4))
    assert np.all(result[1:, 2:] == 1000)


def test_nothing_but_fill_where_the_whole_map_is_empty() -> None:
    source = np.ones((8, 8), np.uint8)
    empty = np.full((5, 6), np.nan, np.float32)
    assert np.all(remapped(source, plan_of(empty, empty, source), 8, fill=16) == 16)


def test_threads_and_slices_change_nothing() -> None:
    frame = np.random.default_rng(3).integers(0, 256, (300, 640)).astype(np.uint8)
    source = frame[:, 320:]
    x, y = turned_map((400, 700), (320, 300), 0.7)
    plan = plan_of(x, y, source)
    alone = remapped(np.ascontiguousarray(source), plan, 8)
    whole = np.zeros((700, 900), np.uint8)
    with ThreadPoolExecutor(2) as pool:
        remap_plane(source, plan, whole[:, 450:850], bits=8, pool=pool)
    assert np.array_equal(whole[:, 450:850], alone)
    assert not whole[:, :450].any()
    assert not whole[:, 850:].any()
