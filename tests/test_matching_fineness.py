"""How finely patches are sampled, on pictures of known noise."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from autocal.geometry import ImageCircle, nominal_lens
from autocal.matching.fineness import spacing_for_noise
from autocal.matching.views import View, prepare_view

_SIDE = 500
_CIRCLE = ImageCircle((_SIDE - 1) / 2, (_SIDE - 1) / 2, 240.0)


def texture(seed: int) -> NDArray[np.float64]:
    """Grain of a few pixels, 30 grey levels of it, about middle grey."""
    grain = gaussian_filter(np.random.default_rng(seed).normal(size=(_SIDE, _SIDE)), 2.5)
    return 128 + 30 * grain / grain.std()


def seen_by(eye: int, scene: NDArray[np.float64], noise: float, finest: int) -> View:
    noisy = scene + noise * np.random.default_rng(100 + eye).normal(size=scene.shape)
    picture = np.clip(np.rint(noisy), 0, 255).astype(np.uint8)
    return prepare_view(picture, _CIRCLE, nominal_lens((_SIDE, _SIDE), _CIRCLE, fov_deg=180.0), finest)


def chosen(scenes: tuple[NDArray[np.float64], NDArray[np.float64]], noise: float, finest: int = 1) -> int:
    views = seen_by(0, scenes[0], noise, finest), seen_by(1, scenes[1], noise, finest)
    place = np.random.default_rng(7).uniform(150, 350, (200, 2))
    return spacing_for_noise(views, place, place.copy(), np.eye(3))


@pytest.mark.parametrize(("noise", "expected"), [(0.0, 1), (4.0, 1), (30.0, 2)])
def test_samples_lie_further_apart_where_noise_hides_the_finest(noise: float, expected: int) -> None:
    scene = texture(1)
    assert chosen((scene, scene), noise) == expected


def test_the_spacing_is_twice_what_it_was_at_most() -> None:
    scene = gaussian_filter(texture(2), 6.0)
    scene = 128 + 30 * (scene - scene.mean()) / scene.std()
    assert chosen((scene, scene), 60.0) == 2
    assert chosen((scene, scene), 60.0, finest=2) == 4


def test_what_does_not_match_is_no_reason_to_look_less_closely() -> None:
    assert chosen((texture(3), texture(4)), 0.0) == 1


def test_no_points_leave_the_spacing_as_it_is() -> None:
    scene, nothing = texture(5), np.zeros((0, 2))
    views = seen_by(0, scene, 0.0, 1), seen_by(1, scene, 0.0, 1)
    assert spacing_for_noise(views, nothing, nothing, np.eye(3)) == 1
