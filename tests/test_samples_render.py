"""The renderer draws what the truth says, and the bundled clip is what it claims to be."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import av
import cv2
import numpy as np
import pytest
import torch
from numpy.typing import NDArray

import samples
from samples import clip, motions, rigs, textures
from samples.harbour import harbour
from samples.make_harbour import harbour_rig
from samples.renderer import PATTERNS, eye_rays, render
from samples.scenes import random_scene
from samples.sensor import Sensor, expose
from samples.shapes import Convex, Cylinder, Shape, Sphere, box, hull, roof
from samples.surfaces import Material, Scene, Sky, Thing
from samples.truth import Pose, Truth, load_truth

BUNDLED = Path(samples.__file__).parent / "harbour.mp4"


def _plain(value: float) -> textures.Tile:
    return textures.make_tile(np.full((8, 8, 3), value))


def _markers_in_the_dark(points: NDArray[np.float64], radii: NDArray[np.float64]) -> Scene:
    """White balls before a black sky, evenly lit."""
    black = (0.0, 0.0, 0.0)
    white = Material(_plain(1.0), 1.0)
    balls = [Thing(Sphere(float(r)), white, p) for p, r in zip(points, radii, strict=True)]
    sky = Sky(_plain(0.0), black, black, black, black, black)
    return Scene(tuple(balls), sky, np.array([0.0, -1.0, 0.0]), black, (0.5,) * 3, (0.5,) * 3, black, 1e9)


def _centroid(picture: NDArray[np.float32], near: NDArray[np.float64], reach: int) -> NDArray[np.float64]:
    x, y = (round(float(v)) for v in near)
    part = picture[y - reach : y + reach + 1, x - reach : x + reach + 1, 0].astype(float)
    rows, columns = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    return np.array([x + (part * columns).sum() / part.sum(), y + (part * rows).sum() / part.sum()])


def _ball_centre_px(
    truth: Truth, eye: int, direction: NDArray[np.float64], half_angle: float
) -> NDArray[np.float64]:
    """Centroid of a ball's picture by the truth: that of its whole cone, not the picture of its centre."""
    across = np.linalg.svd(direction[None])[2][1:]
    r, a = np.meshgrid(np.sqrt((np.arange(40) + 0.5) / 40), 2 * np.pi * np.arange(80) / 80)
    step = (
        np.sin(half_angle)
        * r[..., None]
        * (np.cos(a)[..., None] * across[0] + np.sin(a)[..., None] * across[1])
    )
    cone = direction * np.sqrt(1 - np.sum(step**2, -1, keepdims=True)) + step
    pixels = truth.project(eye, cone).reshape(-1, 2)
    # Even on the sphere; weighted by how many pixels each bit of the sphere covers.
    tangent = [(truth.project(eye, cone + 1e-5 * t).reshape(-1, 2) - pixels) / 1e-5 for t in across]
    weight = np.abs(tangent[0][:, 0] * tangent[1][:, 1] - tangent[0][:, 1] * tangent[1][:, 0])
    return np.average(pixels, axis=0, weights=weight)


@pytest.mark.parametrize("rig", [harbour_rig(512), rigs.random_rig(np.random.default_rng(3), 512)])
def test_markers_land_where_the_truth_says(rig: Truth) -> None:
    pose = motions.walk(4)[2]
    angle, azimuth = np.deg2rad(np.meshgrid([12.0, 32.0, 52.0, 70.0, 85.0], np.arange(10.0, 370.0, 45.0)))
    from_rig = np.stack(
        [np.sin(angle) * np.cos(azimuth), np.sin(angle) * np.sin(azimuth), np.cos(angle)], -1
    ).reshape(-1, 3)
    away = np.geomspace(2.0, 300.0, len(from_rig))
    world = pose.position_m + (from_rig * away[:, None]) @ pose.R_world_from_rig.T
    half_angle = 6.0 / (512 * 0.48) * np.deg2rad(90)  # about 6 px
    scene = _markers_in_the_dark(world, away * np.sin(half_angle))
    misses = []
    for eye in (0, 1):
        rays = eye_rays(rig.eye(eye), rig.eye_size, rig.eye(eye).max_angle, samples=9)
        picture = render(rays, scene, pose)
        for point, radius in zip(from_rig * away[:, None], away * np.sin(half_angle), strict=True):
            seen = point - rig.eye(eye).centre_m
            distance = float(np.linalg.norm(seen))
            direction = seen / distance
            expected = _ball_centre_px(rig, eye, direction, float(np.arcsin(radius / distance)))
            misses.append(_centroid(picture, expected, 9) - expected)
    found = np.array(misses)
    assert len(found) == 80
    assert np.sqrt(np.mean(found**2)) < 0.02
    assert np.abs(found).max() < 0.05


@pytest.mark.parametrize("samples_a_pixel", [1, 4, 9])
def test_samples_are_spread_evenly_about_the_pixels_centre(samples_a_pixel: int) -> None:
    offsets = np.array(PATTERNS[samples_a_pixel])
    np.testing.assert_allclose(offsets.mean(axis=0), 0.0, atol=1e-12)
    steps = (np.arange(samples_a_pixel) + 0.5) / samples_a_pixel - 0.5
    for axis in (0, 1):
        np.testing.assert_allclose(np.sort(offsets[:, axis]), steps, atol=1e-12)


@pytest.mark.parametrize(
    "shape",
    [
        box(1.0, 0.6, 1.4),
        roof(1.4, 0.8, 1.0),
        hull(2.0, 0.5, 0.7),
        Sphere(0.6),
        Cylinder(0.4, 1.5),
        box(9.0, 9.0, 9.0, hollow=True),
    ],
)
def test_rays_meet_a_solid_where_small_steps_along_them_first_do(shape: Shape) -> None:
    """The slow twin: march along each ray and ask whether the point is inside."""
    rng = np.random.default_rng(5)
    origin = np.array([1.3, -1.1, -2.2])
    d = rng.normal(size=(300, 3)) * 0.35 - origin
    d /= np.linalg.norm(d, axis=1, keepdims=True)
    x, y, z = torch.tensor(d.T, dtype=torch.float32)
    found = shape.enter(origin, (x, y, z)).numpy()
    steps = np.arange(0.0, 12.0, 0.002)
    inside = _inside(shape, origin + steps[:, None, None] * d)
    if isinstance(shape, Convex) and shape.hollow:
        inside = ~inside
    marched = np.where(inside.any(axis=0), steps[inside.argmax(axis=0)], np.inf)
    agree = np.isclose(marched, found, rtol=0.0, atol=0.005)
    assert np.mean(agree) > 0.985  # but for rays that graze an edge between two steps
    assert np.isfinite(found).sum() > 30


def _inside(shape: Shape, p: NDArray[np.float64]) -> NDArray[np.bool_]:
    if isinstance(shape, Convex):
        return np.all(p @ shape.normals.T <= shape.offsets, axis=-1)
    if isinstance(shape, Cylinder):
        return (np.hypot(p[..., 0], p[..., 2]) < shape.across) & (np.abs(p[..., 1]) < shape.height / 2)
    return np.linalg.norm(p, axis=-1) < shape.radius


def test_leaving_out_what_a_block_cannot_see_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    rig, scene, pose = harbour_rig(96), harbour(texture_px=32), motions.walk(3)[1]
    rays = eye_rays(rig.left, rig.eye_size, np.deg2rad(95.0))
    culled = render(rays, scene, pose)
    everything = np.ones(len(rays.spreads), bool)
    monkeypatch.setattr("samples.renderer._Placed.may_be_in", lambda self, rays: everything)
    np.testing.assert_allclose(render(rays, scene, pose), culled, atol=1e-5)


def test_fine_texture_does_not_alias() -> None:
    """Stripes far finer than a pixel must come out as their mean, whichever the phase."""
    stripes = np.repeat((np.arange(256)[None, :, None] % 2).astype(float), 256, 0).repeat(3, 2)
    rig = harbour_rig(128)
    ground = Thing(box(2000, 2, 2000), Material(textures.make_tile(stripes), 0.5), np.array([0.0, 1.0, 0.0]))
    scene = replace(_markers_in_the_dark(np.zeros((0, 3)), np.zeros(0)), things=(ground,))
    rays = eye_rays(rig.left, rig.eye_size, np.deg2rad(95.0))
    picture = render(rays, scene, Pose(np.eye(3), np.array([0.0, -1.5, 0.0])))
    down = picture[80:110, 50:80, 0]
    # Half the stripes white, in light of 0.5 from above.
    np.testing.assert_allclose(down, 0.25, atol=0.01)


def test_far_things_differ_between_the_eyes_only_by_the_rigs_rotation() -> None:
    """A scene at infinity, looked up in both pictures along the same directions."""
    rig = harbour_rig(512)
    scene = replace(harbour(texture_px=128), things=())
    pictures = []
    for eye in (0, 1):
        rays = eye_rays(rig.eye(eye), rig.eye_size, np.deg2rad(95.0))
        pictures.append(render(rays, scene, motions.tripod(1)[0])[..., 1])
    rng = np.random.default_rng(0)
    up = rng.normal(size=(4000, 3)) * (1, 0.6, 1)
    up[:, 1], up[:, 2] = -np.abs(up[:, 1]), np.abs(up[:, 2])
    up /= np.linalg.norm(up, axis=1, keepdims=True)
    values = [_bilinear(p, rig.project(eye, up)) for eye, p in enumerate(pictures)]
    swapped = [_bilinear(p, rig.project(1 - eye, up)) for eye, p in enumerate(pictures)]
    right, wrong = (float(np.std(v[0] - v[1]) / np.std(v[0])) for v in (values, swapped))
    assert right < 0.12
    assert wrong > 3 * right


def _bilinear(picture: NDArray[np.float32], pixels: NDArray[np.float64]) -> NDArray[np.float64]:
    from scipy.ndimage import map_coordinates

    return map_coordinates(picture.astype(float), pixels.T[::-1], order=1)


def test_outside_the_image_circle_it_is_dark() -> None:
    rig = harbour_rig(256)
    rays = eye_rays(rig.left, rig.eye_size, np.deg2rad(95.0))
    light = render(rays, random_scene(np.random.default_rng(0), texture_px=64), motions.tripod(1)[0])
    values = expose(light, rays.off_axis, np.deg2rad(95.0), Sensor(), np.random.default_rng(0))
    y, x = np.mgrid[:256, :256]
    cx, cy = rig.left.principal_point
    radius = np.hypot(x - cx, y - cy)
    rim = float(rig.left.radius_of_angle(np.deg2rad(95.0)))
    assert values[radius > rim + 1].max() < 30
    assert np.median(values[radius < 0.9 * rim]) > 40


@pytest.mark.parametrize("seed", [0, 1, 2, 3])
def test_random_scenes_have_texture_all_over_the_field(seed: int) -> None:
    rig = rigs.random_rig(np.random.default_rng(seed), 256)
    scene = random_scene(np.random.default_rng(seed), texture_px=64)
    rays = eye_rays(rig.left, rig.eye_size, np.deg2rad(rig.fov_deg / 2))
    grey = np.log(render(rays, scene, motions.walk(3)[0]).mean(axis=2) + 0.02)
    cells = grey[: 256 // 16 * 16].reshape(16, 16, 16, 16).std(axis=(1, 3))
    y, x = np.mgrid[:16, :16] * 16 + 7.5
    rim = float(rig.left.radius_of_angle(np.deg2rad(rig.fov_deg / 2)))
    within = np.hypot(x - rig.left.principal_point[0], y - rig.left.principal_point[1]) < rim - 16
    assert np.mean(cells[within] > 0.03) > 0.9


def test_the_same_seed_gives_the_same_frames_and_another_seed_others() -> None:
    rig = replace(harbour_rig(96), poses=motions.walk(2))

    def film(seed: int) -> NDArray[np.uint8]:
        scene = random_scene(np.random.default_rng(seed), indoor=True, texture_px=32)
        return np.stack(list(clip.frames(rig, scene, seed)))

    first = film(7)
    assert first.shape == (2, 96, 192, 3)
    np.testing.assert_array_equal(first, film(7))
    assert np.mean(first != film(8)) > 0.5


def test_a_swapped_rig_has_its_eyes_in_the_other_halves() -> None:
    rig = replace(harbour_rig(96), poses=motions.walk(1))
    quiet = (Sensor(read_noise=0.0, shot_noise=0.0),) * 2
    scene = random_scene(np.random.default_rng(0), indoor=True, texture_px=32)
    straight = next(clip.frames(rig, scene, 0, sensors=quiet))
    swapped = next(clip.frames(replace(rig, swapped=True), scene, 0, sensors=quiet))
    np.testing.assert_array_equal(swapped, np.concatenate([straight[:, 96:], straight[:, :96]], axis=1))


def test_on_a_tripod_only_noise_and_what_moves_change(tmp_path: Path) -> None:
    path = tmp_path / "still.mp4"
    truth = clip.write_tripod_clip(path, rigs.random_rig(np.random.default_rng(2), 192), 5, seed=1)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["still.json", "still.mp4"]
    assert len(load_truth(tmp_path / "still.json").poses) == len(truth.poses) == 5
    with av.open(str(path)) as container:
        grey = [f.to_ndarray(format="gray").astype(float) for f in container.decode(video=0)]
    assert len(grey) == 5
    change = np.abs(grey[4] - grey[0])
    assert 0.1 < np.mean(change) < 6  # noise, but no more
    blocks = np.abs((grey[4] - grey[0]).reshape(48, 4, 96, 4).mean(axis=(1, 3)))
    assert np.percentile(blocks, 90) < 2  # most of it stands still
    assert blocks.max() > 10  # something moved


def test_a_log_curve_is_flat_and_monotonic() -> None:
    ramp = np.repeat(np.linspace(0, 1.2, 256, dtype=np.float32)[None, :, None], 3, 2)
    axis = np.zeros((1, 256), np.float32)
    sensor = Sensor(read_noise=0.0, shot_noise=0.0)
    values = [
        expose(ramp, axis, 1.0, replace(sensor, log=log), np.random.default_rng(0))[0, :, 1].astype(int)
        for log in (False, True)
    ]
    assert all(np.all(np.diff(v) >= 0) for v in values)
    assert values[1][-1] - values[1][0] < 0.7 * (values[0][-1] - values[0][0])


def test_the_bundled_clip_is_small_and_whole_and_has_its_truth_beside_it() -> None:
    truth = load_truth(BUNDLED.with_suffix(".json"))
    assert BUNDLED.stat().st_size < 8_000_000
    with av.open(str(BUNDLED)) as container:
        frames = list(container.decode(video=0))
    assert len(frames) == len(truth.poses) == 24
    assert (frames[0].width, frames[0].height) == truth.frame_size == (3072, 1536)
    assert sum(f.key_frame for f in frames) >= 4
    walked = np.linalg.norm(np.diff([p.position_m for p in truth.poses], axis=0), axis=1).sum()
    assert walked > 1.2


def _bundled_grey() -> NDArray[np.uint8]:
    with av.open(str(BUNDLED)) as container:
        return next(container.decode(video=0)).to_ndarray(format="gray")


def test_the_bundled_clip_is_seen_from_where_its_truth_says() -> None:
    """Rendered again, coarsely, with coarser textures, from the truth file alone: the same view, no other."""
    truth = load_truth(BUNDLED.with_suffix(".json"))
    film = _bundled_grey().astype(float).reshape(192, 8, 384, 8).mean(axis=(1, 3))[:, :192]
    eye = truth.left
    centre = ((eye.principal_point[0] + 0.5) / 8 - 0.5, (eye.principal_point[1] + 0.5) / 8 - 0.5)
    proxy = replace(eye, radius_px=eye.radius_px / 8, principal_point=centre)
    rays = eye_rays(proxy, (192, 192), np.deg2rad(truth.fov_deg / 2))
    inside = np.isfinite(rays.off_axis)
    scene = harbour(7, 128)

    def likeness(pose: Pose) -> float:
        light = render(rays, scene, pose)
        drawn = expose(light, rays.off_axis, np.deg2rad(95.0), clip.SENSORS[0], np.random.default_rng(0))
        return float(np.corrcoef(film[inside], drawn.mean(axis=2)[inside])[0, 1])

    assert likeness(truth.poses[0]) > 0.8
    assert likeness(truth.poses[0]) > likeness(truth.poses[4]) + 0.1


def test_matches_between_the_eyes_of_the_bundled_clip_obey_its_truth() -> None:
    """SIFT (OpenCV) as the outside witness: the compressed picture against lens tables and rotations."""
    truth = load_truth(BUNDLED.with_suffix(".json"))
    grey = _bundled_grey()
    sift = cv2.SIFT_create(2500)
    (left, left_words), (right, right_words) = (
        sift.detectAndCompute(np.ascontiguousarray(half), None) for half in (grey[:, :1536], grey[:, 1536:])
    )
    pairs = cv2.BFMatcher().knnMatch(left_words, right_words, k=2)
    good = [first for first, second in pairs if first.distance < 0.75 * second.distance]
    a = truth.directions(0, np.array([left[m.queryIdx].pt for m in good]))
    b = truth.directions(1, np.array([right[m.trainIdx].pt for m in good]))
    # The angle between the two epipolar planes, in px near the axis.
    turn = np.arctan2(a[:, 1], a[:, 2]) - np.arctan2(b[:, 1], b[:, 2])
    miss = turn * np.sqrt(1 - a[:, 0] ** 2) * float(truth.left.radius_of_angle(0.1)) / 0.1
    miss = miss[np.isfinite(miss)]
    assert len(miss) > 800
    assert 1.48 * np.median(np.abs(miss)) < 0.4
    assert abs(np.median(miss)) < 0.05
