"""Matching from frames to tracks, on rendered rigs whose truth is known exactly."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pytest
from numpy.typing import NDArray

from autocal.errors import MatchError
from autocal.geometry import ImageCircle, Lens, nominal_lens, sampson_miss
from autocal.geometry.epipolar import robust_spread
from autocal.matches import LEFT, RIGHT, Matches
from autocal.matching import Matched, match_bursts
from samples import clip, motions, rigs
from samples.scenes import random_scene
from samples.truth import Truth

Array = NDArray[np.float64]
Luma = NDArray[np.uint8]

_EYE_PX = 700
_FRAMES = 4


@dataclass(frozen=True)
class Moment:
    """A frame as the matcher wants it."""

    halves: tuple[NDArray[np.unsignedinteger], NDArray[np.unsignedinteger]]

    @property
    def reduced(self) -> tuple[NDArray[np.unsignedinteger], NDArray[np.unsignedinteger]]:
        """They are small already."""
        return self.halves


@dataclass(frozen=True)
class Take:
    """A rendered take: its frames and the truth behind them."""

    moments: tuple[Moment, ...]
    truth: Truth

    def circles(self) -> tuple[ImageCircle, ImageCircle]:
        rim = np.deg2rad(self.truth.fov_deg / 2)
        left, right = (
            ImageCircle(*eye.principal_point, float(eye.radius_of_angle(rim)))
            for eye in (self.truth.eye(LEFT), self.truth.eye(RIGHT))
        )
        return left, right

    def lenses(self, fov_deg: float) -> tuple[Lens, Lens]:
        left, right = (nominal_lens(self.truth.eye_size, c, fov_deg=fov_deg) for c in self.circles())
        return left, right

    def focal_px(self) -> float:
        eye = self.truth.eye(LEFT)
        return float(eye.radius_of_angle(0.01)) / 0.01

    def matched(self, bursts: Sequence[Sequence[Moment]], fov_error: float = 0.03) -> Matched:
        lenses = self.lenses(self.truth.fov_deg * (1 + fov_error))
        return match_bursts(bursts, self.circles(), lenses, rng=np.random.default_rng(0))


def _luma(frame: NDArray[np.uint8]) -> Luma:
    """BT.709 luma of RGB (ITU-R BT.709-6, item 3.2)."""
    return np.rint(frame @ np.array([0.2126, 0.7152, 0.0722])).astype(np.uint8)


@pytest.fixture(scope="module")
def take() -> Take:
    rig = rigs.random_rig(np.random.default_rng(11), _EYE_PX)
    truth = replace(rig, poses=motions.walk(30)[10 : 10 + _FRAMES])
    scene = random_scene(np.random.default_rng(1), indoor=False)
    moments = []
    for frame in clip.frames(truth, scene, seed=1):
        luma = _luma(frame)
        moments.append(Moment((luma[:, :_EYE_PX].copy(), luma[:, _EYE_PX:].copy())))
    return Take(tuple(moments), truth)


@pytest.fixture(scope="module")
def result(take: Take) -> Matched:
    """Two bursts of two frames: points are searched, followed, and found again."""
    return take.matched([take.moments[:2], take.moments[2:]])


def _eye_misses(take: Take, matches: Matches) -> tuple[Array, Array]:
    """Misses, source px, of all eye-to-eye matches under the true rig, and angles off axis, degrees."""
    pairs = matches.eye_pairs()
    left = take.truth.eye(LEFT).directions(pairs.pixel_left)
    right = take.truth.eye(RIGHT).directions(pairs.pixel_right)
    off_axis = np.rad2deg(np.arccos((left @ take.truth.eye(LEFT).R_eye_from_rig.T)[:, 2]))
    return sampson_miss(left, right) * take.focal_px(), off_axis


def _time_misses(take: Take, matches: Matches) -> Iterator[tuple[tuple[int, int], Array]]:
    """((frame, later frame), misses in source px) of each eye's sights of the same tracks."""
    for eye in (LEFT, RIGHT):
        camera = take.truth.eye(eye)
        for earlier in range(_FRAMES):
            for later in range(earlier + 1, _FRAMES):
                rows = [np.flatnonzero((matches.eye == eye) & (matches.frame == f)) for f in (earlier, later)]
                _, i, j = np.intersect1d(*(matches.track[r] for r in rows), return_indices=True)
                seen, centre = [], []
                for frame, at in ((earlier, rows[0][i]), (later, rows[1][j])):
                    pose = take.truth.poses[frame]
                    seen.append(camera.directions(matches.pixel[at]) @ pose.R_world_from_rig.T)
                    centre.append(pose.position_m + pose.R_world_from_rig @ camera.centre_m)
                along = (centre[1] - centre[0]) / np.linalg.norm(centre[1] - centre[0])
                # Turn the world so that the motion is the baseline's axis.
                side = np.cross([0.0, 0.0, 1.0], along) / np.linalg.norm(np.cross([0.0, 0.0, 1.0], along))
                turn = np.stack([along, side, np.cross(along, side)])
                miss = sampson_miss(seen[0] @ turn.T, seen[1] @ turn.T)
                yield (earlier, later), miss * take.focal_px()


def test_eye_to_eye_misses_are_a_tenth_of_a_pixel_without_bias(take: Take, result: Matched) -> None:
    miss, off_axis = _eye_misses(take, result.matches)
    assert len(miss) > 400 * _FRAMES
    assert robust_spread(miss) < 0.1
    assert np.mean(np.abs(miss) > 1.0) < 0.01
    fair = np.abs(miss) < 1.0
    assert abs(miss[fair].mean()) < 0.01
    for low, high in ((0, 40), (40, 70), (70, 100)):
        zone = fair & (off_axis >= low) & (off_axis < high)
        assert np.count_nonzero(zone) > 50, (low, high)
        assert abs(miss[zone].mean()) < 0.02 + 3 * miss[zone].std() / np.sqrt(zone.sum()), (low, high)


def test_misses_over_sigmas_have_a_spread_near_one(take: Take, result: Matched) -> None:
    miss, _ = _eye_misses(take, result.matches)
    # A miss is the distance per ray: each ray takes half of the difference between two sights,
    # whose variance is twice that of one; sqrt(2) / 2 * sqrt(2) = 1.
    assert 0.7 < robust_spread(miss / result.matches.eye_pairs().sigma_px) < 1.3


def test_sights_over_time_agree_with_the_true_motion(take: Take, result: Matched) -> None:
    for frames, miss in _time_misses(take, result.matches):
        assert len(miss) > 100, frames
        assert robust_spread(miss) < 0.12, frames
        assert np.mean(np.abs(miss) > 1.5) < 0.03, frames  # a thing moves in the scene


def test_matched_eye_to_eye_alone_every_track_is_of_one_frame_and_no_match_is_lost(
    take: Take, result: Matched
) -> None:
    alone = match_bursts(
        [[moment] for moment in take.moments],
        take.circles(),
        take.lenses(take.truth.fov_deg * 1.03),
        rng=np.random.default_rng(0),
        over_time=False,
    )
    matches = alone.matches
    assert len(np.unique(matches.track * _FRAMES + matches.frame)) == matches.tracks
    assert len(matches.eye_pairs()) > 0.95 * len(result.matches.eye_pairs())
    miss, _ = _eye_misses(take, matches)
    assert robust_spread(miss) < 0.1
    assert not any("share no points" in note for note in alone.notes)
    assert alone.fullest == int(np.argmax(alone.eye_pairs))  # all of them are searched
    for kept, half in zip(alone.fullest_halves, take.moments[alone.fullest].halves, strict=True):
        np.testing.assert_array_equal(kept, half)


def test_matches_reach_the_rim(take: Take, result: Matched) -> None:
    _, off_axis = _eye_misses(take, result.matches)
    assert np.count_nonzero(off_axis > take.truth.fov_deg / 2 - 8.0) > 50
    circle = take.circles()[LEFT]
    assert circle.contains(result.matches.pixel[result.matches.eye == LEFT], 5.0).all()


def test_tracks_run_through_bursts_and_eyes(result: Matched) -> None:
    m = result.matches
    length = np.bincount(m.track)
    assert np.count_nonzero(length == 2 * _FRAMES) > 100  # seen by both eyes in every frame
    assert length.min() >= 2
    seen = np.stack([m.track, m.frame, m.eye])
    assert np.unique(seen, axis=1).shape[1] == len(m)
    assert m.frames == _FRAMES
    assert (m.sigma_px > 0).all()


def test_the_coarse_rotation_is_near_the_truth(take: Take, result: Matched) -> None:
    left, right = (take.truth.eye(e).R_eye_from_rig for e in (LEFT, RIGHT))
    off = np.trace(result.R_right_from_left @ left @ right.T)
    assert np.rad2deg(np.arccos(np.clip((off - 1) / 2, -1, 1))) < 1.0


def test_same_footage_same_matches(take: Take, result: Matched) -> None:
    again = take.matched([take.moments[:2], take.moments[2:]])
    assert np.array_equal(again.matches.track, result.matches.track)
    assert np.array_equal(again.matches.pixel, result.matches.pixel)
    assert np.array_equal(again.matches.sigma_px, result.matches.sigma_px)


def test_a_lens_eight_per_cent_wrong_is_good_enough(take: Take) -> None:
    matches = take.matched([[take.moments[0]]], fov_error=-0.08).matches
    miss, _ = _eye_misses(take, matches)
    assert len(miss) > 400
    assert robust_spread(miss) < 0.1
    assert np.mean(np.abs(miss) > 1.0) < 0.01


def test_sixteen_bit_footage_gives_the_same_positions(take: Take) -> None:
    eight = take.moments[0]
    sixteen = Moment((eight.halves[0].astype(np.uint16) * 257, eight.halves[1].astype(np.uint16) * 257))
    miss_8, _ = _eye_misses(take, take.matched([[eight]]).matches)
    miss_16, _ = _eye_misses(take, take.matched([[sixteen]]).matches)
    assert len(miss_16) == pytest.approx(len(miss_8), rel=0.02)
    assert robust_spread(miss_16) == pytest.approx(robust_spread(miss_8), abs=0.005)


def test_a_dim_eye_and_noise_only_cost_precision(take: Take) -> None:
    rng = np.random.default_rng(0)
    left, right = take.moments[0].halves
    dim = np.clip(np.rint(0.25 * right + rng.normal(0, 1.5, right.shape)), 0, 255).astype(np.uint8)
    miss, _ = _eye_misses(take, take.matched([[Moment((left, dim))]]).matches)
    assert len(miss) > 250
    assert robust_spread(miss) < 0.2
    assert np.mean(np.abs(miss) > 1.5) < 0.02


def test_noise_as_large_as_the_texture_leaves_hundreds_of_matches(take: Take) -> None:
    rng = np.random.default_rng(0)
    left, right = (
        np.clip(np.rint(8 + 0.1 * half + rng.normal(0, 3, half.shape)), 0, 255).astype(np.uint8)
        for half in take.moments[0].halves
    )
    miss, _ = _eye_misses(take, take.matched([[Moment((left, right))]]).matches)
    assert len(miss) > 500
    assert robust_spread(miss) < 0.2
    assert np.mean(np.abs(miss) > 1.5) < 0.01


def test_swapped_halves_are_matched_all_the_same(take: Take) -> None:
    """Which half is which eye is not decided here."""
    swapped = Moment(take.moments[0].halves[::-1])
    circles, lenses = take.circles()[::-1], take.lenses(190.0)[::-1]
    matched = match_bursts([[swapped]], circles, lenses, rng=np.random.default_rng(0))
    pairs = matched.matches.eye_pairs()
    left = take.truth.eye(LEFT).directions(pairs.pixel_right)
    right = take.truth.eye(RIGHT).directions(pairs.pixel_left)
    assert len(pairs) > 400
    assert robust_spread(sampson_miss(left, right)) * take.focal_px() < 0.1


def test_what_sticks_to_the_lens_is_left_out(take: Take) -> None:
    """A printed pattern that moves with the rig, as hoods and barrels do, over a third of the picture."""
    rng = np.random.default_rng(0)
    sticker = np.kron(rng.integers(20, 230, (30, 30)), np.ones((6, 6))).astype(np.uint8)
    stuck = []
    for moment in take.moments:
        left = moment.halves[0].copy()
        left[380:560, 80:260] = sticker
        stuck.append(Moment((left, moment.halves[1])))
    matches = take.matched([[stuck[0]], [stuck[3]]]).matches
    on_sticker = (matches.eye == LEFT) & (np.abs(matches.pixel - [169.5, 469.5]) < 80).all(axis=1)
    off_sticker = (matches.eye == LEFT) & ~on_sticker
    assert np.count_nonzero(off_sticker) > 300
    assert np.count_nonzero(on_sticker) < 0.02 * np.count_nonzero(off_sticker)


def _turned(picture: NDArray[np.unsignedinteger]) -> NDArray[np.unsignedinteger]:
    return np.ascontiguousarray(picture[::-1, ::-1])


def _mirrored(picture: NDArray[np.unsignedinteger]) -> NDArray[np.unsignedinteger]:
    return np.ascontiguousarray(picture[:, ::-1])


def _upended(picture: NDArray[np.unsignedinteger]) -> NDArray[np.unsignedinteger]:
    return np.ascontiguousarray(picture[::-1])


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (_turned, "upside down"),
        (_mirrored, "mirrored left to right"),
        (_upended, "mirrored top to bottom"),
        (np.zeros_like, "too little texture: only 0 distinctive points in the right half"),
    ],
)
def test_a_wrong_eye_is_named(take: Take, change: object, words: str) -> None:
    assert callable(change)
    left, right = take.moments[0].halves
    with pytest.raises(MatchError, match=words):
        take.matched([[Moment((left, change(right)))]])


def test_halves_of_different_scenes_are_refused(take: Take) -> None:
    scene = random_scene(np.random.default_rng(9), indoor=True)
    other = _luma(next(iter(clip.frames(replace(take.truth, poses=motions.tripod(1)), scene, seed=2))))
    halves = (take.moments[0].halves[0], other[:, _EYE_PX:].copy())
    with pytest.raises(MatchError, match="do not show the same scene"):
        take.matched([[Moment(halves)]])


def test_the_same_picture_twice_is_refused(take: Take) -> None:
    left = take.moments[0].halves[0]
    noisy = np.clip(left + np.random.default_rng(0).normal(0, 1, left.shape), 0, 255).astype(np.uint8)
    circle, lens = take.circles()[LEFT], take.lenses(190.0)[LEFT]
    with pytest.raises(MatchError, match="same picture"):
        match_bursts([[Moment((left, noisy))]], (circle, circle), (lens, lens), rng=np.random.default_rng(0))


def test_no_frames_is_refused(take: Take) -> None:
    with pytest.raises(MatchError, match="no frame"):
        take.matched([])


def test_progress_counts_frames(take: Take) -> None:
    told: list[tuple[int, int]] = []
    match_bursts(
        [take.moments[:2]],
        take.circles(),
        take.lenses(190.0),
        rng=np.random.default_rng(0),
        progress=lambda frames, sights: told.append((frames, sights)),
    )
    assert [frames for frames, _ in told] == [1, 2]
    assert told[1][1] > told[0][1] > 0


def _searched(take: Take, moments: Sequence[Moment], frames: int) -> int:
    """How many frames of one burst are searched, of a clip of so many frames."""
    lenses = take.lenses(take.truth.fov_deg)
    return len(
        match_bursts([moments], take.circles(), lenses, rng=np.random.default_rng(0), frames=frames).eye_pairs
    )


def test_a_clip_is_searched_twice_however_well_its_points_are_followed(take: Take) -> None:
    assert _searched(take, take.moments[:1] * 12, frames=12) == 2
    assert _searched(take, take.moments[:1] * 12, frames=24) == 1


def test_a_frame_is_searched_where_half_of_the_points_are_lost(take: Take) -> None:
    """Something passes before the lenses: first over a fifth of the picture, then over most of it."""
    covered = []
    for share in (0.2, 0.75):
        halves = tuple(half.copy() for half in take.moments[0].halves)
        for half in halves:
            half[: int(share * len(half))] = 40
        covered.append(Moment((halves[0], halves[1])))
    assert _searched(take, [take.moments[0], covered[0]], frames=24) == 1
    assert _searched(take, [take.moments[0], *covered], frames=24) == 2
