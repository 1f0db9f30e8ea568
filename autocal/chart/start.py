"""Where the board bundle starts: OpenCV's fisheye calibration of each eye, poses, the rig."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from autocal.calibration_file import refuse_impossible
from autocal.chart.board import Board, BoardView
from autocal.chart.board_bundle import BoardState
from autocal.errors import LensError, SolveError
from autocal.exchange.opencv_model import lens_from_opencv
from autocal.geometry.lens import Array, Lens
from autocal.geometry.parameters import vector_from_rig
from autocal.geometry.rig import Rig, rig_from_relative
from autocal.geometry.rotation import matrix_from_rotation_vector, rotation_vector_from_matrix
from autocal.matches import LEFT, RIGHT

Size = tuple[int, int]

_WIDEST_FOR_POSE: Final = np.cos(np.deg2rad(80.0))  # beyond, normalised coordinates lose their meaning
_FEWEST_FOR_POSE: Final = 6
_FEWEST_VIEWS: Final = 3


@dataclass(frozen=True, eq=False)
class OpenCvEye:
    """OpenCV's answer for one eye. dropped: {frame: why} of views it could not use; rms_px: its own."""

    lens: Lens
    rms_px: float
    dropped: dict[int, str]


def opencv_lens(views: Sequence[BoardView], board: Board, size: Size) -> OpenCvEye:
    """One eye's lens by cv2.fisheye.calibrate, from f = width / pi, views it cannot use left out.

    Raises SolveError when fewer than three views are left.
    """
    import cv2

    views = [v for v in views if len(v) >= _FEWEST_FOR_POSE]
    dropped: dict[int, str] = {}
    while len(views) >= _FEWEST_VIEWS:
        try:
            rms, K, D = _calibrate(cv2, views, board, size)
            lens = lens_from_opencv(K, D, size)
            refuse_impossible(lens)
            return OpenCvEye(lens, rms, dropped)
        except cv2.error as problem:
            named = re.search(r"input array (\d+)", str(problem))
            place = int(named[1]) if named else _least_usable(cv2, views, board, size)
            dropped[views[place].frame] = "OpenCV finds the view badly conditioned"
            views = views[:place] + views[place + 1 :]
        except LensError as problem:
            raise SolveError(f"OpenCV's fisheye calibration gives no possible lens: {problem}") from problem
    raise SolveError(
        f"fewer than {_FEWEST_VIEWS} boards can be used for one of the eyes: take more chart frames, the "
        "board large in the picture, tilted, and in all parts of it"
    )


def _calibrate(cv2: Any, views: Sequence[BoardView], board: Board, size: Size) -> tuple[float, Array, Array]:
    points = board.points_mm
    focal = size[0] / np.pi
    K = np.array([[focal, 0.0, (size[0] - 1) / 2], [0.0, focal, (size[1] - 1) / 2], [0.0, 0.0, 1.0]])
    D = np.zeros((4, 1))
    flags = (
        cv2.fisheye.CALIB_RECOMPUTE_EXTRINSIC
        | cv2.fisheye.CALIB_FIX_SKEW
        | cv2.fisheye.CALIB_USE_INTRINSIC_GUESS
        | cv2.fisheye.CALIB_CHECK_COND
    )
    rms, K, D, _, _ = cv2.fisheye.calibrate(
        [points[v.corner].reshape(-1, 1, 3) for v in views],
        [v.pixel.reshape(-1, 1, 2) for v in views],
        size, K, D, flags=flags, criteria=(3, 100, 1e-7),
    )  # fmt: skip
    return float(rms), np.asarray(K), np.asarray(D)


def _least_usable(cv2: Any, views: Sequence[BoardView], board: Board, size: Size) -> int:
    """The first view without which OpenCV does not stumble; else the one with the smallest board."""
    for place in range(len(views)):
        try:
            _calibrate(cv2, [*views[:place], *views[place + 1 :]], board, size)
            return place
        except cv2.error:
            continue
    return int(np.argmin([np.ptp(v.pixel, axis=0).prod() for v in views]))


def board_pose(view: BoardView, board: Board, lens: Lens) -> tuple[Array, Array] | None:
    """(R, t) board to camera, t in mm of the board's middle; None where it cannot be told."""
    import cv2

    rays = lens.unproject(view.pixel)
    good = np.isfinite(rays).all(axis=1) & (rays[:, 2] > _WIDEST_FOR_POSE)
    if good.sum() < _FEWEST_FOR_POSE:
        return None
    points = board.points_mm - board.points_mm.mean(axis=0)
    flat = points[view.corner][good]
    normalised = rays[good, :2] / rays[good, 2:]
    try:
        _, turns, shifts, _ = cv2.solvePnPGeneric(flat, normalised, np.eye(3), None, flags=cv2.SOLVEPNP_IPPE)
    except cv2.error:
        return None
    best: tuple[float, Array, Array] | None = None
    for turn, shift in zip(turns, shifts, strict=True):
        R, t = matrix_from_rotation_vector(turn.ravel()), np.asarray(shift, dtype=np.float64).ravel()
        if t[2] <= 0 or not np.all(np.isfinite(R)):
            continue
        seen = points[view.corner] @ R.T + t
        miss = np.linalg.norm(np.cross(seen / np.linalg.norm(seen, axis=1, keepdims=True), rays), axis=1)
        score = float(np.nanmedian(miss))
        if best is None or score < best[0]:
            best = (score, R, t)
    return None if best is None else best[1:]


def start_state(
    views: Sequence[BoardView], board: Board, lenses: tuple[Lens, Lens], frames: int
) -> tuple[BoardState, Rig, dict[int, str]]:
    """Poses of all frames, and the rig from the frames in which both eyes see the board.

    Returns the state, the rig it starts from, and {frame: why} of frames without a pose.

    Raises SolveError when no frame shows the board to both eyes.
    """
    poses = {(v.frame, v.eye): board_pose(v, board, lenses[v.eye]) for v in views}
    known = {key: pose for key, pose in poses.items() if pose is not None}
    relative, baseline = _relative(known)
    rig = rig_from_relative(lenses[0], lenses[1], relative, baseline, float(np.linalg.norm(baseline)))
    R, t, lost = np.tile(np.eye(3), (frames, 1, 1)), np.zeros((frames, 3)), {}
    for frame in range(frames):
        for eye, side in ((LEFT, -0.5), (RIGHT, 0.5)):
            pose = known.get((frame, eye))
            if pose is not None:
                R_eye = rig.rotation(eye)
                R[frame] = R_eye.T @ pose[0]
                t[frame] = R_eye.T @ pose[1] + [side * rig.baseline_mm, 0.0, 0.0]
                break
        else:
            lost[frame] = "the board's place cannot be told from its corners"
    return _unlevelled(rig, R, t), rig, lost


def _unlevelled(rig: Rig, R: Array, t: Array) -> BoardState:
    """The state in the frame of the parameter vector, which is not levelled (see `eye_rotations`)."""
    from autocal.geometry.parameters import eye_rotations

    vector = vector_from_rig(rig)
    turn = eye_rotations(vector[:5])[0].T @ rig.R_left
    return BoardState(vector, rig.baseline_mm, np.zeros(8), turn @ R, t @ turn.T)


def _relative(known: dict[tuple[int, int], tuple[Array, Array]]) -> tuple[Array, Array]:
    """Rotation (3, 3) left to right, and the right eye's place in the left camera, mm: medians."""
    rotations, places = [], []
    for (frame, eye), (R_left, t_left) in known.items():
        other = known.get((frame, RIGHT))
        if eye == LEFT and other is not None:
            R_right, t_right = other
            relative = R_right @ R_left.T
            rotations.append(rotation_vector_from_matrix(relative))
            places.append(t_left - relative.T @ t_right)
    if not rotations:
        raise SolveError("no frame shows the board to both eyes: take frames in which both see it whole")
    return matrix_from_rotation_vector(np.median(rotations, axis=0)), np.median(places, axis=0)
