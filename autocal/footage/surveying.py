"""Looking over clips: which bursts to read, and what the frames looked at show.

Imported late, with OpenCV behind it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray

from autocal.errors import FootageError
from autocal.footage.choosing import burst_plan, bursts_at, is_out_of_reach, segments, share_out, whole_clip
from autocal.footage.glimpse import Glimpse, glimpse
from autocal.footage.halves import StereoReel
from autocal.footage.survey import FrameChoice, Progress, StereoFrame, Survey

# Decoding towards frames far behind their key frame stops after this many px: half a minute on two cores.
_FORWARD_BUDGET_PX = 8e9
# Of a clip used whole, key frames, which decode alone, show enough if there are as many.
_ENOUGH_LOOKS = 4
# A frame this sharp, as a share of the sharpest seen in its clip, needs no second opinion.
_SHARP_ENOUGH = 0.6


def take_survey(
    clips: Sequence[StereoReel], n_frames: int, burst: int, progress: Progress | None
) -> tuple[Survey, list[str]]:
    """Choose frames, and what a person should be told about the choice. FootageError where none will do."""
    shares = share_out([clip.frame_count for clip in clips], n_frames)
    notes: list[str] = []
    plans = [_places_to_look(clip, share, burst, notes) for clip, share in zip(clips, shares, strict=True)]
    steps = sum(len(plan) for plan in plans)
    done = 0
    tally = _Tally()
    chosen: list[FrameChoice] = []
    for number, (clip, share, plan) in enumerate(zip(clips, shares, plans, strict=True)):
        starts: list[int] = []
        for best in _best_of_each(clip, plan, tally):
            if best is not None:
                starts.append(best.index)
            done += 1
            if progress:
                progress("choosing frames", done, steps)
        if clip.frame_count <= share:
            bursts = whole_clip(clip.frame_count, clip.key_frames, burst)
        else:
            _, length = burst_plan(share, burst, len(clip.key_frames))
            bursts = bursts_at(sorted(set(starts)), clip.frame_count, length)
        chosen += [FrameChoice(number, indices) for indices in bursts]
    tally.refuse_unusable(", ".join(clip.name for clip in clips))
    survey = Survey(
        tuple(chosen), clips[0].half_size, tuple(tally.probed), tally.brightest(), tally.typical()
    )
    return survey, notes


def _places_to_look(clip: StereoReel, share: int, burst: int, notes: list[str]) -> list[tuple[int, ...]]:
    """For each burst to come, the frames it may start at."""
    if clip.frame_count <= share:
        if len(clip.key_frames) >= min(_ENOUGH_LOOKS, clip.frame_count):
            return [(index,) for index in clip.key_frames]
        return [(indices[0],) for indices in whole_clip(clip.frame_count, clip.key_frames, burst)]
    count, length = burst_plan(share, burst, len(clip.key_frames))
    width, height = clip.half_size
    budget = int(_FORWARD_BUDGET_PX / (2 * width * height))
    reach = max(length, budget // min(count, len(clip.key_frames)))
    plan = segments(clip.frame_count, clip.key_frames, count, length, reach)
    if is_out_of_reach(clip.frame_count, clip.key_frames, plan, reach):
        notes.append(f"{clip.name}: key frames are rare; only the first {reach} frames after each are used")
    return [segment.candidates for segment in plan]


def _best_of_each(clip: StereoReel, plan: Sequence[Sequence[int]], tally: _Tally) -> Iterator[Glimpse | None]:
    """The best candidate of every place that shows anything; the others are looked at only where it pays.

    A thread decodes the next place's first candidate while this place's is judged.
    """
    sharpest = 0.0
    with ThreadPoolExecutor(1) as decoder:

        def look(index: int) -> Future[StereoFrame | None]:
            return decoder.submit(_look, clip, index)

        coming = None
        for place, candidates in enumerate(plan):
            looks = coming or look(candidates[0])
            # Other than key frames are decoded on from where the clip is: not out of turn.
            following = [places[0] for places in plan[place + 1 : place + 2] if places[0] in clip.key_frames]
            coming = look(following[0]) if following else None
            best = _glimpsed(looks.result(), tally)
            for index in candidates[1:]:
                if best is not None and sharpest and best.score >= _SHARP_ENOUGH * sharpest:
                    break
                other = _glimpsed(look(index).result(), tally)
                if best is None or (other is not None and other.score > best.score):
                    best = other
            sharpest = max(sharpest, best.score if best else 0.0)
            yield best


def _glimpsed(frame: StereoFrame | None, tally: _Tally) -> Glimpse | None:
    """A frame looked at and tallied; None where it shows nothing."""
    if frame is None:
        return None
    seen = glimpse(frame)
    tally.add(seen)
    return seen if seen.score >= 0 else None


def _look(clip: StereoReel, index: int) -> StereoFrame | None:
    if index in clip.key_frames:
        return clip.glance(index)
    return next(iter(clip.read([index])), None)


class _Tally:
    """What all frames looked at have in common, in constant memory."""

    def __init__(self) -> None:
        self.probed: list[tuple[int, int]] = []
        self._blanks: list[tuple[str, str]] = []
        self._same: list[bool] = []
        self._brightest: NDArray[np.float32] | None = None
        self._sum: NDArray[np.float64] | None = None

    def add(self, seen: Glimpse) -> None:
        """Take one more frame in."""
        self.probed.append((seen.clip, seen.index))
        self._blanks.append(seen.blank)
        self._same.append(seen.same_picture)
        small = np.stack(seen.small)
        if self._brightest is None or self._sum is None:
            self._brightest, self._sum = small, small.astype(np.float64)
        else:
            self._brightest = np.maximum(self._brightest, small)
            self._sum += small

    def brightest(self) -> NDArray[np.float32]:
        """(2, h, w): maximum over the frames."""
        assert self._brightest is not None
        return self._brightest

    def typical(self) -> NDArray[np.float32]:
        """(2, h, w): mean over the frames."""
        assert self._sum is not None
        return (self._sum / len(self.probed)).astype(np.float32)

    def refuse_unusable(self, names: str) -> None:
        """FootageError where no frame could be matched, whatever the matcher does."""
        if not self.probed:
            raise FootageError(f"{names}: none of the frames looked at can be decoded; export the clip anew")
        for half, side in enumerate(("left", "right")):
            looks = [blank[half] for blank in self._blanks]
            if all(looks):
                both = all(all(blank) for blank in self._blanks)
                where = "every frame" if both else f"the {side} half of every frame"
                look = max(sorted(set(looks)), key=looks.count)
                raise FootageError(
                    f"{names}: {where} looked at is {look}; use a clip that shows a lit, textured scene in "
                    "both eyes (are the lens caps off?)"
                )
        usable = [same for same, blank in zip(self._same, self._blanks, strict=True) if not any(blank)]
        if usable and all(usable):
            raise FootageError(
                f"{names}: both halves show the same picture, so there is no stereo in it; give the "
                "recording with one lens in each half, not a flat film doubled"
            )
