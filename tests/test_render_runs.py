"""Places packed as runs: they come back exactly, whatever they are, and take little room in a film's plan."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from autocal.geometry import Lens, direction_of_longitude_latitude, view_angles
from autocal.render.filters import PHASES, WIDTHS, named_filter
from autocal.render.plan import make_plan
from autocal.render.remap import remap_plane
from autocal.render.remap_plain import remap_plain
from autocal.render.runs import NOT_HERE, joined, packed_runs

Int64 = NDArray[np.int64]


def assert_come_back(x: Int64, y: Int64, row_x: Int64, row_y: Int64, here: NDArray[np.bool_]) -> None:
    places = packed_runs(x, y, row_x, row_y, here).places()
    came = (places.first_x, places.first_y, places.row_x, places.row_y)
    went = (x // PHASES, y // PHASES, row_x + x % PHASES, row_y + y % PHASES)
    for got, expected in zip(came, went, strict=True):
        assert np.array_equal(got, np.where(here, expected, NOT_HERE))


@given(
    height=st.integers(1, 5),
    width=st.integers(1, 40),
    seed=st.integers(0, 2**32 - 1),
    jump=st.sampled_from([0, 2, 9, 60_000 * PHASES]),
    gaps=st.sampled_from([0.0, 0.1, 0.7, 1.0]),
    widths=st.sampled_from([1, WIDTHS]),
)
def test_any_places_come_back(
    height: int, width: int, seed: int, jump: int, gaps: float, widths: int
) -> None:
    random = np.random.default_rng(seed)
    shape = (height, width)
    most = 65_000 * PHASES - 1

    def positions() -> Int64:
        even = random.integers(0, 60_000 * PHASES) + 1500 * np.arange(width) * random.choice([-1, 1])
        return np.clip(even + random.integers(-jump, jump + 1, shape), 0, most)

    row_x, row_y = random.integers(0, widths, (2, *shape)) * PHASES
    assert_come_back(positions(), positions(), row_x, row_y, random.random(shape) >= gaps)


def test_bands_of_rows_become_one_plane() -> None:
    random = np.random.default_rng(1)
    x, y = random.integers(0, 4000 * PHASES, (2, 9, 30))
    row_x, row_y = random.integers(0, WIDTHS, (2, 9, 30)) * PHASES
    here = random.random((9, 30)) < 0.8
    whole = packed_runs(x, y, row_x, row_y, here).places()
    bands = [slice(0, 4), slice(4, 5), slice(5, 9)]
    put_together = joined([packed_runs(x[b], y[b], row_x[b], row_y[b], here[b]) for b in bands]).places()
    for name in ("first_x", "first_y", "row_x", "row_y"):
        assert np.array_equal(getattr(put_together, name), getattr(whole, name))


def test_a_lens_takes_little_more_than_a_byte_a_sample() -> None:
    """Written out, places take eight bytes a sample; a film's plan has to fit beside the encoder."""
    size = 1024  # the larger, the straighter: a film's 4096 take less
    lens = Lens((1024, 1024), 346.0, (513.0, 511.0), k=(-0.042, 0.0006, 0.0, 0.0))
    longitude, latitude = view_angles(size, size)
    seen = lens.project(direction_of_longitude_latitude(longitude[None], latitude[:, None]))
    x, y = np.moveaxis(seen.astype(np.float32), -1, 0)
    (layer, *_) = make_plan(x, y, (1024, 1024), named_filter("cubic")).layers
    packed = layer.runs
    assert packed.bends.shape == (size, size)
    stored = packed.bends.nbytes + packed.runs.nbytes + packed.first_run.nbytes
    assert stored < 2 * size**2
    assert np.mean(packed.places().first_x != NOT_HERE) > 0.9


def test_a_map_of_jumps_is_remapped_like_any_other() -> None:
    random = np.random.default_rng(3)
    source = random.random((60, 70)).astype(np.float32)
    y, x = np.mgrid[:50, :60] + random.normal(0, 0.05, (2, 50, 60)) + 3
    x[random.random(x.shape) < 0.1] = np.nan
    x, y = x.astype(np.float32), y.astype(np.float32)
    out = np.empty((50, 60), np.float32)
    remap_plane(source, make_plan(x, y, (70, 60), named_filter("cubic")), out, bits=0, fill=0.25)
    # Positions are held to 1 / 1024 px.
    assert np.abs(out - remap_plain(source, x, y, "cubic", fill=0.25)).max() < 3e-3
