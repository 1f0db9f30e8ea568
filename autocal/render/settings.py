"""How a film is compressed, and what playback asks of it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Literal

from autocal.cores import cores
from autocal.errors import OutputError
from autocal.render.formats import PlanarFormat, encoder_format

Codec = Literal["hevc", "h264", "prores", "ffv1"]
Purpose = Literal["upload", "headset"]

ENCODERS: dict[Codec, str] = {"hevc": "libx265", "h264": "libx264", "prores": "prores_ks", "ffv1": "ffv1"}

#: Common practice for headset playback, no source: HEVC at 80 Mbit/s, never above 100.
DEFAULT_BITRATE = 80_000_000
HEADSET_LIMIT = 100_000_000
#: For a service that compresses once more: enough that its compression meets little of ours.
UPLOAD_BITRATE = 150_000_000
#: Common practice, no source: what many headset players take for 180-degree side-by-side stereo.
HEADSET_ENDING = "_180_LR"

_CONTAINERS: dict[Codec, tuple[str, ...]] = {
    "hevc": (".mp4", ".mov", ".mkv"),
    "h264": (".mp4", ".mov", ".mkv"),
    "prores": (".mov", ".mkv"),
    "ffv1": (".mkv",),
}
#: Pictures in work at a time, held back for rate control, and coded from both sides. Fixed, so that a
#: film is the same whatever machine makes it.
_FRAME_THREADS, _LOOKAHEAD, _B_PICTURES = 2, 8, 3
#: From this many pixels on, no picture is held back and one is referred to: x265 keeps 0.3 GB for each
#: 10-bit picture of 8192x4096. At the bitrates of such films this costs little.
LARGE_PIXELS = 20_000_000


@dataclass(frozen=True)
class Compression:
    """A codec and how much it may spend.

    bitrate: bit/s, or None; quality: the codec's constant quality (smaller is better: x265 and x264
    rate factor, ProRes quantiser), or None. A lossless codec takes neither. preset: x265's or x264's.
    """

    codec: Codec = "hevc"
    bitrate: int | None = None
    quality: float | None = None
    preset: str = "fast"

    def __post_init__(self) -> None:
        if self.bitrate is not None and self.quality is not None:
            raise OutputError("give a bitrate or a quality, not both")
        if self.codec == "ffv1" and (self.bitrate or self.quality is not None):
            raise OutputError("ffv1 is lossless: it takes no bitrate and no quality")
        if self.codec == "prores" and self.bitrate:
            raise OutputError("prores spends what its quality needs: give --quality instead of --bitrate")
        if self.bitrate is not None and self.bitrate < 100_000:
            raise OutputError(f"a bitrate of {self.bitrate} bit/s is too low for any film: 80M, for instance")

    @property
    def encoder(self) -> str:
        """FFmpeg's name of the encoder."""
        return ENCODERS[self.codec]

    def pixel_format(self, source: PlanarFormat) -> str:
        """The encoder's format that keeps most of the source."""
        return encoder_format(source, self.encoder)

    def options(self, gop: int, size: tuple[int, int]) -> dict[str, str]:
        """The encoder's private options, for closed groups of `gop` pictures of `size` (width, height)."""
        if self.codec == "ffv1":
            return {"level": "3", "g": "1", "slicecrc": "1"}
        if self.codec == "prores":
            return {} if self.quality is None else {"bits_per_mb": "8000", "qscale": f"{self.quality:g}"}
        is_large = size[0] * size[1] >= LARGE_PIXELS
        settings: dict[str, int | str] = {
            "keyint": gop,
            "min-keyint": gop,
            "scenecut": 0,
            "open-gop": 0,
            "bframes": 0 if is_large else _B_PICTURES,
            "rc-lookahead": 0 if is_large else _LOOKAHEAD,
            **({"ref": 1, "weightp": 0} if is_large else {}),
            **({} if self.bitrate is None else self._rate_limits()),
        }
        if self.codec == "hevc":
            settings |= {"frame-threads": 1 if is_large else _FRAME_THREADS, "log-level": "error"}
            settings |= {"pools": cores()}  # bounds its threads; the film does not depend on it
            settings |= {"cutree": 0} if is_large else {}  # it works on pictures held back
            key = "x265-params"
        else:
            settings |= {"threads": _FRAME_THREADS, "sync-lookahead": 0}
            key = "x264-params"
        options = {"preset": self.preset, key: ":".join(f"{n}={v}" for n, v in settings.items())}
        return options if self.quality is None else options | {"crf": f"{self.quality:g}"}

    def _rate_limits(self) -> dict[str, int]:
        """A one-second buffer, filled no faster than headsets read where the rate allows it."""
        assert self.bitrate is not None
        most = max(min(self.bitrate * 5 // 4, HEADSET_LIMIT), self.bitrate) // 1000
        return {"vbv-maxrate": most, "vbv-bufsize": most}

    def filled_in(self) -> Compression:
        """With the default bitrate where neither bitrate nor quality was asked for."""
        if self.codec in ("hevc", "h264") and self.bitrate is None and self.quality is None:
            return replace(self, bitrate=DEFAULT_BITRATE)
        return self


def for_purpose(
    purpose: Purpose | None, asked: Compression, rate: Fraction
) -> tuple[Compression, tuple[str, ...]]:
    """The compression for a purpose, and what was chosen, in words.

    Raises OutputError where what was asked for does not serve the purpose.
    """
    if purpose is None:
        return asked.filled_in(), ()
    if purpose == "upload":
        chosen = asked
        if asked.codec in ("hevc", "h264") and asked.bitrate is None and asked.quality is None:
            chosen = replace(asked, bitrate=UPLOAD_BITRATE)
        return chosen, (f"for upload: {_in_words(chosen)}",)
    if asked.codec not in ("hevc", "h264"):
        raise OutputError(f"headsets do not play {asked.codec}: leave out --codec, or take hevc")
    if asked.bitrate is not None and asked.bitrate > HEADSET_LIMIT:
        raise OutputError("headsets stall above 100 Mbit/s: give --bitrate 100M or less")
    chosen = asked.filled_in()
    notes = [f"for headset: {_in_words(chosen)}"]
    if rate > 61:
        notes.append(
            f"the clip's {float(rate):g} pictures a second are kept; headsets play up to 60 smoothly"
        )
    return chosen, tuple(notes)


def _in_words(compression: Compression) -> str:
    if compression.bitrate:
        return f"{compression.codec} at {compression.bitrate / 1e6:g} Mbit/s"
    if compression.quality is not None:
        return f"{compression.codec} at quality {compression.quality:g}"
    return compression.codec


def check_container(codec: Codec, path: Path) -> None:
    """Raises OutputError where a file of this ending cannot hold the codec."""
    fitting = _CONTAINERS[codec]
    if path.suffix.lower() not in fitting:
        raise OutputError(f"{path}: {codec} goes into {' or '.join(fitting)} files: change the name's ending")
