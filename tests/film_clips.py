"""Small clips, a calibration that fits them, and films of them: for the tests of pieces and batches."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import av
import numpy as np

from autocal.calibration import Calibration
from autocal.geometry import Lens, Rig
from autocal.render.film import FilmOrder
from autocal.render.renderer import Look
from autocal.render.settings import Compression
from tests.footage_clips import HALF, scene, write_video

LOOK = Look(size=(2 * HALF, HALF))


def save_calibration(path: Path) -> Path:
    """A calibration of equidistant lenses of 180 degrees that fill the halves of the clips."""
    lens = Lens((HALF, HALF), HALF / np.pi, ((HALF - 1) / 2, (HALF - 1) / 2))
    Calibration(Rig(lens, lens, np.eye(3), np.eye(3))).save(path)
    return path


def write_take(path: Path, frames: int, *, seed: int = 0, bits: int = 8, **how: Any) -> Path:
    """A clip of 25 pictures a second that grow brighter one by one."""
    base = scene(seed)
    pictures = [np.minimum(base, 40 + n % 160) for n in range(frames)]
    deep = [p.astype(np.uint16) << (bits - 8) for p in pictures] if bits > 8 else pictures
    return write_video(path, deep, **how)


def film_order(calibration: Path, clip: Path, out: Path, **more: Any) -> FilmOrder:
    """An order for a quick small film."""
    return FilmOrder(calibration, clip, out, **{"look": LOOK, "compression": Compression(quality=20), **more})


def packets(path: Path) -> list[tuple[int, int | None, int | None, bytes]]:
    """Everything coded in a film: stream, times of display and of decoding, and the bytes."""
    with av.open(str(path)) as container:
        return [(p.stream_index, p.pts, p.dts, bytes(p)) for p in container.demux() if p.size]
