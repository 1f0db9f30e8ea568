"""Which frames to read: plain arithmetic on frame numbers, no pictures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

#: A burst of a clip that is used whole is never longer than this, unless longer ones are asked for: a check
#: searches only the first frame of each.
LONGEST_BURST = 6
_CANDIDATES_PER_SEGMENT = 2


@dataclass(frozen=True)
class Segment:
    """A stretch of a clip from which one burst is taken. candidates: frame numbers it may start at."""

    candidates: tuple[int, ...]


def whole_clip(frame_count: int, key_frames: Sequence[int], burst: int) -> list[tuple[int, ...]]:
    """Every frame of a short clip, in bursts that start at key frames where these allow it."""
    starts = sorted({0, *(key for key in key_frames if 0 < key < frame_count)})
    longest = max(burst, LONGEST_BURST)
    bursts = []
    if len(starts) == frame_count:  # every frame is a key frame: they lead nowhere in particular
        starts = [0]
    for start, end in pairwise([*starts, frame_count]):
        pieces = -(-(end - start) // longest)
        edges = np.linspace(start, end, pieces + 1).round().astype(int).tolist()
        bursts += [tuple(range(first, last)) for first, last in pairwise(edges)]
    return bursts


def segments(
    frame_count: int, key_frames: Sequence[int], bursts: int, burst: int, reach: int
) -> list[Segment]:
    """Stretches of equal length with the places in each at which a burst may start.

    Key frames where a stretch holds any: they decode alone. Elsewhere one place in its middle, which costs
    decoding from the key frame before: of long groups of pictures only the first `reach` frames are used.
    """
    spans = [(key, min(after, key + reach)) for key, after in pairwise([*key_frames, frame_count])]
    reachable = np.concatenate([np.arange(start, end) for start, end in spans])
    is_key = np.isin(reachable, np.asarray(key_frames))
    found = []
    for places in np.array_split(np.arange(len(reachable)), bursts):
        if not len(places):
            continue
        keys = reachable[places][is_key[places]]
        for end in (reachable[places[-1]] + 1, frame_count):
            roomy = keys[keys + burst <= end]
            if len(roomy):  # a whole burst before the next stretch, or at least before the end
                keys = roomy
                break
        if len(keys):
            found.append(Segment(tuple(_spread(keys.tolist(), _CANDIDATES_PER_SEGMENT))))
        else:
            middle = places[max(0, (len(places) - burst) // 2)]
            found.append(Segment((int(reachable[middle]),)))
    return found


def is_out_of_reach(frame_count: int, key_frames: Sequence[int], plan: Sequence[Segment], reach: int) -> bool:
    """Whether the plan had to leave frames alone because key frames are too rare."""
    keys = set(key_frames)
    decodes_forward = any(index not in keys for segment in plan for index in segment.candidates)
    longest = max(after - key for key, after in pairwise([*key_frames, frame_count]))
    return decodes_forward and longest > reach


def bursts_at(starts: Sequence[int], frame_count: int, burst: int) -> list[tuple[int, ...]]:
    """Bursts from these rising frame numbers, cut short where the next one begins or the clip ends."""
    return [
        tuple(range(start, min(start + burst, after)))
        for start, after in pairwise([*starts, frame_count])
        if start < after
    ]


def burst_plan(n_frames: int, burst: int, key_frames: int) -> tuple[int, int]:
    """How many bursts to take and how long: about `n_frames` in all, of `burst` each.

    Where key frames are a little too few for that, fewer and longer bursts, so that each still starts at one.
    """
    burst = min(burst, n_frames)
    count = max(1, round(n_frames / burst))
    if count / 2 <= key_frames < count:
        count = key_frames
        burst = round(n_frames / count)
    return count, burst


def share_out(frame_counts: Sequence[int], n_frames: int) -> list[int]:
    """How many frames each clip gives: in proportion to its length, at least one, never more than it has."""
    total = sum(frame_counts)
    return [min(count, max(1, round(n_frames * count / total))) for count in frame_counts]


def _spread(items: list[int], count: int) -> list[int]:
    if len(items) <= count:
        return items
    places = np.floor((np.arange(count) + 0.5) * len(items) / count).astype(int)
    return [items[place] for place in places]
