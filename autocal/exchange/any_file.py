"""A calibration from whatever file a person has, and the same calibration at another resolution."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np

from autocal.calibration import Calibration
from autocal.calibration_file import load_calibration, read_limited
from autocal.errors import CalibrationFileError
from autocal.exchange.opencv_file import OPENCV_ENDINGS, load_opencv
from autocal.geometry.parameters import NAMES

Size = tuple[int, int]

#: Of calibrations in text, ours and OpenCV's: no footage has them.
TEXT_ENDINGS: Final = (".json", *OPENCV_ENDINGS)
_EXR_MAGIC: Final = b"\x76\x2f\x31\x01"
_KNOWN: Final = "expected a calibration.json, an OpenCV .yml or .xml, or an ST map .exr"
# Rounding a proxy's size to whole pixels bends its aspect by less than this.
_SAME_ASPECT: Final = 0.004


def load_any(
    path: str | Path, *, half_size: Size | None = None, baseline_mm: float | None = None
) -> Calibration:
    """Read a calibration.json, an OpenCV fisheye calibration (.yml, .xml) or an ST map (.exr).

    What the file leaves open is said in `assumed`, what makes it less good in `warnings`.
    half_size: (width, height) px of one eye's picture, for files that do not say; our own files
    are carried over to it (`carried_over`). baseline_mm: for files that do not say.

    Raises CalibrationFileError for anything that cannot be one.
    """
    path = Path(path)
    start = _first_bytes(path)
    if start.startswith(_EXR_MAGIC) or path.suffix.lower() == ".exr":
        calibration = _from_st_map(path, half_size, baseline_mm)
    elif start.lstrip().startswith(b"{") or path.suffix.lower() == ".json":
        calibration = load_calibration(path)
    elif start.lstrip().startswith((b"%YAML", b"<")) or path.suffix.lower() in OPENCV_ENDINGS:
        return load_opencv(path, half_size=half_size, baseline_mm=baseline_mm)
    else:
        raise CalibrationFileError(f"{path} is no calibration that is known here: {_KNOWN}")
    if half_size is None:
        return calibration
    try:
        return carried_over(calibration, half_size)
    except CalibrationFileError as problem:
        raise CalibrationFileError(f"{path}: {problem}") from problem


def carried_over(calibration: Calibration, half_size: Size) -> Calibration:
    """The same unit read out at another resolution (a proxy): pictures of `half_size` px an eye.

    Raises CalibrationFileError when the aspect differs: then it is another crop or another read-out,
    and how the two relate cannot be known.
    """
    size = calibration.rig.left.size
    if size == half_size:
        return calibration
    factor_x, factor_y = half_size[0] / size[0], half_size[1] / size[1]
    if abs(factor_x / factor_y - 1) > _SAME_ASPECT or calibration.rig.right.size != size:
        alone = abs(2 * factor_x / factor_y - 1) < _SAME_ASPECT
        why = (
            "is that one eye's file? Both are needed, side by side or, where there are such options, "
            "as --left and --right"
            if alone
            else "another aspect is another crop or read-out of the sensor; solve again on such footage"
        )
        raise CalibrationFileError(
            f"this calibration is for pictures of {size[0]}x{size[1]} px an eye, not of "
            f"{half_size[0]}x{half_size[1]}: {why}"
        )
    rig = calibration.rig.scaled(factor_x)
    rig = replace(rig, left=replace(rig.left, size=half_size), right=replace(rig.right, size=half_size))
    scale = np.array([factor_x if name.startswith("centre") else 1.0 for name in NAMES])
    return replace(calibration, rig=rig, covariance=calibration.covariance * scale * scale[:, None])


def _first_bytes(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(512).removeprefix(b"\xef\xbb\xbf")
    except OSError:
        read_limited(path)  # raises, saying why
        raise


def _from_st_map(path: Path, half_size: Size | None, baseline_mm: float | None) -> Calibration:
    from autocal.exchange.map_fit import DEFAULT_BASELINE_MM, load_st_map
    from autocal.exchange.st_map_file import UnknownSourceSize

    baseline = DEFAULT_BASELINE_MM if baseline_mm is None else baseline_mm
    try:
        return load_st_map(path, baseline_mm=baseline).calibration
    except UnknownSourceSize:
        if half_size is None:
            raise
        return load_st_map(
            path, source_size=(2 * half_size[0], half_size[1]), baseline_mm=baseline
        ).calibration
