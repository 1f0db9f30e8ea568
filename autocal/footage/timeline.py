"""When the frames of a video are shown and which of them are key frames, learnt without decoding any."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

from autocal.errors import FootageError

# Frame intervals that differ by more than this share of their median are a variable frame rate, not rounding.
_UNEVEN_SHARE = 0.1
# Sound may run on a little after the last frame.
_TOLERATED_GAP_S = 0.3


@dataclass(frozen=True, eq=False)
class Timeline:
    """Display order of a video.

    stamps: (n,) times of display in units of `time_base` s, rising. key_frames: frame numbers, rising.
    key_stamps: for each key frame (what its packet is known by, what to seek by).
    by_decoding_time: packets are known by the time of decoding, not of display.
    """

    stamps: NDArray[np.int64]
    time_base: Fraction
    key_frames: tuple[int, ...]
    key_stamps: tuple[tuple[int, int], ...]
    by_decoding_time: bool
    frame_rate: float | None
    _places: dict[int, int] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_places", {key: place for place, key in enumerate(self.key_frames)})

    @property
    def frame_count(self) -> int:
        """How many frames there are."""
        return len(self.stamps)

    def key_at(self, index: int) -> int:
        """The last key frame at or before frame `index`."""
        return self.key_frames[max(bisect_right(self.key_frames, index) - 1, 0)]

    def index_of(self, stamp: int) -> int:
        """Number of the frame shown at `stamp`, or the nearest one."""
        after = bisect_left(self.stamps, stamp)
        if after == 0:
            return 0
        if after == len(self.stamps):
            return after - 1
        return after - int(stamp - self.stamps[after - 1] < self.stamps[after] - stamp)

    def time_of(self, index: int) -> float:
        """Time of frame `index` after the first, s."""
        return float((self.stamps[index] - self.stamps[0]) * self.time_base)

    def seek_stamp(self, key: int) -> int:
        """What to give to a seek that must end at or before key frame `key`."""
        return self.key_stamps[self._places[key]][1]

    def behind_key(self, key: int, packet: Any) -> int:
        """How far behind key frame `key` a packet of a key frame is; -1 for packets to pass over."""
        stamp = packet.dts if self.by_decoding_time or packet.pts is None else packet.pts
        if not packet.is_keyframe or stamp is None:
            return -1
        return max(-1, stamp - self.key_stamps[self._places[key]][0])


def read_timeline(path: Path, container: Any, stream: Any) -> tuple[Timeline, list[str]]:
    """The timeline of an open video and what a person should know of it. FootageError where it is empty."""
    notes: list[str] = []
    timeline = _from_index(path, stream, notes) or _from_packets(path, container, stream, notes)
    return timeline, notes


def _from_index(path: Path, stream: Any, notes: list[str]) -> Timeline | None:
    """From the container's own index, where it is complete and the frames come evenly: reads nothing more."""
    entries = list(stream.index_entries) if "mp4" in stream.container.format.name.split(",") else []
    entries = [entry for entry in entries if not entry.is_discard]
    if len(entries) < 2 or len(entries) != stream.frames or stream.start_time is None:
        return None
    end = path.stat().st_size
    kept = 0
    while kept < len(entries) and entries[kept].pos + entries[kept].size <= end:
        kept += 1
    decoding = np.array([entry.timestamp for entry in entries], dtype=np.int64)
    if not _is_even(decoding):
        return None
    if kept < len(entries):
        notes.append(_truncation(path, kept, len(entries)))
        entries, decoding = entries[:kept], decoding[:kept]
    keys = tuple(place for place, entry in enumerate(entries) if entry.is_keyframe)
    if not keys:
        raise FootageError(_empty(path))
    stamps = decoding - decoding[0] + stream.start_time
    found = tuple((int(decoding[key]), int(decoding[key])) for key in keys)
    return Timeline(stamps, stream.time_base, keys, found, True, _rate(stamps, stream.time_base))


def _from_packets(path: Path, container: Any, stream: Any, notes: list[str]) -> Timeline:
    """From every packet of the file, read once and not decoded."""
    shown, decoded, is_key = [], [], []
    try:
        for packet in container.demux(stream):
            if packet.size and not packet.is_discard:
                shown.append(packet.pts)
                decoded.append(packet.dts)
                is_key.append(packet.is_keyframe)
    except av.FFmpegError:
        notes.append(f"{path}: the file is damaged or ends early; the first {len(shown)} frames are used")
    by_decoding_time = any(stamp is None for stamp in shown)
    raw = decoded if by_decoding_time else shown
    stamps_read = [stamp if stamp is not None else place for place, stamp in enumerate(raw)]
    if not any(is_key):
        raise FootageError(_empty(path))
    first_key = is_key.index(True)  # what comes before cannot be decoded
    of_packets = np.array(stamps_read[first_key:], dtype=np.int64)
    stamps = np.unique(of_packets)
    key_places = [place for place, key in enumerate(is_key[first_key:]) if key]
    key_shown = sorted((int(of_packets[place]), decoded[first_key + place]) for place in key_places)
    keys = tuple(int(np.searchsorted(stamps, stamp)) for stamp, _ in key_shown)
    in_index_order = "mp4" in stream.container.format.name.split(",")
    found = tuple((stamp, dts if in_index_order and dts is not None else stamp) for stamp, dts in key_shown)
    if stream.frames > len(stamps):
        notes.append(_truncation(path, len(stamps), stream.frames))
    elif container.duration:
        promised_s = container.duration / av.time_base
        there_s = float((stamps[-1] - stamps[0]) * stream.time_base)
        if promised_s - there_s > max(_TOLERATED_GAP_S, 2 * there_s / len(stamps)):
            notes.append(f"{path}: ends early: {there_s:.1f} of {promised_s:.1f} s are there; those are used")
    if len(stamps) > 2 and not _is_even(stamps):
        notes.append(f"{path}: variable frame rate; every frame keeps the time it was taken at")
    return Timeline(stamps, stream.time_base, keys, found, by_decoding_time, _rate(stamps, stream.time_base))


def _is_even(stamps: NDArray[np.int64]) -> bool:
    steps = np.diff(stamps)
    typical = float(np.median(steps))
    return bool(np.all(np.abs(steps - typical) <= max(1.0, _UNEVEN_SHARE * typical)))


def _rate(stamps: NDArray[np.int64], time_base: Fraction) -> float | None:
    if len(stamps) < 2:
        return None
    return float((len(stamps) - 1) / ((int(stamps[-1]) - int(stamps[0])) * time_base))


def _truncation(path: Path, kept: int, promised: int) -> str:
    return f"{path}: ends early: {kept} of {promised} frames are there; those are used"


def _empty(path: Path) -> str:
    return f"{path}: holds no frame that can be decoded; the recording is empty or was cut off"
