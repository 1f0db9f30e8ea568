"""How long an 8192x4096 ST map takes: computed and written, and read back.

    python -m benchmarks.bench_stmap

Prints rows of the table in benchmarks/README.md. The fastest of five
runs, as the others tell about the neighbours of the process; exits with 3 if a bar is missed.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from autocal.calibration import Calibration, FarPlane, Quality
from autocal.geometry import ImageCircle, Lens, Rig, matrix_from_yaw_pitch_roll
from autocal.mapping import DEFAULT_SIZE, read_st_map, st_map, write_st_map
from benchmarks.row import Row, print_rows

_RUNS = 5
_WRITE_BAR_S, _READ_BAR_S = 3.0, 1.0


def rig_8k() -> Calibration:
    """Two unlike lenses on an 8192x4096 frame, every term of the lens in use."""
    lenses = [
        Lens(
            (4096, 4096),
            focal,
            (2050.3, 2043.9),
            (-0.028, 0.0004, -0.0012, 0.0001),
            1.0025,
            decentring=(4e-4, -3e-4),
            circle=ImageCircle(2048.0, 2046.0, 2010.0),
        )
        for focal in (1262.0, 1265.5)
    ]
    turn = matrix_from_yaw_pitch_roll(*np.deg2rad([0.2, -0.1, 0.15]))
    return Calibration(Rig(lenses[0], lenses[1], turn.T, turn), far=FarPlane(shift_deg=0.2))


def fastest(action: Callable[[], object]) -> tuple[float, float]:
    """Seconds of the fastest run, and the least processor seconds of all threads."""
    wall, busy = [], []
    for _ in range(_RUNS):
        start, start_busy = time.perf_counter(), time.process_time()
        action()
        wall.append(time.perf_counter() - start)
        busy.append(time.process_time() - start_busy)
    return min(wall), min(busy)


def main() -> int:
    """Print the rows; the exit code."""
    calibration = rig_8k()
    solved = replace(calibration, quality=Quality(900, 21.0, 0.5, 1.4, 0.2, 0.005))
    size = f"{DEFAULT_SIZE[0]}x{DEFAULT_SIZE[1]}"
    rows = [_row(f"ST map {size}: computed", fastest(lambda: st_map(calibration)))]
    for each, what in ((calibration, "the same"), (solved, "of a calibration solved from footage")):
        rows += _written_and_read(each, what)
    return print_rows(rows)


def _written_and_read(calibration: Calibration, what: str) -> list[Row]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "stmap.exr"
        both = fastest(lambda: write_st_map(path, st_map(calibration), calibration, overwrite=True))
        read = fastest(lambda: read_st_map(path))
        megabytes = path.stat().st_size / 1e6
    return [
        _row(f"{what}, computed and written ({megabytes:.0f} MB)", both, _WRITE_BAR_S),
        _row(f"{what}, read back", read, _READ_BAR_S),
    ]


def _row(what: str, spent: tuple[float, float], bar_s: float | None = None) -> Row:
    measured = f"{spent[0]:.2f} s ({spent[1]:.1f} s of processor time)"
    if bar_s is None:
        return Row(what, measured)
    return Row(what, measured, f"at most {bar_s:g} s", spent[0] <= bar_s)


if __name__ == "__main__":
    sys.exit(main())
