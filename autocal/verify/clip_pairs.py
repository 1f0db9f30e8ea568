"""Fresh matches between the eyes of a clip, for judging calibrations that exist already."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from autocal.calibration import Calibration
from autocal.exchange.any_file import carried_over
from autocal.footage.source import Footage
from autocal.footage.survey import StereoFrame
from autocal.matches import EyePairs


@dataclass(frozen=True)
class Moment:
    """Where a matched frame comes from: clip, frame number and time (s) in it, and number of the burst."""

    clip: int
    index: int
    time_s: float
    burst: int


@dataclass(frozen=True, eq=False)
class ClipPairs:
    """Matches between the eyes, left eye first, px in halves of `half_size`; notes for a person.

    moments: where each frame of the pairs comes from.
    """

    pairs: EyePairs
    half_size: tuple[int, int]
    notes: tuple[str, ...]
    moments: tuple[Moment, ...] = ()


def clip_pairs(
    clips: Sequence[Path],
    calibration: Calibration,
    rng: np.random.Generator,
    *,
    frames: int,
    left: Path | None = None,
    right: Path | None = None,
) -> ClipPairs:
    """Match the eyes of clips, or of a left and a right file. The calibration's lenses only guide the search,
    and it says which half is left.

    Raises FootageError, MatchError, and CalibrationFileError where the clip has another aspect.
    """
    from autocal.footage import open_footage

    with open_footage(list(clips), left=left, right=right) as footage:
        return footage_pairs(footage, calibration, rng, frames=frames)


def footage_pairs(
    footage: Footage, calibration: Calibration, rng: np.random.Generator, *, frames: int
) -> ClipPairs:
    """Match the eyes of open footage; see `clip_pairs`."""
    from autocal.footage import find_image_circles
    from autocal.matching import match_bursts

    moments: list[Moment] = []
    rig = carried_over(calibration, footage.half_size).rig
    survey = footage.choose(frames, burst=1)
    bursts = footage.bursts(survey)  # already: the first are decoded meanwhile
    first, second = find_image_circles(survey)
    lenses = (rig.right, rig.left) if calibration.swapped else (rig.left, rig.right)
    matched = match_bursts(
        _noted(bursts, moments), (first.circle, second.circle), lenses, rng=rng, over_time=False
    )
    notes = (*footage.notes, *matched.notes)
    half_size = footage.half_size
    pairs = matched.matches.eye_pairs()
    if calibration.swapped:
        pairs = replace(
            pairs,
            left=pairs.right,
            right=pairs.left,
            pixel_left=pairs.pixel_right,
            pixel_right=pairs.pixel_left,
        )
    return ClipPairs(pairs, half_size, notes, tuple(moments))


def _noted(bursts: Iterable[Iterable[StereoFrame]], moments: list[Moment]) -> Iterator[Iterator[StereoFrame]]:
    """The bursts as they come; the origin of a frame that is taken is appended to `moments`."""

    def taken(number: int, burst: Iterable[StereoFrame]) -> Iterator[StereoFrame]:
        for frame in burst:
            moments.append(Moment(frame.clip, frame.index, frame.time_s, number))
            yield frame

    for number, burst in enumerate(bursts):
        yield taken(number, burst)
