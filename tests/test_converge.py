"""The far plane, on directions whose truth is known."""

from __future__ import annotations

import re

import numpy as np
import pytest

from autocal.converge import FarEdge, far_edge, far_plane
from autocal.geometry.lens import Array

ARCMIN = np.deg2rad(1 / 60)
#: What 0.3 px in each eye come to at 4096 px an eye, 22.8 px a degree.
SIGMA = np.sqrt(2) * 0.3 / 22.8 * np.pi / 180
FRAMES = 12


def seen(
    rng: np.random.Generator, disparity: Array, sigma: float = SIGMA
) -> tuple[Array, Array, Array, np.ndarray]:
    """Directions left and right (n, 3) of points of these horizontal disparities, all over the field, with
    the noise of measuring on both coordinates; their sigmas, and the frames they are seen in.

    The disparity is the difference of asin x, as defined; the plane of both rays is common.
    """
    n = len(disparity)
    longitude = rng.uniform(-1.2, 1.2, n)  # asin x of the middle
    plane = rng.uniform(-1.4, 1.4, n)  # angle of the epipolar plane about the baseline
    sides = []
    for sign in (1, -1):
        across = longitude + 0.5 * sign * (disparity + rng.normal(0, sigma, n))
        about = plane + 0.5 * sign * rng.normal(0, sigma, n) / np.cos(longitude)
        sides.append(
            np.stack([np.sin(across), np.cos(across) * np.sin(about), np.cos(across) * np.cos(about)], axis=1)
        )
    return sides[0], sides[1], np.full(n, sigma), rng.integers(0, FRAMES, n)


def content(rng: np.random.Generator, kind: str, n: int) -> Array:
    """True disparities, rad, of scenes whose furthest content lies at infinity or 200 m (60 mm apart)."""
    near = 0.06 / np.exp(rng.uniform(np.log(1.0), np.log(60.0), n))
    if kind == "clouds":  # a tenth at infinity, then nothing before 60 m
        return np.where(rng.random(n) < 0.1, 0.0, near)
    if kind == "mostly far":
        return np.where(rng.random(n) < 0.7, 0.0, near)
    return 0.06 / np.exp(rng.uniform(np.log(1.0), np.log(200.0), n))  # no gap anywhere


TRUE_EDGE = {"clouds": 0.0, "mostly far": 0.0, "continuous": 0.06 / 200}


@pytest.mark.parametrize("kind", TRUE_EDGE)
@pytest.mark.parametrize("offset_arcmin", [-20.0, 0.0, 35.0])
@pytest.mark.parametrize("seed", range(2))
def test_edge_within_one_arcmin_with_a_tenth_of_wrong_matches(
    kind: str, offset_arcmin: float, seed: int
) -> None:
    """Wrong matches lie anywhere within three degrees, far beyond the far plane too."""
    rng = np.random.default_rng(seed)
    disparity = content(rng, kind, 6000) + offset_arcmin * ARCMIN
    wrong = rng.random(len(disparity)) < 0.1
    disparity[wrong] = rng.uniform(-np.deg2rad(3), np.deg2rad(3), int(wrong.sum()))
    edge = far_edge(*seen(rng, disparity))
    assert edge is not None
    assert abs(edge.disparity / ARCMIN - offset_arcmin - TRUE_EDGE[kind] / ARCMIN) < 1.0


@pytest.mark.parametrize("kind", TRUE_EDGE)
@pytest.mark.parametrize("seed", range(2))
def test_edge_within_one_arcmin_despite_a_divergent_tail(kind: str, seed: int) -> None:
    """A twentieth of the matches is wrong to one side only, as repeated textures are: 20' on average."""
    rng = np.random.default_rng(100 + seed)
    disparity = content(rng, kind, 6000)
    tail = rng.random(len(disparity)) < 0.05
    disparity[tail] = -rng.exponential(20 * ARCMIN, int(tail.sum()))
    edge = far_edge(*seen(rng, disparity))
    assert edge is not None
    assert abs(edge.disparity - TRUE_EDGE[kind]) < ARCMIN


def test_errors_of_the_edge_are_what_its_sigma_says() -> None:
    """Without wrong matches, over 30 scenes whose matches are independent: their frame is one."""
    errors = []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        left, right, sigma, _ = seen(rng, content(rng, "mostly far", 1500))
        edge = far_edge(left, right, sigma, np.zeros(1500, dtype=np.int64))
        assert edge is not None
        errors.append(edge.disparity / edge.sigma)
    assert 0.6 < np.sqrt(np.mean(np.square(errors))) < 1.5


def test_one_wrong_object_is_no_far_plane() -> None:
    """Two hundred matches far beyond the rest, all in one corner of the picture."""
    rng = np.random.default_rng(3)
    left, right, sigma, frame = seen(rng, content(rng, "clouds", 6000))
    corner = (left[:, 0] > 0.3) & (left[:, 1] > 0.1) & (left[:, 1] < left[:, 0] * 0.5)
    assert corner.sum() > 150
    moved = np.where(corner, -40 * ARCMIN, 0.0) / 2
    for side, sign in ((left, 1), (right, -1)):
        across = np.arcsin(side[:, 0]) + sign * moved
        side[:, 1:] *= (np.cos(across) / np.sqrt(1 - side[:, 0] ** 2))[:, None]
        side[:, 0] = np.sin(across)
    edge = far_edge(left, right, sigma, frame)
    assert edge is not None
    assert abs(edge.disparity) < ARCMIN


def test_no_edge_of_a_handful_of_matches() -> None:
    rng = np.random.default_rng(0)
    assert far_edge(*seen(rng, np.zeros(10))) is None
    plane, warnings = far_plane(None, 0.001, "auto")
    assert (plane.mode, plane.shift_deg) == ("infinity", 0.0)
    assert np.isnan(plane.far_edge_deg)
    assert "no far plane" in warnings[0]


def test_no_far_content_is_warned_of_and_not_brought_to_infinity() -> None:
    """A room whose furthest wall is 6 m away, 100 baselines: 34' of disparity, well known yaw."""
    rng = np.random.default_rng(1)
    edge = far_edge(*seen(rng, 0.06 / np.exp(rng.uniform(np.log(1.0), np.log(6.0), 4000))))
    assert edge is not None
    assert abs(edge.disparity - 0.01) < ARCMIN
    plane, warnings = far_plane(edge, np.deg2rad(0.01), "auto")
    assert plane.shift_deg == 0.0
    (warning,) = warnings
    assert "no far content" in warning
    said = re.search(r"about (\d+) baselines", warning)
    assert said
    assert float(said[1]) == pytest.approx(100, rel=0.05)


def seen_from_inside(
    rng: np.random.Generator, half_sides_m: tuple[float, float, float], n: int = 6000
) -> tuple[Array, Array, Array, np.ndarray]:
    """Like `seen`, of points on the inside of a box about a rig of 60 mm, in all directions ahead."""
    d = rng.normal(size=(n, 3))
    d[:, 2] = np.abs(d[:, 2])
    points = d / np.max(np.abs(d) / half_sides_m, axis=1, keepdims=True)
    sides = []
    for x in (-0.03, 0.03):
        ray = points - (x, 0.0, 0.0)
        ray /= np.linalg.norm(ray, axis=1, keepdims=True)
        ray += rng.normal(0, SIGMA / np.sqrt(2), (n, 3))
        sides.append(ray / np.linalg.norm(ray, axis=1, keepdims=True))
    return sides[0], sides[1], np.full(n, SIGMA), rng.integers(0, FRAMES, n)


def test_the_walls_of_a_room_are_no_far_content_however_small_disparities_get_at_its_sides() -> None:
    """12 m ahead, 10 m to the sides; its corners are 16 m away, 260 baselines, but a fortieth of the matches
    shows less disparity than something straight ahead in 500 baselines."""
    room = seen_from_inside(np.random.default_rng(2), (10.0, 2.0, 12.0))
    disparity = np.arcsin(room[0][:, 0]) - np.arcsin(room[1][:, 0])
    assert np.mean(disparity < 1 / 500) > 1 / 40
    edge = far_edge(*room)
    assert edge is not None
    corner = np.sqrt(10.0**2 + 2.0**2 + 12.0**2) / 0.06
    assert 0.75 * corner < 1 / edge.inverse_distance < 1.05 * corner  # few matches lie in the very corners
    plane, (warning,) = far_plane(edge, 0.1 * ARCMIN, "auto")
    assert (plane.mode, plane.shift_deg) == ("infinity", 0.0)
    assert "no far content" in warning


def test_ground_to_the_horizon_is_far_content() -> None:
    """Nothing but a plane 1.5 m below the rig, as far as 3 km: it thins out to nothing before zero."""
    edge = far_edge(*seen_from_inside(np.random.default_rng(4), (3000.0, 1.5, 3000.0)))
    assert edge is not None
    assert abs(edge.disparity) < ARCMIN
    assert abs(edge.inverse_distance) < ARCMIN
    plane, warnings = far_plane(edge, 0.1 * ARCMIN, "auto")
    assert plane.mode == "auto"
    assert warnings == ()


def test_the_far_edge_goes_to_zero_and_what_it_was_is_kept() -> None:
    """Common practice, no source: the furthest object ends at zero horizontal disparity."""
    plane, warnings = far_plane(FarEdge(1.5 * ARCMIN, 0.2 * ARCMIN, 100), 0.5 * ARCMIN, "auto")
    assert plane.shift_deg == pytest.approx(1.5 / 60)
    assert plane.far_edge_deg == pytest.approx(1.5 / 60)
    assert warnings == ()


def test_infinity_leaves_the_geometry_alone() -> None:
    plane, _ = far_plane(FarEdge(1.5 * ARCMIN, 0.2 * ARCMIN, 100), 0.5 * ARCMIN, "infinity")
    assert plane.shift_deg == 0.0


def test_a_number_is_what_the_far_edge_keeps() -> None:
    plane, _ = far_plane(FarEdge(1.5 * ARCMIN, 0.2 * ARCMIN, 100), 0.5 * ARCMIN, 0.2)
    assert plane.mode == "keep"
    assert plane.far_edge_deg - plane.shift_deg == pytest.approx(0.2)


@pytest.mark.parametrize(("infinity_sigma_arcmin", "warned"), [(0.3, True), (5.0, False)])
def test_beyond_infinity_is_warned_of_only_where_sigmas_do_not_allow_it(
    infinity_sigma_arcmin: float, warned: bool
) -> None:
    edge = FarEdge(-3.0 * ARCMIN, 0.2 * ARCMIN, 100)
    plane, warnings = far_plane(edge, infinity_sigma_arcmin * ARCMIN, "auto")
    assert any("beyond the infinity" in warning for warning in warnings) == warned
    assert plane.shift_deg == pytest.approx(-0.05)
