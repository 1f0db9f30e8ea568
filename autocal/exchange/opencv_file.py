"""Calibrations in OpenCV's FileStorage form, fisheye model, read and written.

Read, in YAML or XML, upper and lower case and underscores alike:

    camera matrix   K, M, A, mtx, camera_matrix, intrinsics   (3 x 3)
    distortion      D, dist, dist_coeffs, distortion, distortion_coefficients  (4 numbers)
    of which eye    1 and 2, 0 and 1, l and r, left and right: K1, cameraMatrixLeft, left_K, or a map
                    of that name (left, camera1, cam1) with K and D inside
    between them    R, rotation (3 x 3, or a rotation vector), T, translation: x_right = R x_left + T
    size of a half  image_width and image_height, or image_size, size (width, height)
    unit of T       T_unit: mm, cm or m; told by its length where the file does not say
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np

from autocal.calibration import Calibration
from autocal.calibration_file import read_limited, refuse_impossible
from autocal.errors import CalibrationFileError, LensError
from autocal.exchange.opencv_model import (
    Size,
    calibration_from_opencv,
    cannot_express,
    opencv_from_calibration,
)
from autocal.exchange.opencv_tree import LARGEST_TEXT_BYTES, Tree, parse_tree
from autocal.geometry.lens import Array
from autocal.whole_file import whole_file

OPENCV_ENDINGS: Final = (".yml", ".yaml", ".xml")
_K: Final = ("k", "m", "a", "mtx", "cameramatrix", "intrinsics", "intrinsicmatrix", "intrinsic")
_D: Final = ("d", "dist", "distcoeffs", "distcoeff", "distortion", "distortioncoefficients")
_R: Final = ("r", "rotation", "rotationmatrix", "rvec", "om")
_T: Final = ("t", "translation", "translationvector", "tvec")
_EYES: Final = (("1", "2"), ("left", "right"), ("l", "r"), ("0", "1"))
_MM_OF_UNIT: Final = {"mm": 1.0, "cm": 10.0, "m": 1000.0}
_OTHER_MODELS: Final = ("pinhole", "radtan", "plumb", "rational", "omni", "mei", "brown", "equirect")

Leaves = dict[str, "Array | str"]


def load_opencv(
    path: str | Path, *, half_size: Size | None = None, baseline_mm: float | None = None
) -> Calibration:
    """A calibration from an OpenCV file; what it leaves open is in `assumed`.

    half_size: (width, height) px of an eye's picture, for files that do not say. baseline_mm: the
    distance between the eyes, where the unit of T is not known.

    Raises CalibrationFileError: missing, damaged or misshapen values, a pinhole or other model.
    """
    path = Path(path)
    data = read_limited(path, LARGEST_TEXT_BYTES)
    try:
        leaves = _leaves(parse_tree(data))
        calibration = _calibration(leaves, half_size, baseline_mm)
    except (CalibrationFileError, LensError) as problem:
        raise CalibrationFileError(
            f"{path} is no OpenCV fisheye calibration of two cameras: {problem}; expected K1, D1, K2, D2, "
            "R and T as cv2.fisheye.stereoCalibrate gives them"
        ) from problem
    return calibration


def save_opencv(calibration: Calibration, path: str | Path, *, overwrite: bool = False) -> list[str]:
    """Write the OpenCV form, YAML or XML by the ending; returns what could not be expressed, in words.

    Raises OutputError as `whole_file` does, and CalibrationFileError on another ending.
    """
    import cv2

    path = Path(path)
    if path.suffix.lower() not in OPENCV_ENDINGS:
        raise CalibrationFileError(f"{path}: OpenCV's form ends in .yml, .yaml or .xml")
    numbers = opencv_from_calibration(calibration)
    lost = cannot_express(calibration)
    kind = ".xml" if path.suffix.lower() == ".xml" else ".yml"
    storage = cv2.FileStorage(kind, cv2.FILE_STORAGE_WRITE | cv2.FILE_STORAGE_MEMORY)
    storage.write("camera_model", "fisheye")
    width, height = calibration.rig.left.size
    storage.write("image_width", width)
    storage.write("image_height", height)
    for name, value in (
        ("K1", numbers.K_left),
        ("D1", numbers.D_left.reshape(4, 1)),
        ("K2", numbers.K_right),
        ("D2", numbers.D_right.reshape(4, 1)),
        ("R", numbers.R),
        ("T", numbers.T.reshape(3, 1)),
    ):
        storage.write(name, np.ascontiguousarray(value))
    storage.write("T_unit", "mm")
    text = storage.releaseAndGetString()
    with whole_file(path, overwrite=overwrite) as beside:
        beside.write_text(text, encoding="utf-8")
    return lost


def _leaves(tree: Tree, above: str = "") -> Leaves:
    """All values by their flattened name: left: {K: ...} becomes leftk. Of K1 and k1, the matrix stays."""
    leaves: Leaves = {}
    for key, value in tree.items():
        name = above + re.sub(r"[^a-z0-9]", "", key.lower())
        for leaf, inner in (_leaves(value, name) if isinstance(value, dict) else {name: value}).items():
            if np.size(inner) >= np.size(leaves.get(leaf, ())):
                leaves[leaf] = inner
    return leaves


def _calibration(leaves: Leaves, half_size: Size | None, baseline_mm: float | None) -> Calibration:
    _refuse_other_models(leaves)
    K_left, K_right = _both_eyes(leaves, _K, "camera matrices (K1 and K2)", (3, 3))
    D_left, D_right = _both_eyes(leaves, _D, "distortion numbers (D1 and D2)", None)
    R = _one(leaves, _R, "rotation (R) between the cameras")
    T = _one(leaves, _T, "translation (T) between the cameras").reshape(-1)
    assumed: list[str] = []
    size = _size(leaves, half_size, (K_left, K_right), assumed)
    millimetres = _baseline_mm(leaves, T, baseline_mm, assumed)
    calibration = calibration_from_opencv(
        K_left, D_left, K_right, D_right, R, T, size, baseline_mm=millimetres
    )
    for eye, lens in (("left", calibration.rig.left), ("right", calibration.rig.right)):
        try:
            refuse_impossible(lens)
        except LensError as problem:
            raise LensError(f"{eye} camera: {problem}") from problem
    assumed.append("the file's four distortion numbers belong to the fisheye model; it states no uncertainty")
    return replace(calibration, assumed=tuple(assumed))


def _refuse_other_models(leaves: Leaves) -> None:
    for name, value in leaves.items():
        if "model" in name and isinstance(value, str):
            word = value.lower()
            if any(other in word for other in _OTHER_MODELS):
                raise CalibrationFileError(
                    f"it says its model is {value[:40]!r}, which cannot describe a 180-degree lens"
                )
    if any(re.fullmatch(r"(xi\d?|xi(left|right|l|r)|(left|right)xi)", name) for name in leaves):
        raise CalibrationFileError("it has xi: an omnidirectional model, not the fisheye one")


def _names(words: Sequence[str], eye: str) -> list[str]:
    inner = [f"{holder}{eye}" for holder in ("camera", "cam", "eye")]
    names = [word + eye for word in words] + [holder + word for holder in inner for word in words]
    return names + [eye + word for word in words] if eye.isalpha() else names


def _both_eyes(
    leaves: Leaves, words: Sequence[str], what: str, shape: tuple[int, int] | None
) -> tuple[Array, Array]:
    for eyes in _EYES:
        found = [
            next((leaves[name] for name in _names(words, eye) if _is_numbers(leaves.get(name), shape)), None)
            for eye in eyes
        ]
        left, right = found
        if isinstance(left, np.ndarray) and isinstance(right, np.ndarray):
            return left, right
    raise CalibrationFileError(
        f"it lacks the {what}" + (f" of {shape[0]} x {shape[1]} numbers" if shape else "")
    )


def _is_numbers(value: Array | str | None, shape: tuple[int, int] | None) -> bool:
    """A lone number is no matrix and no distortion: "k1" may well be a coefficient."""
    return isinstance(value, np.ndarray) and (value.shape == shape if shape else value.size > 1)


def _one(leaves: Leaves, words: Sequence[str], what: str) -> Array:
    for name in (*words, *(f"stereo{word}" for word in words), *(f"extrinsics{word}" for word in words)):
        value = leaves.get(name)
        if isinstance(value, np.ndarray):
            return value
    raise CalibrationFileError(f"it lacks the {what}")


def _size(leaves: Leaves, half_size: Size | None, matrices: Sequence[Array], assumed: list[str]) -> Size:
    stated = _stated_size(leaves)
    if stated and half_size and stated != half_size:
        raise CalibrationFileError(
            f"it is for pictures of {stated} px an eye, but {half_size} px were asked for"
        )
    if stated or half_size:
        return stated or half_size  # type: ignore[return-value]
    centre = np.mean([K[:2, 2] for K in matrices], axis=0)
    if not (np.all(np.isfinite(centre)) and np.all(centre >= 1) and np.all(centre < 5e4)):
        raise CalibrationFileError(
            f"it states no image size, and its principal points are at {centre.tolist()}"
        )
    width, height = (round(2 * float(c) + 1) for c in centre)
    assumed.append(
        f"pictures of {width}x{height} px an eye: the file states no size, so twice the principal point was "
        "taken; give the true size of the whole frame with --frame-size"
    )
    return width, height


def _stated_size(leaves: Leaves) -> Size | None:
    for names in (
        ("imagewidth", "imageheight"),
        ("width", "height"),
        ("imagesize",),
        ("size",),
        ("imgsize",),
    ):
        values = [v.reshape(-1) for name in names if isinstance(v := leaves.get(name), np.ndarray)]
        numbers = np.concatenate(values) if values else np.empty(0)
        if numbers.size == 2:
            if not np.all((numbers >= 1) & (numbers <= 100_000) & (numbers == np.round(numbers))):
                raise CalibrationFileError(f"an image of {numbers.tolist()} px")
            return int(numbers[0]), int(numbers[1])
    return None


def _baseline_mm(leaves: Leaves, T: Array, given: float | None, assumed: list[str]) -> float | None:
    """The length of T in mm; None leaves it to `calibration_from_opencv` to refuse T."""
    if given is not None:
        return given
    length = float(np.linalg.norm(T))
    if not 0 < length < np.inf:
        return None
    unit = leaves.get("tunit", leaves.get("translationunit"))
    if isinstance(unit, str) and unit in _MM_OF_UNIT:
        return length * _MM_OF_UNIT[unit]
    # Eyes stand centimetres apart: which unit makes it so?
    name = "m" if length < 1.0 else "mm" if length >= 20.0 else "cm"
    assumed.append(f"the length of T, {length:g}, is in {name}")
    return length * _MM_OF_UNIT[name]
