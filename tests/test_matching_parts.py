"""The parts of matching: contrast, spread, pairs, consistency, joining."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from autocal.footage import StereoFrame
from autocal.footage.glimpse import shrunk
from autocal.geometry import ImageCircle, Lens, matrix_from_rotation_vector, nominal_lens
from autocal.matching.consistency import (
    coarse_rotation,
    essential_miss,
    fit_epipolar,
    moves_like_neighbours,
)
from autocal.matching.contrast import DETECTION_DIAMETER, clipped_level, detection_image
from autocal.matching.features import find_features, spread_over_sphere
from autocal.matching.pairs import (
    Reach,
    _clearly_nearest,
    _clearly_nearest_on,
    guided_pairs,
    mutual_pairs,
)
from autocal.matching.patches import STORED
from autocal.matching.tracks import Proposals, TrackTable, join
from autocal.matching.views import predicted_warp

Array = NDArray[np.float64]

CIRCLE = ImageCircle(249.5, 249.5, 240.0)


def _texture(seed: int = 0, side: int = 500) -> Array:
    """Blobs of several sizes, 0 to 1."""
    rng = np.random.default_rng(seed)
    layers = [cv2.GaussianBlur(rng.normal(size=(side, side)), (0, 0), s) * s for s in (1.5, 3, 6, 12)]
    out = np.sum(layers, axis=0)
    return (out - out.min()) / np.ptp(out)


def _directions(rng: np.random.Generator, n: int, out_to_deg: float = 85.0) -> Array:
    z = rng.uniform(np.cos(np.deg2rad(out_to_deg)), 1.0, n)
    angle = rng.uniform(0, 2 * np.pi, n)
    return np.stack([np.sqrt(1 - z * z) * np.cos(angle), np.sqrt(1 - z * z) * np.sin(angle), z], axis=1)


# ---- contrast and points


def test_reduced_pixels_keep_their_centres() -> None:
    """A picture reduced by two: reduced pixel 0 covers full pixels 0 and 1, its centre is at 0.5."""
    side = round(2 * DETECTION_DIAMETER)
    circle = ImageCircle((side - 1) / 2, (side - 1) / 2, DETECTION_DIAMETER)
    image = detection_image(np.zeros((side, side), np.uint8), circle, 20.0)
    assert image.pixels.shape == (side // 2, side // 2)
    assert np.allclose(image.full_from_reduced([[0.0, 1.0]]), [[0.5, 2.5]])
    assert np.allclose(image.reduced_from_full(image.full_from_reduced([[3.3, 8.1]])), [[3.3, 8.1]])


@pytest.mark.parametrize("radius_share", [0.48, 0.3, 0.12])
@pytest.mark.parametrize("size", [(4096, 4096), (2880, 2880), (1536, 2048), (2050, 1538), (1001, 999)])
def test_points_are_sought_in_the_same_picture_whether_it_was_reduced_before_or_not(
    size: tuple[int, int], radius_share: float
) -> None:
    """Halvings that others need too are done once; of a small circle they would lead too far."""
    width, height = size
    luma = np.random.default_rng(3).integers(0, 256, (height, width), dtype=np.uint8)
    circle = ImageCircle(width / 2, height / 2, radius_share * min(size))
    frame = StereoFrame(0, 0, 0.0, (luma, luma))
    anew = detection_image(luma, circle, 20.0)
    begun = detection_image(luma, circle, 20.0, frame.reduced[0])
    np.testing.assert_array_equal(begun.pixels, anew.pixels)
    np.testing.assert_array_equal(begun.mask, anew.mask)
    np.testing.assert_array_equal(shrunk(frame.reduced[0], 512), shrunk(luma, 512))


def test_a_blob_is_found_where_it_is_in_the_full_picture() -> None:
    y, x = np.mgrid[:1500, :1500]
    centre = np.array([801.3, 640.8])
    rng = np.random.default_rng(0)
    blob = 90 + 120 * np.exp(-((x - centre[0]) ** 2 + (y - centre[1]) ** 2) / (2 * 6.0**2))
    picture = np.clip(np.rint(blob + rng.normal(0, 1, blob.shape)), 0, 255).astype(np.uint8)
    circle = ImageCircle(749.5, 749.5, 740.0)
    lens = nominal_lens((1500, 1500), circle, fov_deg=180)
    features = find_features(detection_image(picture, circle, 20.0), lens)
    assert np.linalg.norm(features.pixel - centre, axis=1).min() < 0.3


@pytest.mark.parametrize("kind", ["dim", "log", "sixteen bit"])
def test_points_do_not_depend_on_exposure_or_encoding(kind: str) -> None:
    scene = 0.02 + 0.98 * _texture()
    plain = np.rint(255 * scene).astype(np.uint8)
    changed = {
        "dim": np.rint(45 * scene).astype(np.uint8),
        "log": np.rint(255 * (0.2 + 0.5 * np.log2(1 + 15 * scene) / 4)).astype(np.uint8),
        "sixteen bit": np.rint(65535 * scene).astype(np.uint16),
    }[kind]
    lens = nominal_lens((500, 500), CIRCLE, fov_deg=180)
    one, other = (find_features(detection_image(p, CIRCLE, 12.0), lens).pixel for p in (plain, changed))
    nearest = np.linalg.norm(one[:, None] - other[None], axis=2).min(axis=1)
    assert np.mean(nearest < 1.0) > 0.7


def test_no_point_lies_on_the_rim_or_in_clipped_light() -> None:
    picture = np.rint(200 * _texture()).astype(np.uint8)
    picture[200:260, 200:260] = 255
    y, x = np.mgrid[:500, :500]
    picture[np.hypot(x - CIRCLE.x, y - CIRCLE.y) > CIRCLE.radius] = 0
    lens = nominal_lens((500, 500), CIRCLE, fov_deg=180)
    pixel = find_features(detection_image(picture, CIRCLE, 14.0), lens).pixel
    assert len(pixel) > 200
    assert CIRCLE.contains(pixel, 13.0).all()
    inside = (np.abs(pixel - 229.5) < 30).all(axis=1)
    assert not inside.any()


def test_clipped_level_is_none_without_a_pile_at_the_top() -> None:
    assert clipped_level(np.linspace(0, 1, 10_000, dtype=np.float32) ** 0.1 * 0 + 5) is None
    assert clipped_level(np.random.default_rng(0).normal(100, 10, 10_000).astype(np.float32)) is None
    clipped = np.minimum(np.random.default_rng(0).normal(240, 20, 10_000), 255).astype(np.float32)
    level = clipped_level(clipped)
    assert level is not None
    assert 250 < level <= 255


def test_points_spread_over_equal_solid_angles() -> None:
    """Points crowd at the centre ten to one; what is kept is even over the sphere."""
    rng = np.random.default_rng(0)
    crowd = np.concatenate([_directions(rng, 20_000, 30.0), _directions(rng, 6_000, 90.0)])
    kept = crowd[spread_over_sphere(crowd, rng.uniform(size=len(crowd)), 1500)]
    assert len(kept) == 1500
    edges = np.linspace(1.0, 0.0, 6)  # equal steps of cos(theta): equal solid angles
    counts = np.histogram(kept[:, 2], edges[::-1])[0]
    assert counts.min() > 0.55 * counts.max(), counts


def test_the_strongest_of_a_cell_are_kept() -> None:
    rng = np.random.default_rng(0)
    same_cell = _directions(rng, 50, 0.5)
    strength = rng.uniform(size=50)
    kept = spread_over_sphere(same_cell @ matrix_from_rotation_vector([0.3, 0.2, 0.0]).T, strength, 5)
    assert set(kept) == set(np.argsort(-strength)[:5])


# ---- pairs


def test_pairs_equal_those_of_an_independent_search() -> None:
    """Reference: cv2.BFMatcher, two nearest neighbours, the ratio test both ways."""
    rng = np.random.default_rng(0)
    a = rng.uniform(size=(300, 128)).astype(np.float32)
    b = np.concatenate([a[:150] + 0.25 * rng.uniform(size=(150, 128)), rng.uniform(size=(200, 128))])
    a, b = (d / np.linalg.norm(d, axis=1, keepdims=True) for d in (a, b.astype(np.float32)))

    def clear(one: Array, other: Array) -> set[tuple[int, int]]:
        nearest = cv2.BFMatcher(cv2.NORM_L2).knnMatch(one, other, k=2)
        return {(m.queryIdx, m.trainIdx) for m, n in nearest if m.distance < 0.82 * n.distance}

    theirs = clear(a, b) & {(i, j) for j, i in clear(b, a)}
    ours = mutual_pairs(a, b)
    assert len(ours) > 100
    assert set(zip(ours.a.tolist(), ours.b.tolist(), strict=True)) == theirs
    assert np.allclose(ours.similarity, (a[ours.a] * b[ours.b]).sum(axis=1), atol=1e-6)


def test_a_card_is_asked_for_the_pairs_that_the_processor_finds() -> None:
    """Reference: kornia's match_snn, which is what a card is asked; here on the processor."""
    rng = np.random.default_rng(4)
    a = rng.uniform(size=(700, 128)).astype(np.float32)
    b = (a + 0.4 * rng.uniform(size=a.shape))[rng.permutation(700)[:500]].astype(np.float32)
    a, b = (d / np.linalg.norm(d, axis=1, keepdims=True) for d in (a, b))
    ours, theirs = _clearly_nearest(a, b), _clearly_nearest_on("cpu", a, b)
    assert 200 < len(ours[0]) < 700
    for mine, other in zip(ours, theirs, strict=True):
        assert np.array_equal(mine, other)


def _reach(target: Array, centre: Array, possible_deg: float, alike_deg: float) -> Reach:
    """Circles about where points are expected, unit (n, 3), and no strip."""
    possible, alike = (2 * np.cos(np.deg2rad(deg)) for deg in (possible_deg, alike_deg))
    n, single = len(centre), np.float32
    return Reach(
        target.astype(single),
        (2 * centre).astype(single),
        np.full(n, possible, single),
        np.full(n, alike, single),
        np.zeros((n, 3), single),
        np.inf,
    )


def test_a_look_alike_within_the_wider_reach_makes_a_pair_ambiguous() -> None:
    # With an orthonormal basis as the other side, these rows are the cosines themselves.
    rows = np.array([[0.95, 0.94, 0.1], [0.1, 0.2, 0.9]], np.float32)
    basis = np.eye(3, dtype=np.float32)
    across = np.deg2rad([0.0, 5.0, 20.0])
    target = np.column_stack([np.sin(across), np.zeros(3), np.cos(across)])
    expected = target[[0, 2]]
    assert guided_pairs(rows, basis, _reach(target, expected, 2.0, 2.0)).a.tolist() == [0, 1]
    assert guided_pairs(rows, basis, _reach(target, expected, 2.0, 8.0)).a.tolist() == [1]


def test_only_what_lies_on_the_strip_is_possible() -> None:
    rows = np.array([[0.95, 0.2]], np.float32)
    target = np.array([[0.0, 0.1, 1.0], [0.1, 0.0, 1.0]])
    target /= np.linalg.norm(target, axis=1, keepdims=True)
    everywhere = _reach(target, np.array([[0.0, 0.0, 1.0]]), 30.0, 30.0)
    strip = replace(everywhere, normal=np.array([[0.0, 1.0, 0.0]], np.float32), half_width=0.05)
    basis = np.eye(2, dtype=np.float32)
    assert guided_pairs(rows, basis, everywhere).b.tolist() == [0]
    assert len(guided_pairs(rows, basis, strip)) == 0  # the best lies off it; what lies on it is not alike


def test_guided_pairs_equal_those_found_one_by_one() -> None:
    """Reference: the definition, written out over all pairs."""
    rng = np.random.default_rng(1)
    n = 150
    a = rng.uniform(size=(n, 128)).astype(np.float32)
    b = (a + 0.3 * rng.uniform(size=a.shape)).astype(np.float32)
    a, b = (d / np.linalg.norm(d, axis=1, keepdims=True) for d in (a, b))
    target = _directions(rng, n, 40.0)
    reach = _reach(target, target, 6.0, 14.0)
    cosine, near = a.astype(np.float64) @ b.T, target @ target.T
    possible, rival = near > np.cos(np.deg2rad(6.0)), near > np.cos(np.deg2rad(14.0))
    expected = []
    for i, j in np.argwhere(possible):
        best_of_row = cosine[i, j] == cosine[i][possible[i]].max()
        best_of_column = cosine[i, j] == cosine[:, j][possible[:, j]].max()
        others = [*np.delete(cosine[i], j)[np.delete(rival[i], j)]]
        others += [*np.delete(cosine[:, j], i)[np.delete(rival[:, j], i)], -1.0]
        clear = 1 - cosine[i, j] < 0.85**2 * (1 - max(others))
        if best_of_row and best_of_column and clear and cosine[i, j] > 0.72:
            expected.append((i, j))
    found = guided_pairs(a, b, reach)
    assert len(found) > 50
    assert sorted(zip(found.a.tolist(), found.b.tolist(), strict=True)) == expected


def test_pairs_do_not_depend_on_the_size_of_the_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(1)
    a = rng.uniform(size=(400, 128)).astype(np.float32)
    b = (a + 0.2 * rng.uniform(size=a.shape))[rng.permutation(400)].astype(np.float32)
    a, b = (d / np.linalg.norm(d, axis=1, keepdims=True) for d in (a, b))
    found = []
    for block in (7, 1000):
        monkeypatch.setattr("autocal.matching.pairs._BLOCK", block)
        found.append(mutual_pairs(a, b))
    assert len(found[0]) > 50
    assert np.array_equal(found[0].a, found[1].a)
    assert np.array_equal(found[0].b, found[1].b)


@pytest.mark.parametrize("rows", [0, 1])
def test_too_few_points_match_nothing(rows: int) -> None:
    a = np.full((rows, 128), 128**-0.5, dtype=np.float32)
    assert len(mutual_pairs(a, a)) == 0


# ---- consistency


def _stereo_bearings(
    rng: np.random.Generator, n: int, wrong: float, focal_error: float = 0.0
) -> tuple[Array, Array, NDArray[np.bool_], Array]:
    """Bearings of both eyes as a wrong nominal lens has them, some of them mismatched; the rotation."""
    far = _directions(rng, n)
    # Depth varies in patches, as it does in scenes.
    away = 1.5 + 6.0 * (1 + np.sin(4 * far[:, 0]) * np.cos(5 * far[:, 1]))
    point = far * away[:, None]
    R = Rotation.from_rotvec(np.deg2rad([0.8, -1.1, 1.3])).as_matrix()
    a = point + np.array([0.032, 0, 0])
    b = (point - np.array([0.032, 0, 0])) @ R.T
    bad = rng.uniform(size=n) < wrong
    b[bad] = rng.permutation(b[bad])

    def seen(v: Array, error: float) -> Array:
        v = v / np.linalg.norm(v, axis=1, keepdims=True)
        theta = np.arccos(np.clip(v[:, 2], -1, 1)) * (1 + error)
        flat = v[:, :2] / np.linalg.norm(v[:, :2], axis=1, keepdims=True)
        return np.column_stack([flat * np.sin(theta)[:, None], np.cos(theta)])

    return seen(a, focal_error), seen(b, focal_error + 0.005), bad, R


@pytest.mark.parametrize("focal_error", [0.0, 0.08, -0.08])
def test_wrong_matches_are_found_among_forty_per_cent_of_them(focal_error: float) -> None:
    rng = np.random.default_rng(5)
    a, b, bad, R = _stereo_bearings(rng, 1500, 0.4, focal_error)
    coarse, _ = coarse_rotation(a, b, rng)
    assert Rotation.from_matrix(coarse @ R.T).magnitude() < np.deg2rad(2.0)
    keep = moves_like_neighbours(a, b, coarse)
    assert keep[~bad].mean() > 0.9
    assert bad[keep].mean() < 0.02
    fit = fit_epipolar(a[keep], b[keep], coarse)
    kept_bad = bad[keep]
    good = np.abs(fit.miss(a[keep], b[keep]))[~kept_bad]
    # A focal length 8 % wrong moves a ray 2.4 degrees off its far place by 0.2: no smooth field tells.
    assert np.quantile(good, 0.95) < np.deg2rad(0.2)


def test_epipolar_fit_finds_the_rotation_of_perfect_bearings() -> None:
    rng = np.random.default_rng(6)
    a, b, _, R = _stereo_bearings(rng, 800, 0.0)
    b = b.copy()
    theta = np.arccos(b[:, 2]) / 1.005  # take the difference between the eyes out again
    b = np.column_stack(
        [b[:, :2] / np.sin(np.arccos(b[:, 2]))[:, None] * np.sin(theta)[:, None], np.cos(theta)]
    )
    start = matrix_from_rotation_vector(np.deg2rad([0.5, 0.5, -0.5])) @ R
    fit = fit_epipolar(a, b, start)
    assert fit.spread < np.deg2rad(0.003)
    assert np.rad2deg(Rotation.from_matrix(fit.R @ R.T).magnitude()) < 0.1


def test_essential_miss_tells_true_from_false_for_any_motion() -> None:
    rng = np.random.default_rng(7)
    point = _directions(rng, 600) * rng.uniform(1, 20, (600, 1))
    R = Rotation.from_rotvec([0.02, -0.05, 0.01]).as_matrix()
    b = (point - np.array([0.05, 0.02, 0.3])) @ R.T
    b[:60] = rng.permutation(b[:60])
    a, b = (v / np.linalg.norm(v, axis=1, keepdims=True) for v in (point, b))
    miss = np.abs(essential_miss(a, b, coarse_rotation(a, b, rng)[0]))
    assert np.median(miss[60:]) < 1e-5
    assert np.mean(miss[:60] > np.deg2rad(1)) > 0.8


def test_predicted_warp_equals_a_finite_rotation_of_pixels() -> None:
    lens = Lens((1500, 1500), 470.0, (749.5, 749.5), (0.01, -0.004, 0.0, 0.0))
    R = matrix_from_rotation_vector([0.1, -0.3, 0.4])
    pixel = np.array([[749.5, 749.5], [200.0, 700.0], [1100.0, 1200.0]])
    shape, bend = predicted_warp(lens, lens, R, pixel)
    centre = lens.project(lens.unproject(pixel) @ R.T)
    offset = np.array([3.0, -2.0])
    moved = lens.project(lens.unproject(pixel + offset) @ R.T)
    assert np.abs(moved - centre - shape @ offset).max() < 0.03
    around = 10.0 * np.array([[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]])
    mean = np.mean([lens.project(lens.unproject(pixel + step) @ R.T) for step in around], axis=0)
    np.testing.assert_allclose(mean - centre, 10.0**2 / 4 * bend, atol=2e-4)
    assert np.abs(mean - centre).max() > 0.01


def test_a_patch_beyond_the_lens_has_no_warp() -> None:
    lens = Lens((1500, 1500), 470.0, (749.5, 749.5), (0.01, -0.004, 0.0, 0.0))
    shape, bend = predicted_warp(lens, lens, np.eye(3), np.array([[1e5, 1e5]]))
    np.testing.assert_array_equal(shape[0], np.eye(2))
    np.testing.assert_array_equal(bend[0], [0.0, 0.0])


# ---- joining


def test_contradictions_are_left_out_weakest_first() -> None:
    ways = Proposals(
        track=np.array([7, 7, -1, 8]),
        point=np.array([[0, -1], [1, -1], [0, 5], [-1, 5]]),
        similarity=np.array([0.95, 0.9, 0.85, 0.8]),
    )
    track, point = join([ways])
    # Track 7 takes point 0 (the better), which brings the right point 5; track 8 would clash with 7.
    assert track.tolist() == [7]
    assert point.tolist() == [[0, 5]]


def test_a_reference_is_as_uncertain_as_what_was_measured_against_it() -> None:
    table = TrackTable()
    patches = np.zeros((2, STORED, STORED), np.float16)
    tracks = table.add(patches, 0, np.zeros((2, 2)))
    table.observe(tracks, 0, 0, np.zeros((2, 2)), np.full(2, np.nan))
    table.observe(tracks[:1], 0, 1, np.ones((1, 2)), np.array([0.05]))
    matches = table.matches(1, (10, 10))
    assert len(matches) == 2  # the second track stands alone and is gone
    assert matches.sigma_px.tolist() == [0.05, 0.05]
