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
from autocal.footage.glimpse import Glimpse, glimpse, sharpness
from autocal.footage.halves import StereoReel
from autocal.footage.image_circle import FoundCircle, image_circles
from autocal.footage.survey import FrameChoice, Progress, StereoFrame, Survey

# Decoding towards frames far behind their key frame stops after this many px: half a minute on two cores.
_FORWARD_BUDGET_PX = 8e9
# As many frames of a clip show where its image circles lie, and one does if it shows so much of both rims.
_ENOUGH_LOOKS, _ENOUGH_RIM = 4, 0.9
# A frame this sharp, as a share of the sharpest seen in its clip, needs no second opinion.
_SHARP_ENOUGH = 0.6


def take_survey(
    clips: Sequence[StereoReel], n_frames: int, burst: int, progress: Progress | None
) -> tuple[Survey, list[str]]:
    """Choose frames, and what a person should be told about the choice. FootageError where none will do."""
    shares = share_out([clip.frame_count for clip in clips], n_frames)
    notes: list[str] = []
    tally = _Tally()
    chosen: list[FrameChoice] = []
    for number, (clip, share) in enumerate(zip(clips, shares, strict=True)):
        if clip.frame_count <= share:
            _look_over(clip, burst, tally)
            bursts = whole_clip(clip.frame_count, clip.key_frames, burst)
            if progress:
                progress("choosing frames", number + 1, len(clips))
        else:
            plan = _places_to_look(clip, share, burst, notes)
            starts = set()
            for place, start in enumerate(_best_of_each(clip, plan, tally)):
                if start is not None:
                    starts.add(start)
                if progress:
                    done = number * len(plan) + place + 1
                    progress("choosing frames", done, len(clips) * len(plan))
            _, length = burst_plan(share, burst, len(clip.key_frames))
            bursts = bursts_at(sorted(starts), clip.frame_count, length)
        chosen += [FrameChoice(number, indices) for indices in bursts]
    tally.refuse_unusable(", ".join(clip.name for clip in clips))
    survey = Survey(
        tuple(chosen),
        clips[0].half_size,
        tuple(tally.probed),
        tally.brightest(),
        tally.typical(),
        tally.circles,
    )
    return survey, notes


def _look_over(clip: StereoReel, burst: int, tally: _Tally) -> None:
    """Look at a clip that is used whole, until enough frames have shown a scene in two eyes: one, if it shows
    the image circles clearly.

    Key frames first, which decode alone, some from all over the clip before the others; then, where they show
    too little, the first frames of its bursts.
    """
    keys = clip.key_frames
    step = -(-len(keys) // _ENOUGH_LOOKS)
    order = [index for first in range(step) for index in keys[first::step]]
    order += [b[0] for b in whole_clip(clip.frame_count, keys, burst) if b[0] not in keys]
    enough = min(_ENOUGH_LOOKS, len(keys))
    good = 0
    for index in order:
        frame = _look(clip, index)
        if frame is None:
            continue
        seen = glimpse(frame)
        tally.add(seen)
        good += not any(seen.blank) and not seen.same_picture
        if good == enough or (good == 1 and tally.shows_circles(clip.half_size)):
            return


def _places_to_look(clip: StereoReel, share: int, burst: int, notes: list[str]) -> list[tuple[int, ...]]:
    """For each burst to come, the frames it may start at."""
    count, length = burst_plan(share, burst, len(clip.key_frames))
    width, height = clip.half_size
    budget = int(_FORWARD_BUDGET_PX / (2 * width * height))
    reach = max(length, budget // min(count, len(clip.key_frames)))
    plan = segments(clip.frame_count, clip.key_frames, count, length, reach)
    if is_out_of_reach(clip.frame_count, clip.key_frames, plan, reach):
        notes.append(f"{clip.name}: key frames are rare; only the first {reach} frames after each are used")
    return [segment.candidates for segment in plan]


def _best_of_each(clip: StereoReel, plan: Sequence[Sequence[int]], tally: _Tally) -> Iterator[int | None]:
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
            best, most = _worth(looks.result(), tally)
            for index in candidates[1:]:
                if sharpest and most >= _SHARP_ENOUGH * sharpest:
                    break
                other, worth = _worth(look(index).result(), tally)
                if worth > most:
                    best, most = other, worth
            sharpest = max(sharpest, most)
            yield best


def _worth(frame: StereoFrame | None, tally: _Tally) -> tuple[int | None, float]:
    """A frame looked at and tallied: its number, and what it is worth to the matcher: its worse half decides.
    None, and nothing, where it shows nothing."""
    if frame is None:
        return None, 0.0
    seen = glimpse(frame)
    tally.add(seen)
    if any(seen.blank):
        return None, 0.0
    return frame.index, min(map(sharpness, frame.reduced))


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
        self.circles: tuple[FoundCircle, FoundCircle] | None = None

    def add(self, seen: Glimpse) -> None:
        """Take one more frame in."""
        self.probed.append((seen.clip, seen.index))
        self._blanks.append(seen.blank)
        self._same.append(seen.same_picture)
        self.circles = None
        small = np.stack(seen.small)
        if self._brightest is None or self._sum is None:
            self._brightest, self._sum = small, small.astype(np.float64)
        else:
            self._brightest = np.maximum(self._brightest, small)
            self._sum += small

    def shows_circles(self, half_size: tuple[int, int]) -> bool:
        """Whether the frames show both image circles clearly; then they are kept, until the next is added."""
        found = image_circles(self.brightest(), self.typical(), half_size)
        clear = all(circle.found and circle.rim >= _ENOUGH_RIM for circle in found)
        self.circles = found if clear else None
        return clear

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
