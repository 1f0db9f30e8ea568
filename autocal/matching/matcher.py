"""Footage in, matches out: frames are met one by one, and nothing but patches is kept of them.

A lead frame, the first of a burst, is searched for points in both eyes; these are matched eye
to eye, and to earlier leads, joined to tracks, and measured on the full-resolution picture against
each track's reference patch. The frames that follow it in the burst are reached by optical flow;
where too much moves for that they are searched like leads.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from autocal.errors import MatchError
from autocal.geometry import ImageCircle, Lens
from autocal.geometry.lens import Array
from autocal.matches import LEFT, RIGHT, Ints, Matches
from autocal.matching import diagnosis
from autocal.matching.consistency import fit_epipolar
from autocal.matching.contrast import DetectionImage
from autocal.matching.features import Features, find_features, spread_over_sphere
from autocal.matching.follow import follow
from autocal.matching.guided import FEWEST_CONSISTENT, Link, link_eyes, link_frames
from autocal.matching.pairs import mutual_pairs, similarity_matrix
from autocal.matching.patches import cut_patches
from autocal.matching.refine import Alignment, align
from autocal.matching.tracks import Proposals, TrackTable, join
from autocal.matching.views import View, predicted_shape, prepare_view
from autocal.matching.workers import Workers, two_workers

#: Called with frames done and observations found so far.
Progress = Callable[[int, int], None]

_EYES = [LEFT, RIGHT]
_RECENT = 2  # earlier leads that are always tried
_REVISITED = 3  # further ones tried where a glance shows that they see the same place
_GLANCE_POINTS, _GLANCE_MATCHES = 800, 16
_LEADS_REMEMBERED = 60
_JUDGE_AFTER = 3  # leads met before the footage may be refused
_FOLLOWED_SHARE = 0.35  # fewer points than this followed: too much moves, search again
_MOST_FOLLOWED = 1400  # tracks carried through a burst
_RENEW_BELOW, _RENEW_STRETCH = 0.93, 1.35
_EPIPOLAR_SPREADS, _EPIPOLAR_LEAST_PX = 5.0, 0.6
_STILL_PX, _SHOULD_MOVE_PX = 0.6, 8.0


class Frame(Protocol):
    """What is needed of a frame: two (H, W) luma pictures."""

    @property
    def halves(self) -> tuple[NDArray[np.unsignedinteger], NDArray[np.unsignedinteger]]:
        """The left and the right half."""
        ...


@dataclass(frozen=True, eq=False)
class Matched:
    """What was matched. R_right_from_left: (3, 3), coarse, half 0 to half 1 of the nominal lenses.

    eye_pairs: how many matches between the eyes each searched frame gave.
    """

    matches: Matches
    notes: tuple[str, ...]
    R_right_from_left: Array
    eye_pairs: tuple[int, ...]


def match_bursts(
    bursts: Iterable[Sequence[Frame]],
    circles: tuple[ImageCircle, ImageCircle],
    lenses: tuple[Lens, Lens],
    *,
    rng: np.random.Generator,
    device: str = "cpu",
    progress: Progress | None = None,
) -> Matched:
    """Match the frames of bursts eye to eye and over time.

    bursts: frames that follow each other closely, first frame first; read once, in order. Frames
    are numbered as they come. circles, lenses: per half, full-resolution px; the lenses may be
    nominal and several per cent wrong.

    Raises MatchError where the halves do not match: mirrored, upside down, the same picture twice,
    not of one scene, or without texture.
    """
    with two_workers() as workers:
        matcher = _Matcher(lenses, circles, rng, device, workers)
        for burst in bursts:
            for position, frame in enumerate(burst):
                matcher.meet(frame.halves, leads=position == 0)
                if progress is not None:
                    progress(matcher.frames, matcher.observations)
        return matcher.result()


@dataclass(frozen=True, eq=False)
class _Lead:
    """What is remembered of a searched frame. R_world: per eye, world to camera; root: which world."""

    features: tuple[Features, Features]
    track_of_point: tuple[Ints, Ints]
    R_world: tuple[Array, Array]
    root: int


@dataclass(frozen=True, eq=False)
class _Sights:
    """Tracks as one eye saw them last: numbers (n,), pixels (n, 2), shapes (n, 2, 2) against the patch."""

    track: Ints
    pixel: Array
    shape: Array


class _Matcher:
    def __init__(
        self,
        lenses: tuple[Lens, Lens],
        circles: tuple[ImageCircle, ImageCircle],
        rng: np.random.Generator,
        device: str,
        workers: Workers,
    ) -> None:
        self.lenses, self.circles, self.rng, self.device = lenses, circles, rng, device
        self.workers = workers
        self.table = TrackTable()
        self.leads: list[_Lead] = []
        self.eye_pairs: list[int] = []
        self.coincident: list[bool] = []
        self.R_eyes = np.eye(3)
        self.frames = self.observations = self.still = self.researched = 0
        self._last: tuple[DetectionImage, DetectionImage] | None = None
        self._sights: tuple[_Sights, _Sights] | None = None

    def meet(self, halves: Sequence[NDArray[np.unsignedinteger]], *, leads: bool) -> None:
        """Take in the next frame; `leads`: it is the first of a burst."""
        left, right = self.workers.map(
            lambda e: prepare_view(halves[e], self.circles[e], self.lenses[e], self.device), _EYES
        )
        views = (left, right)
        if leads or not self._followed(views):
            self.researched += not leads
            self._search(views)
        self._last = (views[LEFT].detection, views[RIGHT].detection)
        self.frames += 1

    def result(self) -> Matched:
        """Everything found, once all frames were met."""
        self._refuse_if_hopeless(None, None, at_least=1)
        height_width = self.lenses[LEFT].size
        matches = self.table.matches(self.frames, height_width)
        if not len(matches):
            raise MatchError("no point was measured in two pictures: film a place full of detail, sharp")
        notes = [
            f"{len(matches)} sights of {matches.tracks} points in {self.frames} frames; "
            f"{int(np.median(self.eye_pairs))} eye-to-eye matches in a typical searched frame"
        ]
        if self.still:
            notes.append(f"{self.still} sights left out: they stay still in the picture while the view turns")
        roots = len({lead.root for lead in self.leads})
        if roots > 1:
            notes.append(f"the footage falls into {roots} parts that share no points over time")
        return Matched(matches, tuple(notes), self.R_eyes, tuple(self.eye_pairs))

    # ---- searched frames

    def _search(self, views: tuple[View, View]) -> None:
        left, right = self.workers.map(lambda e: find_features(views[e].detection, self.lenses[e]), _EYES)
        features = (left, right)
        stereo = link_eyes(left, right, self.rng, self.device)
        if stereo.epipolar is not None:
            self.R_eyes = stereo.epipolar.R
        earlier = self._earlier_links(features)
        R_world, root = self._place_in_world(earlier)
        view_number = 2 * len(self.leads)
        self.leads.append(
            _Lead(features, tuple(np.full(len(f), -1) for f in features), R_world, root)  # type: ignore[arg-type]
        )
        track, point = join([_eye_proposals(stereo), *(self._proposals(*link) for link in earlier)])
        continued = self._continue_tracks(views, track[track >= 0], point[track >= 0])
        begun = self._begin_tracks(views, view_number, point[track < 0])
        left_sights, right_sights = (_joined(continued[e], begun[e]) for e in _EYES)
        _, in_left, in_right = np.intersect1d(left_sights.track, right_sights.track, return_indices=True)
        self.eye_pairs.append(len(in_left))
        self.coincident.append(
            diagnosis.same_picture(left_sights.pixel[in_left], right_sights.pixel[in_right])
        )
        self._sights = self._thinned(left_sights, right_sights)
        self._refuse_if_hopeless(views, features, at_least=_JUDGE_AFTER)
        self._keep_candidates(views, view_number)
        self._forget()

    def _earlier_links(self, features: Sequence[Features]) -> list[tuple[int, int, Link]]:
        """Verified links (lead, eye, link) with earlier leads."""
        known = len(self.leads)
        recent = list(range(max(0, known - _RECENT), known))
        older = [
            (self._glance(lead, features), lead)
            for lead in range(max(0, known - _LEADS_REMEMBERED), known - _RECENT)
        ]
        revisited = [
            lead for seen, lead in sorted(older, reverse=True)[:_REVISITED] if seen >= _GLANCE_MATCHES
        ]
        wanted = [(lead, eye, self._spawned()) for lead in [*recent, *revisited] for eye in _EYES]

        def link(item: tuple[int, int, np.random.Generator]) -> tuple[int, int, Link]:
            lead, eye, rng = item
            return lead, eye, link_frames(self.leads[lead].features[eye], features[eye], rng, self.device)

        links = self.workers.map(link, wanted)
        return [item for item in links if len(item[2].pairs) >= FEWEST_CONSISTENT]

    def _spawned(self) -> np.random.Generator:
        """A generator for one task, so that threads do not race for random numbers."""
        return np.random.default_rng(self.rng.integers(2**63))

    def _glance(self, lead: int, features: Sequence[Features]) -> int:
        """How many of the strongest points of both left eyes match."""
        a, b = (
            self.leads[lead].features[LEFT].strongest(_GLANCE_POINTS),
            features[LEFT].strongest(_GLANCE_POINTS),
        )
        return len(mutual_pairs(similarity_matrix(a, b, self.device)))

    def _place_in_world(self, earlier: list[tuple[int, int, Link]]) -> tuple[tuple[Array, Array], int]:
        """World-to-camera rotations of both eyes, from the best link; a new world without one."""
        if not earlier:
            return (np.eye(3), self.R_eyes), len(self.leads)
        lead, eye, link = max(earlier, key=lambda item: len(item[2].pairs))
        R = link.R @ self.leads[lead].R_world[eye]
        pair = (R, self.R_eyes @ R) if eye == LEFT else (self.R_eyes.T @ R, R)
        return pair, self.leads[lead].root

    def _proposals(self, lead: int, eye: int, link: Link) -> Proposals:
        track = self.leads[lead].track_of_point[eye][link.pairs.a]
        usable = (track >= 0) & self.table.has_patch(track)
        point = np.full((len(link.pairs), 2), -1)
        point[:, eye] = link.pairs.b
        return Proposals(track[usable], point[usable], link.pairs.similarity[usable])

    def _continue_tracks(self, views: tuple[View, View], track: Ints, point: Ints) -> list[_Sights]:
        """Measure known tracks in a searched frame; reference patches that have aged are renewed."""
        lead = self.leads[-1]

        def measured(eye: int) -> tuple[Ints, Ints, Alignment]:
            rows = np.flatnonzero(point[:, eye] >= 0)
            pixel = lead.features[eye].pixel[point[rows, eye]]
            shape, expected = self._carried(track[rows], eye, pixel)
            alignment = align(self.table.patches(track[rows]), views[eye].smooth, pixel, shape)
            off = np.linalg.norm(alignment.pixel - self.table.pixel[track[rows]], axis=1)
            still = (off < _STILL_PX) & (expected > _SHOULD_MOVE_PX)
            self.still += int(np.count_nonzero(still & alignment.good))
            keep = alignment.good & ~still
            return track[rows[keep]], point[rows[keep], eye], _take(alignment, keep)

        found = self._epipolar_checked(self.workers.map(measured, _EYES))
        sights = []
        for eye, (tracks, points, alignment) in enumerate(found):
            lead.track_of_point[eye][points] = tracks
            self._observe(tracks, eye, alignment.pixel, alignment.sigma_px)
            sights.append(_Sights(tracks, alignment.pixel, alignment.shape))
        return self._renewed(views, sights, [alignment.correlation for _, _, alignment in found])

    def _carried(self, track: Ints, eye: int, pixel: Array) -> tuple[Array, Array]:
        """Predicted shapes (n, 2, 2), and how far (n,), px, a far thing would move in this eye.

        The latter is 0 where the reference was cut in the other eye, or the rotation is unknown.
        """
        lead = self.leads[-1]
        shape = np.tile(np.eye(2), (len(track), 1, 1))
        expected = np.zeros(len(track))
        for view in np.unique(self.table.view[track]):
            rows = np.flatnonzero(self.table.view[track] == view)
            source, source_eye = self.leads[view // 2], int(view % 2)
            if source.root != lead.root:
                continue
            R = lead.R_world[eye] @ source.R_world[source_eye].T
            start = self.table.pixel[track[rows]]
            shape[rows] = predicted_shape(self.lenses[source_eye], self.lenses[eye], R, start)
            if source_eye == eye:
                moved = self.lenses[eye].project(self.lenses[eye].unproject(start) @ R.T) - start
                expected[rows] = np.nan_to_num(np.linalg.norm(moved, axis=1))
        return shape, expected

    def _renewed(
        self, views: tuple[View, View], sights: list[_Sights], correlation: list[Array]
    ) -> list[_Sights]:
        """Cut new patches for tracks whose look has changed; the place they mark stays the same."""
        lead = len(self.leads) - 1
        done = np.zeros(0, dtype=np.int64)
        for eye in _EYES:
            s = sights[eye]
            stretch = np.linalg.svd(s.shape, compute_uv=False) if len(s.track) else np.zeros((0, 2))
            aged = (correlation[eye] < _RENEW_BELOW) | (stretch[:, 0] > _RENEW_STRETCH)
            aged |= stretch[:, 1] < 1 / _RENEW_STRETCH
            aged &= ~np.isin(s.track, done)
            rows = np.flatnonzero(aged)
            if not len(rows):
                continue
            done = np.concatenate([done, s.track[rows]])
            patches = cut_patches(views[eye].smooth, s.pixel[rows])
            self.table.renew(s.track[rows], patches, 2 * lead + eye, s.pixel[rows])
            undo = np.linalg.inv(s.shape[rows])
            other = sights[1 - eye]
            _, here, there = np.intersect1d(s.track[rows], other.track, return_indices=True)
            other.shape[there] = other.shape[there] @ undo[here]
            s.shape[rows] = np.eye(2)
        return sights

    def _begin_tracks(self, views: tuple[View, View], view_number: int, point: Ints) -> list[_Sights]:
        """New tracks of points that match eye to eye, cut in the left eye and measured in the right."""
        lead = self.leads[-1]
        both = point[(point >= 0).all(axis=1)]
        left = lead.features[LEFT].pixel[both[:, LEFT]]
        right = lead.features[RIGHT].pixel[both[:, RIGHT]]
        patches = cut_patches(views[LEFT].smooth, left)
        R = lead.R_world[RIGHT] @ lead.R_world[LEFT].T
        shape = predicted_shape(self.lenses[LEFT], self.lenses[RIGHT], R, left)
        alignment = align(patches, views[RIGHT].smooth, right, shape)
        good = np.flatnonzero(alignment.good)
        good = good[self._epipolar_inliers(left[good], alignment.pixel[good])]
        tracks = self.table.add(patches[good], view_number, left[good])
        lead.track_of_point[LEFT][both[good, LEFT]] = tracks
        lead.track_of_point[RIGHT][both[good, RIGHT]] = tracks
        self._observe(tracks, LEFT, left[good], np.full(len(good), np.nan))
        self._observe(tracks, RIGHT, alignment.pixel[good], alignment.sigma_px[good])
        return [
            _Sights(tracks, left[good], np.tile(np.eye(2), (len(good), 1, 1))),
            _Sights(tracks, alignment.pixel[good], alignment.shape[good]),
        ]

    def _keep_candidates(self, views: tuple[View, View], view_number: int) -> None:
        """Points that match nothing yet may still be met again in a later frame."""
        lead = self.leads[-1]
        for eye in _EYES:
            free = np.flatnonzero(lead.track_of_point[eye] < 0)
            pixel = lead.features[eye].pixel[free]
            tracks = self.table.add(cut_patches(views[eye].smooth, pixel), view_number + eye, pixel)
            lead.track_of_point[eye][free] = tracks
            self._observe(tracks, eye, pixel, np.full(len(free), np.nan))

    def _forget(self) -> None:
        """Patches are kept of recent leads, and of older points that proved themselves."""
        recent = [t for lead in self.leads[-_RECENT:] for t in lead.track_of_point]
        proven = [self.table.proven() if len(self.leads) > _RECENT else np.zeros(0, np.int64)]
        self.table.forget_patches(np.unique(np.concatenate([*recent, *proven])))

    # ---- followed frames

    def _thinned(self, left: _Sights, right: _Sights) -> tuple[_Sights, _Sights]:
        """The sights worth following: spread over the sphere, those of both eyes first."""
        track = np.union1d(left.track, right.track)
        eyes = np.isin(track, left.track).astype(np.float64) + np.isin(track, right.track)
        bearing = np.zeros((len(track), 3))
        for eye, sights in ((RIGHT, right), (LEFT, left)):
            bearing[np.searchsorted(track, sights.track)] = self.lenses[eye].unproject(sights.pixel)
        chosen = track[spread_over_sphere(bearing, eyes, _MOST_FOLLOWED)]
        return _only(left, chosen), _only(right, chosen)

    def _followed(self, views: tuple[View, View]) -> bool:
        """Carry the last frame's sights into this one. False, and nothing noted, if most are lost."""
        last, sights = self._last, self._sights
        if last is None or sights is None or not len(sights[LEFT].track):
            return False

        def measured(eye: int) -> tuple[Ints, Ints, Alignment]:
            s = sights[eye]
            pixel, kept = follow(last[eye], views[eye].detection, s.pixel)
            rows = np.flatnonzero(kept & self.lenses[eye].inside(pixel))
            alignment = align(
                self.table.patches(s.track[rows]), views[eye].smooth, pixel[rows], s.shape[rows]
            )
            keep = np.flatnonzero(alignment.good)
            return s.track[rows[keep]], rows[keep], _take(alignment, keep)

        found = self.workers.map(measured, _EYES)
        tried = sum(len(s.track) for s in sights)
        if sum(len(tracks) for tracks, _, _ in found) < _FOLLOWED_SHARE * tried:
            return False
        found = self._epipolar_checked(found)
        for eye, (tracks, _, alignment) in enumerate(found):
            self._observe(tracks, eye, alignment.pixel, alignment.sigma_px)
        self._sights = tuple(_Sights(t, a.pixel, a.shape) for t, _, a in found)  # type: ignore[assignment]
        return True

    # ---- shared

    def _observe(self, tracks: Ints, eye: int, pixel: Array, sigma_px: Array) -> None:
        self.table.observe(tracks, self.frames, eye, pixel, sigma_px)
        self.observations += int(np.count_nonzero(np.isfinite(sigma_px)))

    def _epipolar_inliers(self, left: Array, right: Array) -> Ints:
        """Rows of pixels (n, 2) that keep to one loose epipolar geometry."""
        if len(left) < FEWEST_CONSISTENT:
            return np.arange(len(left))
        a, b = self.lenses[LEFT].unproject(left), self.lenses[RIGHT].unproject(right)
        fit = fit_epipolar(a, b, self.R_eyes)
        focal = self.lenses[LEFT].focal_px
        limit = max(_EPIPOLAR_SPREADS * fit.spread, _EPIPOLAR_LEAST_PX / focal)
        return np.flatnonzero(np.abs(fit.miss(a, b)) < limit)

    def _epipolar_checked(
        self, found: list[tuple[Ints, Ints, Alignment]]
    ) -> list[tuple[Ints, Ints, Alignment]]:
        """Drop both sights of tracks whose two eyes disagree in this frame."""
        _, left, right = np.intersect1d(found[LEFT][0], found[RIGHT][0], return_indices=True)
        inliers = self._epipolar_inliers(found[LEFT][2].pixel[left], found[RIGHT][2].pixel[right])
        out = []
        for (tracks, rows, alignment), paired in zip(found, (left, right), strict=True):
            keep = np.ones(len(tracks), dtype=bool)
            keep[np.delete(paired, inliers)] = False
            out.append((tracks[keep], rows[keep], _take(alignment, keep)))
        return out

    def _refuse_if_hopeless(
        self, views: tuple[View, View] | None, features: tuple[Features, Features] | None, *, at_least: int
    ) -> None:
        if views is not None and features is not None:
            self._evidence = (views, features)
        if len(self.leads) < at_least:
            return
        if all(self.coincident):
            raise MatchError(diagnosis.SAME_PICTURE)
        enough = max(self.eye_pairs) >= diagnosis.FEWEST_EYE_PAIRS
        if not enough:
            raise MatchError(diagnosis.why_few_matches(*self._evidence, self.rng, self.device))
        message = diagnosis.upside_down(self.R_eyes)
        if message:
            raise MatchError(message)


def _eye_proposals(link: Link) -> Proposals:
    point = np.column_stack([link.pairs.a, link.pairs.b])
    return Proposals(np.full(len(point), -1), point, link.pairs.similarity)


def _take(alignment: Alignment, keep: NDArray[np.bool_] | Ints) -> Alignment:
    return Alignment(
        alignment.pixel[keep],
        alignment.shape[keep],
        alignment.sigma_px[keep],
        alignment.correlation[keep],
        alignment.good[keep],
    )


def _only(sights: _Sights, tracks: Ints) -> _Sights:
    keep = np.isin(sights.track, tracks)
    return _Sights(sights.track[keep], sights.pixel[keep], sights.shape[keep])


def _joined(a: _Sights, b: _Sights) -> _Sights:
    return _Sights(
        np.concatenate([a.track, b.track]),
        np.concatenate([a.pixel, b.pixel]),
        np.concatenate([a.shape, b.shape]),
    )
