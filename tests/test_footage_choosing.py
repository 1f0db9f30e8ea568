"""Which frames are read: spread, sharp, textured, in bursts, and no more decoded than that."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from autocal.footage import Footage, find_image_circles, open_footage
from autocal.footage.choosing import LONGEST_BURST, bursts_at, segments, share_out, whole_clip
from autocal.footage.halves import SideBySide
from autocal.footage.reel import ReelFrame
from tests.footage_clips import HALF, numbered, scene, write_video


class CountingReel:
    """A long clip that remembers what was decoded of it, as a decoder would have to.

    dark: from this share of the height downwards all is dark, but in the frames from number `lit_from` on.
    """

    def __init__(
        self, frame_count: int, group: int, side: int = HALF, dark: float = 1.0, lit_from: int = 10**9
    ) -> None:
        self.files = (Path("counted.mp4"),)
        self.size = (2 * side, side)
        self.frame_count = frame_count
        self.frame_rate: float | None = 50.0
        self.key_frames: Sequence[int] = range(0, frame_count, group)
        self.notes: list[str] = []
        self.name = "counted.mp4"
        self.glanced: list[int] = []
        self.read_frames: list[int] = []
        self.decoded = 0
        self._group = group
        self._position = -1
        self._picture = cv2.resize(scene(), self.size)
        self._dim = self._picture.copy()
        self._dim[round(dark * side) :] = 0
        self._lit_from = lit_from

    def glance(self, index: int) -> ReelFrame:
        self.glanced.append(index)
        return ReelFrame(index, index / 50, self._picture if index >= self._lit_from else self._dim)

    def read(self, indices: Sequence[int]) -> Iterator[ReelFrame]:
        for index in indices:
            key = index - index % self._group
            goes_on = key <= self._position < index
            self.decoded += index - (self._position if goes_on else key - 1)
            self._position = index
            self.read_frames.append(index)
            yield ReelFrame(index, index / 50, self._picture)

    def shown(self, index: int) -> ReelFrame:
        raise NotImplementedError

    def close(self) -> None:
        """Nothing is open."""


def test_a_long_clip_costs_its_bursts_and_two_key_frames_each() -> None:
    """24 frames of 100,000: 8 bursts of 3, at most 16 glances, not one frame more."""
    reel = CountingReel(100_000, 30)
    footage = Footage([SideBySide(0, reel)])
    survey = footage.choose(24)
    assert len(reel.glanced) <= 16
    assert reel.decoded == 0
    read = [frame.index for burst in footage.bursts(survey) for frame in burst]
    assert len(read) == reel.decoded == 24
    starts = np.array([burst.indices[0] for burst in survey.bursts])
    assert np.all(np.isin(starts, np.arange(0, 100_000, 30)))
    assert np.array_equal(starts * 8 // 100_000, np.arange(8)), "one burst in each eighth of the clip"


def test_a_clip_of_one_group_of_pictures_is_bounded_work() -> None:
    """An hour behind a single key frame is not decoded: only a first part is, in spread bursts."""
    reel = CountingReel(180_000, 180_000, side=2048)
    footage = Footage([SideBySide(0, reel)])
    survey = footage.choose(24)
    assert reel.decoded < 2000, "two passes over a thousand frames: to choose, and to read"
    assert survey.bursts[-1].indices[-1] < 1000
    assert len({burst.indices[0] for burst in survey.bursts}) == 8
    assert any("first" in note and "key frame" in note for note in footage.notes)


def test_progress_counts_up_to_the_end() -> None:
    """The callback hears every step, and the last one is the whole."""
    heard: list[tuple[str, int, int]] = []
    Footage([SideBySide(0, CountingReel(1000, 25))]).choose(12, progress=lambda *step: heard.append(step))
    assert [done for _, done, _ in heard] == list(range(1, len(heard) + 1))
    assert heard[-1][1] == heard[-1][2]


@settings(max_examples=200, deadline=None)
@given(
    frame_count=st.integers(1, 3000),
    groups=st.lists(st.integers(1, 400), min_size=1, max_size=60),
    bursts=st.integers(1, 12),
    burst=st.integers(1, 5),
)
def test_segments_are_in_order_and_inside_the_clip(
    frame_count: int, groups: list[int], bursts: int, burst: int
) -> None:
    """Whatever the key frames: candidates rise, lie in the clip, and give bursts that never overlap."""
    keys = [int(key) for key in np.cumsum([0, *groups]) if key < frame_count]
    found = segments(frame_count, keys, bursts, burst, reach=500 // bursts + burst)
    candidates = [index for segment in found for index in segment.candidates]
    assert candidates == sorted(set(candidates))
    assert all(0 <= index < frame_count for index in candidates)
    assert 1 <= len(found) <= bursts
    frames = [i for b in bursts_at([s.candidates[0] for s in found], frame_count, burst) for i in b]
    assert frames == sorted(set(frames))
    assert frames[-1] < frame_count


@settings(max_examples=200, deadline=None)
@given(frame_count=st.integers(1, 60), keys=st.sets(st.integers(0, 59)), burst=st.integers(1, 6))
def test_a_whole_clip_is_every_frame_once(frame_count: int, keys: set[int], burst: int) -> None:
    """Bursts of a clip used whole hold each frame once, in order, and stay short enough for memory."""
    bursts = whole_clip(frame_count, sorted(keys), burst)
    assert [index for indices in bursts for index in indices] == list(range(frame_count))
    assert max(len(indices) for indices in bursts) <= max(burst, LONGEST_BURST)


def test_a_whole_clip_is_cut_at_its_key_frames() -> None:
    """Twelve frames with key frames 0, 4 and 8: three bursts of four."""
    assert whole_clip(12, [0, 4, 8], 3) == [(0, 1, 2, 3), (4, 5, 6, 7), (8, 9, 10, 11)]


def test_shares_follow_length() -> None:
    """Proportional, at least one each, never more than there is."""
    assert share_out([10, 90, 2], 24) == [2, 21, 1]
    assert share_out([3], 24) == [3]


def test_sharp_frames_win(tmp_path: Path) -> None:
    """Of the frames looked at in each stretch, the one out of focus is left alone."""
    sharp = [numbered(0, seed=7) for _ in range(40)]
    frames = [
        frame if i % 20 in (5, 6, 7) else cv2.GaussianBlur(frame, (0, 0), 3.0)
        for i, frame in enumerate(sharp)
    ]
    clip = write_video(tmp_path / "focus.mkv", frames, "ffv1", "yuv420p", gop=5)
    with open_footage([clip]) as footage:
        survey = footage.choose(6)
        probed = {index for _, index in survey.probed}
        first = [burst.indices[0] for burst in survey.bursts]
    for start, stretch in zip(first, (range(20), range(20, 40)), strict=True):
        available = probed & set(stretch) & {5, 6, 7, 25, 26, 27}
        assert not available or start in available
    assert probed & {5, 6, 7, 25, 26, 27}


def test_black_stretches_are_left_out(tmp_path: Path) -> None:
    """A clip that fades in from black gives its lit frames only."""
    frames = [numbered(0) if i >= 20 else np.full((HALF, 2 * HALF), 16, np.uint8) for i in range(40)]
    clip = write_video(tmp_path / "fade.mp4", frames, gop=4)
    with open_footage([clip]) as footage:
        read = [frame.index for burst in footage.bursts(footage.choose(12)) for frame in burst]
        whole = [frame.index for burst in footage.bursts(footage.choose(40)) for frame in burst]
    assert read
    assert min(read) >= 20
    assert whole == list(range(20, 40))


@pytest.mark.parametrize(
    ("group", "looked_at"), [(24, [0]), (12, [0, 12]), (6, [0, 6, 12, 18]), (1, [0, 6, 12, 18])]
)
def test_a_clip_used_whole_is_not_decoded_twice(group: int, looked_at: list[int]) -> None:
    """There is nothing to choose: a few key frames, from all over it, show where the image circles lie."""
    reel = CountingReel(24, group, dark=0.7)
    Footage([SideBySide(0, reel)]).choose(24)
    assert reel.glanced == looked_at
    assert not reel.read_frames


@pytest.mark.parametrize("group", [24, 12, 6, 1])
def test_of_a_clip_used_whole_one_frame_is_enough_that_shows_both_circles(group: int) -> None:
    reel = CountingReel(24, group)
    survey = Footage([SideBySide(0, reel)]).choose(24)
    assert reel.glanced == [0]
    assert not reel.read_frames
    for found in find_image_circles(survey):
        assert found.rim > 0.95
        assert found.circle.radius == pytest.approx(0.45 * HALF, rel=0.01)


def test_what_the_first_frame_leaves_dark_is_learnt_from_the_others() -> None:
    """A third of the rim is dark to begin with."""
    reel = CountingReel(24, 6, dark=0.7, lit_from=12)
    survey = Footage([SideBySide(0, reel)]).choose(24)
    assert reel.glanced == [0, 6, 12, 18]
    for found in find_image_circles(survey):
        assert found.rim > 0.95
        assert found.circle.radius == pytest.approx(0.45 * HALF, rel=0.01)


def test_a_clip_used_whole_is_looked_at_until_it_shows_something(tmp_path: Path) -> None:
    """Its one key frame is black: what lies behind it says where the image circles are."""
    frames = [numbered(0) if i >= 9 else np.full((HALF, 2 * HALF), 16, np.uint8) for i in range(20)]
    clip = write_video(tmp_path / "fade.mkv", frames, "ffv1", "yuv420p", gop=20)
    with open_footage([clip]) as footage:
        probed = [index for _, index in footage.choose(20).probed]
    assert probed[0] == 0
    assert 9 <= probed[-1] < 19
    assert sum(index >= 9 for index in probed) == 1


def test_a_cut_ends_a_burst(tmp_path: Path) -> None:
    """Frames of two shots never share a burst."""
    frames = [scene(seed=1)] * 6 + [scene(seed=2)] * 6
    clip = write_video(tmp_path / "cut.mkv", frames, "ffv1", "yuv420p")
    with open_footage([clip]) as footage:
        bursts = [[frame.index for frame in burst] for burst in footage.bursts(footage.choose(24, burst=12))]
    assert all(indices[-1] < 6 or indices[0] >= 6 for indices in bursts)
    assert sorted(index for indices in bursts for index in indices) == list(range(12))


def test_stills_of_different_standpoints_are_bursts_of_one(tmp_path: Path) -> None:
    """Numbered pictures that show different things are no film."""
    paths = []
    for index in range(4):
        paths.append(tmp_path / f"view-{index}.png")
        cv2.imwrite(str(paths[-1]), scene(seed=index))
    with open_footage(paths) as footage:
        bursts = [list(burst) for burst in footage.bursts(footage.choose(24))]
    assert [len(burst) for burst in bursts] == [1, 1, 1, 1]


def test_same_input_same_choice(tmp_path: Path) -> None:
    """Choosing is repeatable to the last bit of its statistics."""
    clip = write_video(tmp_path / "a.mp4", [numbered(i) for i in range(40)])
    with open_footage([clip]) as footage:
        first, second = footage.choose(12), footage.choose(12)
    assert first.bursts == second.bursts
    np.testing.assert_array_equal(first.brightest, second.brightest)
    np.testing.assert_array_equal(first.typical, second.typical)


@pytest.mark.parametrize(("n_frames", "burst"), [(0, 3), (5, 0)])
def test_nonsense_numbers_are_refused(n_frames: int, burst: int) -> None:
    """A programmer's mistake is a ValueError."""
    footage = Footage([SideBySide(0, CountingReel(10, 5))])
    with pytest.raises(ValueError, match="at least one"):
        footage.choose(n_frames, burst=burst)


def test_bursts_between_which_no_frame_is_missing_are_joined_where_asked(tmp_path: Path) -> None:
    """A clip used whole, read in bursts that start at its key frames 0, 4 and 8, with a cut at frame 6."""
    frames = [scene(seed=1)] * 6 + [scene(seed=2)] * 6
    clip = write_video(tmp_path / "cut.mkv", frames, "ffv1", "yuv420p", gop=4)
    with open_footage([clip]) as footage:
        survey = footage.choose(24)
        alone, joined = (
            [[frame.index for frame in burst] for burst in footage.bursts(survey, joined=each)]
            for each in (False, True)
        )
    assert [indices[0] for indices in alone] == [0, 4, 6, 8]
    assert joined == [list(range(6)), list(range(6, 12))]


def test_bursts_with_frames_between_them_stay_apart(tmp_path: Path) -> None:
    clip = write_video(tmp_path / "long.mkv", [scene(seed=1)] * 40, "ffv1", "yuv420p", gop=10)
    with open_footage([clip]) as footage:
        survey = footage.choose(12)
        joined = [[frame.index for frame in burst] for burst in footage.bursts(survey, joined=True)]
    assert joined == [list(choice.indices) for choice in survey.bursts]
    assert len(joined) > 1
