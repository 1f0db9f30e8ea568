"""What is remembered of searched frames, and which of them a new one is compared with."""

from __future__ import annotations

from concurrent.futures import Executor
from dataclasses import dataclass

import numpy as np

from autocal.geometry import Lens
from autocal.geometry.lens import Array
from autocal.matches import LEFT, RIGHT, Ints
from autocal.matching.features import Features
from autocal.matching.guided import FEWEST_CONSISTENT, Link, link_frames
from autocal.matching.pairs import mutual_pairs
from autocal.matching.tracks import Proposals, TrackTable
from autocal.matching.views import predicted_warp

#: Earlier leads that are always compared.
RECENT = 2
#: Further ones, where a glance shows that they see the same place: usually, and where the last leads do not.
_REVISITED, _REVISITED_WHEN_LOST = 1, 3
_LOST = 200  # matches with the last leads
_GLANCE_POINTS, _GLANCE_MATCHES = 800, 16
_REMEMBERED = 60


@dataclass(frozen=True, eq=False)
class Lead:
    """A searched frame. track_of_point: per eye, (n,), -1 for none, filled in as tracks are found.

    R_world: per eye, (3, 3), world to camera, coarse. root: the number of the lead that world began with.
    """

    features: tuple[Features, Features]
    track_of_point: tuple[Ints, Ints]
    R_world: tuple[Array, Array]
    root: int

    @staticmethod
    def met(features: tuple[Features, Features], R_world: tuple[Array, Array], root: int) -> Lead:
        """One of which no point has a track yet."""
        left, right = (np.full(len(points), -1) for points in features)
        return Lead(features, (left, right), R_world, root)


@dataclass(frozen=True, eq=False)
class EarlierLink:
    """A verified match of one eye with an earlier lead."""

    lead: int
    eye: int
    link: Link


def earlier_links(
    leads: list[Lead],
    features: tuple[Features, Features],
    rng: np.random.Generator,
    device: str,
    workers: Executor,
) -> list[EarlierLink]:
    """Match a new frame with the last leads, and with older ones that look alike."""
    known = len(leads)

    def linked(item: tuple[int, int, np.random.Generator]) -> EarlierLink:
        lead, eye, own_rng = item
        return EarlierLink(lead, eye, link_frames(leads[lead].features[eye], features[eye], own_rng, device))

    def linked_with(earlier: list[int]) -> list[EarlierLink]:
        # A generator each, so that threads do not race for random numbers.
        wanted = [
            (lead, eye, np.random.default_rng(rng.integers(2**63)))
            for lead in earlier
            for eye in (LEFT, RIGHT)
        ]
        links = workers.map(linked, wanted)
        return [item for item in links if len(item.link.pairs) >= FEWEST_CONSISTENT]

    links = linked_with(list(range(max(0, known - RECENT), known)))
    lost = max((len(item.link.pairs) for item in links), default=0) < _LOST
    older = [
        (_glance(leads[lead], features, device), lead)
        for lead in range(max(0, known - _REMEMBERED), known - RECENT)
    ]
    most = _REVISITED_WHEN_LOST if lost else _REVISITED
    seen_before = [lead for seen, lead in sorted(older, reverse=True)[:most] if seen >= _GLANCE_MATCHES]
    return links + linked_with(seen_before)


def place_in_world(
    leads: list[Lead], links: list[EarlierLink], R_eyes: Array
) -> tuple[tuple[Array, Array], int]:
    """World-to-camera rotations of both eyes, and their root, by the best link; a new world without one.

    R_eyes: (3, 3), left camera to right camera, coarse.
    """
    if not links:
        return (np.eye(3), R_eyes), len(leads)
    best = max(links, key=lambda item: len(item.link.pairs))
    R = best.link.R @ leads[best.lead].R_world[best.eye]
    pair = (R, R_eyes @ R) if best.eye == LEFT else (R_eyes.T @ R, R)
    return pair, leads[best.lead].root


def eye_proposals(link: Link) -> Proposals:
    """The matches between the eyes of one frame, no track known yet."""
    point = np.column_stack([link.pairs.a, link.pairs.b])
    return Proposals(np.full(len(point), -1), point, link.pairs.similarity)


def proposals(leads: list[Lead], item: EarlierLink, table: TrackTable) -> Proposals:
    """The tracks that a link would continue in the new frame."""
    pairs = item.link.pairs
    track = leads[item.lead].track_of_point[item.eye][pairs.a]
    usable = (track >= 0) & table.has_patch(track)
    point = np.full((len(pairs), 2), -1)
    point[:, item.eye] = pairs.b
    return Proposals(track[usable], point[usable], pairs.similarity[usable])


def _glance(lead: Lead, features: tuple[Features, Features], device: str) -> int:
    """How many of the strongest points of both left eyes match."""
    a, b = (f[LEFT].strongest(_GLANCE_POINTS) for f in (lead.features, features))
    return len(mutual_pairs(a, b, device))


def carried_to_last(
    leads: list[Lead], table: TrackTable, lenses: tuple[Lens, Lens], track: Ints, eye: int
) -> tuple[Array, Array, Array]:
    """Predicted shapes and bends of tracks' patches in an eye of the last lead, and how far (n,), px, a far
    thing would move in this eye.

    The latter is 0 where the reference was cut in the other eye, or the rotation is unknown.
    """
    lead = leads[-1]
    shape, bend = np.tile(np.eye(2), (len(track), 1, 1)), np.zeros((len(track), 2))
    expected = np.zeros(len(track))
    for view in np.unique(table.view[track]):
        rows = np.flatnonzero(table.view[track] == view)
        source, source_eye = leads[view // 2], int(view % 2)
        if source.root != lead.root:
            continue
        R = lead.R_world[eye] @ source.R_world[source_eye].T
        start = table.pixel[track[rows]]
        shape[rows], bend[rows] = predicted_warp(lenses[source_eye], lenses[eye], R, start)
        if source_eye == eye:
            moved = lenses[eye].project(lenses[eye].unproject(start) @ R.T) - start
            expected[rows] = np.nan_to_num(np.linalg.norm(moved, axis=1))
    return shape, bend, expected
