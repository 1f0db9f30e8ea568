"""Image circles against pictures drawn with a known one."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from autocal.footage import Survey, find_image_circle, find_image_circles
from autocal.footage.glimpse import shrunk
from autocal.geometry import ImageCircle

WIDTH, HEIGHT = 1600, 1600
# The bar: centre and radius within this share of the radius.
ACCURACY = 0.003


def texture(seed: int = 0, width: int = WIDTH, height: int = HEIGHT) -> NDArray[np.float64]:
    """A scene of blotches of all sizes, 0.05 to 0.9."""
    rng = np.random.default_rng(seed)
    out = np.zeros((height, width))
    for cells in (4, 16, 64, 256):
        coarse = rng.random((cells, cells)).astype(np.float32)
        out += cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC) / cells**0.3
    out -= out.min()
    return 0.05 + 0.85 * out / out.max()


def lit_share(circle: ImageCircle, width: int = WIDTH, height: int = HEIGHT) -> NDArray[np.float64]:
    """How much of each pixel lies inside the circle: exact along the ray, to a hundredth of a px."""
    y, x = np.mgrid[:height, :width]
    return np.clip(circle.radius - np.hypot(x - circle.x, y - circle.y) + 0.5, 0.0, 1.0)


def found_in(picture: NDArray[np.float64]):  # type: ignore[no-untyped-def]
    """Find the circle of a picture in 0..1, through 8 bits and the reduction of a survey."""
    samples = np.round(np.clip(picture, 0, 1) * 255).astype(np.uint8)
    small = shrunk(samples, 512)
    return find_image_circle(small, small, (picture.shape[1], picture.shape[0]))


def assert_is(found, circle: ImageCircle, accuracy: float = ACCURACY) -> None:  # type: ignore[no-untyped-def]
    assert found.found, found.reason
    allowed = accuracy * circle.radius
    assert abs(found.circle.radius - circle.radius) <= allowed, found
    assert np.hypot(found.circle.x - circle.x, found.circle.y - circle.y) <= allowed, found


CIRCLE = ImageCircle(805.3, 790.8, 744.4)


@pytest.mark.parametrize("seed", range(5))
def test_clean_circles(seed: int) -> None:
    """Any scene, any place."""
    rng = np.random.default_rng(seed)
    circle = ImageCircle(800 + rng.uniform(-40, 40), 800 + rng.uniform(-40, 40), rng.uniform(600, 745))
    assert_is(found_in(texture(seed) * lit_share(circle)), circle, 0.001)


def test_vignetted_circle() -> None:
    """Brightness that falls to a tenth before the rim ends it."""
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    share = np.hypot(x - CIRCLE.x, y - CIRCLE.y) / CIRCLE.radius
    assert_is(found_in(texture() * (1 - 0.9 * share**4).clip(0.1) * lit_share(CIRCLE)), CIRCLE)


def test_dark_scene_with_noise() -> None:
    """A few code values of light above a lifted black, and sensor noise."""
    noise = np.random.default_rng(1).normal(0, 1.5 / 255, (HEIGHT, WIDTH))
    assert_is(found_in(16 / 255 + 0.06 * texture() * lit_share(CIRCLE) + noise), CIRCLE)


def test_lifted_black_of_log_footage() -> None:
    """Black at a tenth of full scale and flat contrast."""
    assert_is(found_in(0.1 + 0.25 * texture() * lit_share(CIRCLE)), CIRCLE)


def test_circle_cut_by_the_frame() -> None:
    """A sensor lower than the circle: only the sides of the rim are in view."""
    width, height = 1600, 1200
    circle = ImageCircle(790.0, 616.5, 740.0)
    picture = texture(2, width, height) * lit_share(circle, width, height)
    assert_is(found_in(picture), circle)


def test_hood_ring_and_glow() -> None:
    """A grey hood inside the rim, another lens's barrel on one side, a faint glow outside."""
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    away = np.hypot(x - CIRCLE.x, y - CIRCLE.y)
    picture = np.where(away > 0.96 * CIRCLE.radius, 0.3 * texture(), texture())
    picture = np.where(
        (away > 0.9 * CIRCLE.radius) & (x > CIRCLE.x) & (np.abs(y - CIRCLE.y) < 400), 0.2, picture
    )
    picture = picture * lit_share(CIRCLE)
    glow = 0.012 * lit_share(ImageCircle(CIRCLE.x, CIRCLE.y, 1.035 * CIRCLE.radius))
    assert_is(found_in(np.maximum(picture, glow)), CIRCLE)


def test_flare_across_the_rim() -> None:
    """Stray light over a tenth of the rim and into the dark."""
    picture = texture() * lit_share(CIRCLE)
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    flare = 0.5 * np.exp(-((x - 1380) ** 2 + (y - 250) ** 2) / (2 * 90.0**2))
    assert_is(found_in(picture + flare), CIRCLE)


def test_a_third_of_the_rim_in_the_dark() -> None:
    """A night sky: no rim at the top."""
    y, _ = np.mgrid[:HEIGHT, :WIDTH]
    night = 1 / (1 + np.exp(-(y - 500) / 40.0))
    assert_is(found_in(texture(4) * night * lit_share(CIRCLE)), CIRCLE)


def test_a_bright_disc_in_the_scene_is_not_the_rim() -> None:
    """A round window three times as bright as the room around it."""
    window = lit_share(ImageCircle(700, 850, 420))
    assert_is(found_in((0.25 + 0.75 * window) * texture(3) * lit_share(CIRCLE)), CIRCLE)


@pytest.mark.parametrize("vignette", [0.0, 0.8])
def test_a_picture_without_rim_is_said_to_be_assumed(vignette: float) -> None:
    """The picture fills the half: the inscribed circle, plainly flagged."""
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    share = np.hypot(x - 799.5, y - 799.5) / np.hypot(799.5, 799.5)
    found = found_in(texture(1) * (1 - vignette * share**2))
    assert not found.found
    assert "assumed" in found.reason
    assert found.circle == ImageCircle(799.5, 799.5, 800.0)


def _survey(left: NDArray[np.float64], right: NDArray[np.float64]) -> Survey:
    small = np.stack(
        [shrunk(np.round(np.clip(half, 0, 1) * 255).astype(np.uint8), 512) for half in (left, right)]
    )
    return Survey((), (WIDTH, HEIGHT), (), small, small)


def test_both_eyes() -> None:
    """Each half has a circle of its own."""
    other = ImageCircle(789.0, 803.0, 741.0)
    found = find_image_circles(_survey(texture(0) * lit_share(CIRCLE), texture(1) * lit_share(other)))
    assert_is(found[0], CIRCLE)
    assert_is(found[1], other)


def test_an_eye_without_rim_takes_the_other_s_radius() -> None:
    """And says so."""
    seen, assumed = find_image_circles(_survey(texture(0) * lit_share(CIRCLE), texture(1)))
    assert_is(seen, CIRCLE)
    assert not assumed.found
    assert "other eye" in assumed.reason
    assert assumed.circle.radius == seen.circle.radius


def test_radii_that_cannot_belong_together_are_not_trusted() -> None:
    """Two lenses of one rig are of one make."""
    small = ImageCircle(800.0, 800.0, 500.0)
    found = find_image_circles(_survey(texture(0) * lit_share(CIRCLE), texture(1) * lit_share(small)))
    assert not any(one.found for one in found)
    assert "differ in radius" in found[0].reason
    assert found[0].circle.radius == found[1].circle.radius == pytest.approx(CIRCLE.radius, rel=ACCURACY)


def test_the_same_picture_gives_the_same_circle() -> None:
    """Random trials from a fixed seed."""
    picture = texture() * lit_share(CIRCLE)
    assert found_in(picture) == found_in(picture)
