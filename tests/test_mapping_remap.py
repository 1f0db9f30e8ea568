"""Remapping a picture by a map: identity, half pixels, depth, fill, and what is refused."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from autocal.errors import FootageError
from autocal.mapping import SourceMap, StMap, remap_frame, remap_half


def shifted_map(width: int, height: int, right: float = 0.0, v_origin: Any = "bottom") -> StMap:
    """Samples `right` px to the right of every pixel: the identity by default."""
    u = np.broadcast_to((np.arange(width) + 0.5 + right) / width, (height, width))
    v = np.broadcast_to(((np.arange(height) + 0.5) / height)[:, None], (height, width))
    v = 1 - v if v_origin == "bottom" else v
    inside = np.ones((height, width), np.bool_)
    return StMap(u.astype(np.float32), v.astype(np.float32), inside, (width, height), v_origin=v_origin)


@pytest.mark.parametrize("v_origin", ["bottom", "top"])
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32])
@pytest.mark.parametrize("channels", [(), (3,)])
def test_identity_map_gives_the_picture_back(v_origin: str, dtype: Any, channels: tuple[int, ...]) -> None:
    picture = np.random.default_rng(3).integers(0, 255, (48, 64, *channels)).astype(dtype)
    seen = remap_frame(picture, shifted_map(64, 48, v_origin=v_origin))
    assert seen.dtype == dtype
    assert_allclose(seen.astype(float), picture, atol=0 if dtype != np.float32 else 2e-3)


def test_map_of_one_pixel_to_the_right_moves_the_picture_one_pixel_to_the_left() -> None:
    picture = np.random.default_rng(4).integers(0, 65535, (48, 64)).astype(np.uint16)
    seen = remap_frame(picture, shifted_map(64, 48, right=1.0))
    assert_array_equal(seen[:, :-1], picture[:, 1:])


def test_linear_sampling_is_exact_between_pixels() -> None:
    ramp = np.broadcast_to(np.arange(64, dtype=np.float32), (48, 64)).copy()
    seen = remap_frame(ramp, shifted_map(64, 48, right=0.37))
    assert_allclose(seen[:, :-1], ramp[:, :-1] + 0.37, atol=1e-4)


def test_cubic_sampling_of_a_ramp_is_off_by_no_more_than_documented() -> None:
    ramp = np.broadcast_to(np.arange(64, dtype=np.float32), (48, 64)).copy()
    errors = [
        np.abs(
            remap_frame(ramp, shifted_map(64, 48, right=s), interpolation="cubic")[:, 4:-4]
            - ramp[:, 4:-4]
            - s
        ).max()
        for s in (0.1, 0.25, 0.5, 0.8)
    ]
    assert 0 < max(errors) < 0.05


def test_outside_the_lens_is_filled_and_nan_positions_do_no_harm() -> None:
    valid = np.zeros((4, 5), np.bool_)
    valid[1:3, 1:4] = True
    position = np.where(valid, 2.0, np.nan).astype(np.float32)
    view = SourceMap(position, position, valid, (10, 10))
    half = np.full((10, 10, 3), 200, np.uint8)
    seen = remap_half(half, view, fill=7)
    assert (seen[valid] == 200).all()
    assert (seen[~valid] == 7).all()


def test_picture_of_another_size_is_refused() -> None:
    with pytest.raises(FootageError, match="made for pictures of 64x48 px, this one has 32x24"):
        remap_frame(np.zeros((24, 32), np.uint8), shifted_map(64, 48))
