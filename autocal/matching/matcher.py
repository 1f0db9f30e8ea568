"""Footage in, matches out: frames are met one by one, and nothing but patches is kept of them.

A lead frame, the first of a burst, is searched for points in both eyes; these are matched eye
to eye, and to earlier leads, joined to tracks, and measured on the full-resolution picture against
each track's reference patch. The frames that follow it in the burst are reached by optical flow, which
costs an eighth of a search; once that has lost half of the points, the next lead is searched.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass

import numpy as np

from autocal.ahead import Ahead
from autocal.errors import MatchError
from autocal.geometry import ImageCircle
from autocal.geometry.lens import Array
from autocal.matches import LEFT, RIGHT, Ints, Matches
from autocal.matching import diagnosis
from autocal.matching.contrast import DetectionImage, Luma
from autocal.matching.features import Features, find_features
from autocal.matching.fineness import spacing_for_noise
from autocal.matching.follow import follow
from autocal.matching.guided import Link, link_eyes
from autocal.matching.memory import (
    RECENT,
    Lead,
    carried_to_last,
    earlier_links,
    eye_proposals,
    place_in_world,
    proposals,
)
from autocal.matching.patches import cut_patches, sample_spacing
from autocal.matching.refine import align
from autocal.matching.sights import (
    EyeSights,
    Lenses,
    Sights,
    common_rows,
    epipolar_inliers,
    eye_misses,
    references,
    sigma_floor,
    thinned,
    without_disagreement,
)
from autocal.matching.tracks import TrackTable, join
from autocal.matching.views import Frame, View, predicted_warp, prepare_view

#: Called with frames done and observations found so far.
Progress = Callable[[int, int], None]

_FRAMES_AHEAD = 2  # prepared while one is met
_EYES = [LEFT, RIGHT]
_JUDGE_AFTER = 3  # leads met before the footage may be refused
_FOLLOWED_SHARE = 0.5  # of the points a search began with: fewer followed are soon too few, search again
_SHORTEST_RUN = 5  # frames from one search to the next are half a clip at the most, or so many
_ENOUGH_SIGHTS = 25_000  # in all frames; beyond them errors of the lens model remain
_FEWEST_FOLLOWED, _MOST_FOLLOWED = 400, 1400  # tracks carried through a burst
_POINTS_A_TRACK = 2.9  # points looked for, for each track that is wanted: many of them match nothing
_PAYS = 1.35  # the gain in matches between the eyes that more points must bring
_MOST_POINTS = 5200  # tried where few match
_RENEW_BELOW, _RENEW_STRETCH = 0.93, 1.35
_STILL_PX, _SHOULD_MOVE_PX = 0.6, 8.0


@dataclass(frozen=True, eq=False)
class Matched:
    """What was matched.

    notes: what a person may want to know, in words. R_right_from_left: (3, 3), coarse, camera of half 0
    to camera of half 1 through the nominal lenses. eye_pairs: how many matches between the eyes
    each searched frame gave. fullest: the number of the searched frame that gave the most, and its halves.
    """

    matches: Matches
    notes: tuple[str, ...]
    R_right_from_left: Array
    eye_pairs: tuple[int, ...]
    fullest: int
    fullest_halves: tuple[Luma, Luma]


def match_bursts(
    bursts: Iterable[Iterable[Frame]],
    circles: tuple[ImageCircle, ImageCircle],
    lenses: Lenses,
    *,
    rng: np.random.Generator,
    frames: int = 1,
    over_time: bool = True,
    device: str = "cpu",
    progress: Progress | None = None,
) -> Matched:
    """Match the frames of bursts eye to eye and, unless told otherwise, over time.

    bursts: frames that follow each other closely, read once, in order; frames are numbered as they
    come. frames: about how many there will be; of many, fewer points each are enough. over_time:
    without it the bursts share no tracks. circles, lenses: per half, full-resolution px; the lenses
    may be nominal and several per cent wrong.

    Raises MatchError where the halves do not match: mirrored, upside down, the same picture twice,
    not of one scene, or without texture.
    """
    with ThreadPoolExecutor(len(_EYES)) as workers:  # so small work gains more from it than threads inside
        matcher = _Matcher(lenses, circles, frames, over_time, rng, device, workers)

        def prepared() -> Iterator[tuple[tuple[View, View], bool]]:
            for burst in bursts:
                for position, frame in enumerate(burst):
                    yield matcher.prepared(frame.halves, frame.reduced), position == 0

        with closing(Ahead(prepared(), _FRAMES_AHEAD)) as coming:
            for views, leads in coming:
                matcher.meet(views, leads=leads)
                if progress is not None:
                    progress(matcher.frames, matcher.observations)
        return matcher.result()


class _Matcher:
    """The state between frames."""

    def __init__(
        self,
        lenses: Lenses,
        circles: tuple[ImageCircle, ImageCircle],
        frames: int,
        over_time: bool,
        rng: np.random.Generator,
        device: str,
        workers: Executor,
    ) -> None:
        self.lenses, self.circles, self.rng, self.device = lenses, circles, rng, device
        self.workers, self.over_time = workers, over_time
        self.wanted = int(np.clip(_ENOUGH_SIGHTS / (2 * frames), _FEWEST_FOLLOWED, _MOST_FOLLOWED))
        self.points, self.settled = round(_POINTS_A_TRACK * self.wanted), False
        self.longest_run = max(-(-frames // 2), _SHORTEST_RUN)
        self.spacing = max(sample_spacing(2 * circle.radius) for circle in circles)
        self.table = TrackTable()
        self.leads: list[Lead] = []
        self.eye_pairs: list[int] = []
        self.coincident: list[bool] = []
        self.R_eyes: Array = np.eye(3)
        self.frames = self.observations = self.still = 0
        self.fullest = 0
        self.fullest_halves: tuple[Luma, Luma]  # of frame number `fullest`
        self._last: tuple[DetectionImage, DetectionImage] | None = None
        self._sights: EyeSights | None = None
        self._searched, self._begun = 0, 0  # the frame last searched, and how many sights it had to follow
        self._misses: list[tuple[Array, Array]] = []
        self._evidence: tuple[tuple[View, View], tuple[Features, Features]] | None = None

    def meet(self, views: tuple[View, View], *, leads: bool) -> None:
        """Take in the next frame; `leads`: it is the first of a burst."""
        if views[LEFT].smooth.spacing != self.spacing:  # prepared before noise had told how finely to sample
            views = self.prepared([view.smooth.luma for view in views])
        if leads or not self._followed(views):
            self._search(views)
        self._last = (views[LEFT].detection, views[RIGHT].detection)
        self.frames += 1

    def prepared(
        self, halves: Sequence[Luma], reduced: Sequence[Luma | None] = (None, None)
    ) -> tuple[View, View]:
        """The two eyes' views of a frame."""
        left, right = (
            prepare_view(halves[e], self.circles[e], self.lenses[e], self.spacing, reduced[e]) for e in _EYES
        )
        return left, right

    def result(self) -> Matched:
        """Everything found, once all frames were met."""
        if not self.leads:
            raise MatchError("there is no frame to match: the clip holds none, or all were left out")
        self._refuse_if_hopeless(at_least=1)
        miss, sigma = (np.concatenate(parts) for parts in zip(*self._misses, strict=True))
        matches = self.table.matches(self.frames, self.lenses[LEFT].size, sigma_floor(miss, sigma))
        frames = "one frame" if self.frames == 1 else f"{self.frames} frames"
        notes = [
            f"{len(matches)} sights of {matches.tracks} points in {frames}; "
            f"{int(np.median(self.eye_pairs))} eye-to-eye matches in a typical searched frame"
        ]
        if self.still:
            notes.append(f"{self.still} sights left out: they stay still in the picture while the view turns")
        roots = len({lead.root for lead in self.leads})
        if roots > 1 and self.over_time:
            notes.append(f"the footage falls into {roots} parts that share no points over time")
        pairs = tuple(self.eye_pairs)
        return Matched(matches, tuple(notes), self.R_eyes, pairs, self.fullest, self.fullest_halves)

    # ---- searched frames

    def _search(self, views: tuple[View, View]) -> None:
        features, stereo = self._eyes_linked(views)
        if not self.leads and self._coarsened(views, features, stereo):
            views = self.prepared([view.smooth.luma for view in views])
            features, stereo = self._eyes_linked(views)
        if stereo.epipolar is not None:
            self.R_eyes = stereo.epipolar.R
        met = self.leads if self.over_time else []
        earlier = earlier_links(met, features, self.rng, self.device, self.workers)
        R_world, root = place_in_world(self.leads, earlier, self.R_eyes)
        ways = [eye_proposals(stereo), *(proposals(self.leads, item, self.table) for item in earlier)]
        self.leads.append(Lead.met(features, R_world, root))
        track, point = join(ways)
        continued = self._continue_tracks(views, track[track >= 0], point[track >= 0])
        begun = self._begin_tracks(views, point[track < 0])
        sights = (continued[LEFT].and_also(begun[LEFT]), continued[RIGHT].and_also(begun[RIGHT]))
        in_left, in_right = common_rows(sights)
        if len(in_left) > max(self.eye_pairs, default=-1):
            self.fullest = self.frames
            self.fullest_halves = (views[LEFT].smooth.luma, views[RIGHT].smooth.luma)
        self.eye_pairs.append(len(in_left))
        self.coincident.append(
            diagnosis.same_picture(sights[LEFT].pixel[in_left], sights[RIGHT].pixel[in_right])
        )
        self._evidence = (views, features)
        self._refuse_if_hopeless(at_least=_JUDGE_AFTER)
        if self.over_time:
            self._keep_candidates(views)
        self._forget()
        self._misses.append(eye_misses(sights, self.lenses, self.R_eyes))
        self._sights = thinned(sights, self.lenses, self.wanted)
        self._searched, self._begun = self.frames, sum(map(len, self._sights))

    def _coarsened(self, views: tuple[View, View], features: tuple[Features, Features], stereo: Link) -> bool:
        """Sample patches less finely from now on, if noise asks for it; whether it does."""
        before = self.spacing
        left, right = features[LEFT].pixel[stereo.pairs.a], features[RIGHT].pixel[stereo.pairs.b]
        self.spacing = spacing_for_noise(views, left, right, stereo.R)
        return self.spacing > before

    def _eyes_linked(self, views: tuple[View, View]) -> tuple[tuple[Features, Features], Link]:
        """Points of both eyes and their matches.

        Where too few match, more points are tried once; if that pays, they are asked for from then on.
        """
        features, link = self._eyes_linked_by(views, self.points)
        full = min(len(f) for f in features) == self.points
        if self.settled or not full or len(link.pairs) >= self.wanted:
            return features, link
        self.settled = True
        more_features, more_link = self._eyes_linked_by(views, _MOST_POINTS)
        if len(more_link.pairs) < _PAYS * len(link.pairs):
            return features, link
        self.points = _MOST_POINTS
        return more_features, more_link

    def _eyes_linked_by(self, views: tuple[View, View], most: int) -> tuple[tuple[Features, Features], Link]:
        left, right = self.workers.map(
            lambda e: find_features(views[e].detection, self.lenses[e], most), _EYES
        )
        return (left, right), link_eyes(left, right, self.rng, self.device)

    def _continue_tracks(self, views: tuple[View, View], track: Ints, point: Ints) -> EyeSights:
        """Measure known tracks in a searched frame; reference patches that have aged are renewed."""
        lead = self.leads[-1]

        def measured(eye: int) -> tuple[Sights, int]:
            rows = np.flatnonzero(point[:, eye] >= 0)
            pixel = lead.features[eye].pixel[point[rows, eye]]
            shape, bend, expected = carried_to_last(self.leads, self.table, self.lenses, track[rows], eye)
            sights = self._measured(views[eye], track[rows], point[rows, eye], pixel, shape, bend)
            off = np.linalg.norm(sights.pixel - self.table.pixel[sights.track], axis=1)
            still = (off < _STILL_PX) & (expected[np.isin(track[rows], sights.track)] > _SHOULD_MOVE_PX)
            return sights.where(~still), int(np.count_nonzero(still))

        (left, still_left), (right, still_right) = self.workers.map(measured, _EYES)
        self.still += still_left + still_right
        sights = without_disagreement((left, right), self.lenses, self.R_eyes)
        for eye in _EYES:
            lead.track_of_point[eye][sights[eye].source] = sights[eye].track
            self._observe(sights[eye], eye)
        return self._renewed(views, sights)

    def _renewed(self, views: tuple[View, View], sights: EyeSights) -> EyeSights:
        """Cut new patches for tracks whose look has changed; the place they mark stays the same."""
        done: Ints = np.zeros(0, dtype=np.int64)
        for eye in _EYES:
            s, other = sights[eye], sights[1 - eye]
            if not len(s):
                continue
            stretch = np.linalg.svd(s.shape, compute_uv=False)
            aged = (s.correlation < _RENEW_BELOW) | (stretch[:, 0] > _RENEW_STRETCH)
            aged |= stretch[:, 1] < 1 / _RENEW_STRETCH
            rows = np.flatnonzero(aged & ~np.isin(s.track, done))
            done = np.concatenate([done, s.track[rows]])
            patches = cut_patches(views[eye].smooth, s.pixel[rows])
            self.table.renew(s.track[rows], patches, self._view_number(eye), s.pixel[rows])
            _, here, there = np.intersect1d(s.track[rows], other.track, return_indices=True)
            other.shape[there] = other.shape[there] @ np.linalg.inv(s.shape[rows])[here]
            other.bend[there] -= (other.shape[there] @ s.bend[rows][here][..., None])[..., 0]
            s.shape[rows], s.bend[rows] = np.eye(2), 0.0
        return sights

    def _begin_tracks(self, views: tuple[View, View], point: Ints) -> EyeSights:
        """New tracks of points that match eye to eye, cut in the left eye and measured in the right."""
        lead = self.leads[-1]
        both = point[(point >= 0).all(axis=1)]
        left = lead.features[LEFT].pixel[both[:, LEFT]]
        right = lead.features[RIGHT].pixel[both[:, RIGHT]]
        patches = cut_patches(views[LEFT].smooth, left)
        R = lead.R_world[RIGHT] @ lead.R_world[LEFT].T
        shape, bend = predicted_warp(self.lenses[LEFT], self.lenses[RIGHT], R, left)
        found = align(patches, views[RIGHT].smooth, right, shape, bend)
        good = np.flatnonzero(found.good)
        good = good[epipolar_inliers(left[good], found.pixel[good], self.lenses, self.R_eyes)]
        tracks = self.table.add(patches[good], self._view_number(LEFT), left[good])
        begun = (
            references(tracks, both[good, LEFT], left[good]),
            Sights(
                tracks,
                both[good, RIGHT],
                found.pixel[good],
                found.shape[good],
                bend[good],
                found.sigma_px[good],
                found.correlation[good],
            ),
        )
        for eye in _EYES:
            lead.track_of_point[eye][begun[eye].source] = tracks
            self._observe(begun[eye], eye)
        return begun

    def _keep_candidates(self, views: tuple[View, View]) -> None:
        """Points that match nothing yet may still be met again in a later frame."""
        lead = self.leads[-1]
        for eye in _EYES:
            free = np.flatnonzero(lead.track_of_point[eye] < 0)
            pixel = lead.features[eye].pixel[free]
            tracks = self.table.add(cut_patches(views[eye].smooth, pixel), self._view_number(eye), pixel)
            lead.track_of_point[eye][free] = tracks
            self._observe(references(tracks, free, pixel), eye)

    def _forget(self) -> None:
        """Patches are kept of recent leads, and of older points that proved themselves."""
        leads, proven = self.leads[-1:], []
        if self.over_time:
            leads, proven = self.leads[-RECENT:], [self.table.proven()]
        recent = [track[track >= 0] for lead in leads for track in lead.track_of_point]
        self.table.forget_patches(np.unique(np.concatenate([*recent, *proven])))

    def _refuse_if_hopeless(self, at_least: int) -> None:
        """Raise MatchError once so many leads were met and none of them can be matched."""
        if len(self.leads) < at_least or self._evidence is None:
            return
        if all(self.coincident):
            raise MatchError(diagnosis.SAME_PICTURE)
        if max(self.eye_pairs) < diagnosis.FEWEST_EYE_PAIRS:
            raise diagnosis.why_few_matches(*self._evidence, self.rng, self.device)
        rolled = diagnosis.upside_down(self.R_eyes)
        if rolled:
            raise MatchError(rolled)

    # ---- followed frames

    def _followed(self, views: tuple[View, View]) -> bool:
        """Carry the last frame's sights into this one. False, and nothing noted, if it is time to search."""
        last, before = self._last, self._sights
        if last is None or before is None or self.frames - self._searched >= self.longest_run:
            return False

        def measured(eye: int) -> Sights:
            s = before[eye]
            pixel, kept = follow(last[eye], views[eye].detection, s.pixel)
            rows = np.flatnonzero(kept & self.lenses[eye].inside(pixel))
            return self._measured(views[eye], s.track[rows], rows, pixel[rows], s.shape[rows], s.bend[rows])

        left, right = self.workers.map(measured, _EYES)
        if len(left) + len(right) <= _FOLLOWED_SHARE * self._begun:
            return False
        sights = without_disagreement((left, right), self.lenses, self.R_eyes)
        for eye in _EYES:
            self._observe(sights[eye], eye)
        self._sights = sights
        return True

    # ---- shared

    def _view_number(self, eye: int) -> int:
        return 2 * (len(self.leads) - 1) + eye

    def _measured(
        self, view: View, track: Ints, source: Ints, pixel: Array, shape: Array, bend: Array
    ) -> Sights:
        """Tracks found in a picture near `pixel` (n, 2): the good ones."""
        found = align(self.table.patches(track), view.smooth, pixel, shape, bend)
        sights = Sights(track, source, found.pixel, found.shape, bend, found.sigma_px, found.correlation)
        return sights.where(found.good)

    def _observe(self, sights: Sights, eye: int) -> None:
        self.table.observe(sights.track, self.frames, eye, sights.pixel, sights.sigma_px)
        self.observations += int(np.count_nonzero(np.isfinite(sights.sigma_px)))
