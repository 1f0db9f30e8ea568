"""From board corners to a calibration: fit, drop what does not fit, and find out how sure it is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from autocal.calibration import Calibration, Held
from autocal.chart.board import Board, BoardView
from autocal.chart.board_bundle import BoardFit, BoardState, Corners, corners_of, fit_board, prior_sigma
from autocal.chart.start import opencv_lens, start_state
from autocal.errors import SolveError
from autocal.geometry.lens import Array, Lens
from autocal.geometry.parameters import NAMES, rig_from_vector
from autocal.geometry.rig import Rig
from autocal.matches import LEFT, RIGHT

Size = tuple[int, int]

_WORST_VIEW: Final = 3.0  # times the median view's rms
_WORST_CORNER: Final = 4.5  # sigmas
_FEWEST_FRAMES: Final = 4
_SPLITS: Final = 4
_FEWEST_TO_SPLIT: Final = 10
_FAR_OUT_DEG: Final = 80.0
_DECIDED: Final = 0.5  # a sigma under half its prior: the frames decided
_FILM: Final = "more chart frames, the board in all parts of the picture, close to the rim too, and tilted"


@dataclass(frozen=True)
class Rejected:
    """A view of the board that was not used. eye: LEFT or RIGHT."""

    frame: int
    eye: int
    reason: str


@dataclass(frozen=True, eq=False)
class SplitHalves:
    """How far fits to disjoint halves of the frames lie apart.

    yaw_pitch_roll_deg: (splits, 3), absolute differences; focal_px: (splits,), of the mean focal
    length. excess: rms of the differences over what independent corner noise explains; the
    covariance is widened by its square where it is above 1.
    """

    yaw_pitch_roll_deg: Array
    focal_px: Array
    excess: float


@dataclass(frozen=True, eq=False)
class ChartResult:
    """A chart calibration with its evidence.

    rms_px: reprojection rms (left, right) of the corners used; opencv_rms_px: of OpenCV's own
    calibration of each eye; opencv_dropped: what that could not use, and the bundle may have.
    used: the views; dropped_corners: how many single corners of theirs were left out. bend_mm: how
    far the board is from flat, rms. split: None with too few frames.
    """

    calibration: Calibration
    rms_px: tuple[float, float]
    opencv_rms_px: tuple[float, float]
    opencv_dropped: tuple[Rejected, ...]
    used: tuple[BoardView, ...]
    rejected: tuple[Rejected, ...]
    dropped_corners: int
    bend_mm: float
    baseline_sigma_mm: float
    split: SplitHalves | None


def calibrate_from_boards(
    views: Sequence[BoardView],
    board: Board,
    size: Size,
    frames: int,
    rng: np.random.Generator,
) -> ChartResult:
    """Calibrate a rig from what both eyes saw of a board.

    size: (width, height) px of an eye's picture; frames: how many there were; rng splits them.

    Raises SolveError when too few frames show the board.
    """
    seen_by_both = {v.frame for v in views if v.eye == LEFT} & {v.frame for v in views if v.eye == RIGHT}
    if len(seen_by_both) < _FEWEST_FRAMES:
        raise SolveError(
            f"both eyes see the board in {len(seen_by_both)} frames, at least {_FEWEST_FRAMES} are needed: "
            f"take {_FILM}"
        )
    eyes = [opencv_lens([v for v in views if v.eye == eye], board, size) for eye in (LEFT, RIGHT)]
    state, like, lost = start_state(views, board, (eyes[0].lens, eyes[1].lens), frames)
    rejected = [Rejected(v.frame, v.eye, lost[v.frame]) for v in views if v.frame in lost]
    views = [v for v in views if v.frame not in lost]

    corners = corners_of(views, board)
    fit = fit_board(corners, state)
    poor = _poor_views(views, corners, fit)
    if poor:
        rejected += [Rejected(v.frame, v.eye, reason) for v, reason in poor]
        bad = {(v.frame, v.eye) for v, _ in poor}
        views = [v for v in views if (v.frame, v.eye) not in bad]
        corners = corners_of(views, board)
        fit = fit_board(corners, fit.state)
    good = np.linalg.norm(fit.residual_px, axis=1) <= _WORST_CORNER * fit.sigma_px * np.sqrt(2)
    corners = corners.where(good)
    fit = fit_board(corners, fit.state)
    split = _split_halves(corners, fit, rng)
    bend = board_bend_mm(board, fit.state)
    rms = tuple(float(np.sqrt(np.mean(_squared(fit)[corners.eye == eye]))) for eye in (LEFT, RIGHT))
    return ChartResult(
        _calibration(fit, like, split, corners),
        (rms[0], rms[1]),
        (eyes[0].rms_px, eyes[1].rms_px),
        tuple(Rejected(f, eye, why) for eye in (LEFT, RIGHT) for f, why in eyes[eye].dropped.items()),
        tuple(views),
        tuple(sorted(rejected, key=lambda r: (r.frame, r.eye))),
        int((~good).sum()),
        bend,
        fit.baseline_sigma_mm * max(split.excess if split else 1.0, 1.0),
        split,
    )


def eyes_are_crossed(views: Sequence[BoardView], board: Board, size: Size, frames: int) -> bool:
    """Whether the left eye's picture is in the right half: then the second camera stands left of the first.

    Raises SolveError when too few frames show the board to tell.
    """
    eyes = [opencv_lens([v for v in views if v.eye == eye], board, size) for eye in (LEFT, RIGHT)]
    _, rig, _ = start_state(views, board, (eyes[0].lens, eyes[1].lens), frames)
    return bool(rig.R_left[0, 0] < 0)


def board_bend_mm(board: Board, state: BoardState) -> float:
    """How far, rms, the board's corners are from the plane closest to them."""
    from autocal.chart.board_bundle import board_points_mm

    points, _ = board_points_mm(board, state.shape)
    return float(np.linalg.svd(points - points.mean(axis=0), compute_uv=False)[2] / np.sqrt(len(points)))


def _squared(fit: BoardFit) -> Array:
    return np.sum(fit.residual_px**2, axis=1)


def _poor_views(views: Sequence[BoardView], corners: Corners, fit: BoardFit) -> list[tuple[BoardView, str]]:
    """Views whose corners are off far more than the others': moved, blurred or misnumbered boards."""
    squared = _squared(fit)
    rms = [
        float(np.sqrt(np.mean(squared[(corners.frame == v.frame) & (corners.eye == v.eye)]))) for v in views
    ]
    typical = float(np.median(rms))
    return [
        (v, f"poor corners: {value:.2f} px rms where the other boards have {typical:.2f}")
        for v, value in zip(views, rms, strict=True)
        if value > _WORST_VIEW * typical
    ]


def _split_halves(corners: Corners, fit: BoardFit, rng: np.random.Generator) -> SplitHalves | None:
    frames = np.unique(corners.frame)
    if len(frames) < _FEWEST_TO_SPLIT:
        return None
    decided = _decided(fit)
    turns, focals, squares = [], [], []
    like = np.zeros(len(frames), dtype=bool)
    like[: len(frames) // 2] = True
    for _ in range(_SPLITS):
        first = np.isin(corners.frame, frames[rng.permutation(like)])
        try:
            a, b = (_fit_rows(corners, rows, fit.state) for rows in (first, ~first))
        except SolveError:
            continue
        difference = a.state.vector - b.state.vector
        variance = np.diag(a.rig_covariance) + np.diag(b.rig_covariance)
        squares.append(float(np.mean((difference**2 / variance)[decided])))
        turns.append(np.abs(np.rad2deg(difference[[1, 0, 2]])))  # yaw about y, pitch about x, roll about z
        focals.append(abs(float(np.expm1(difference[NAMES.index("focal")]))) * _focal_px(fit))
    if not squares:
        return None
    return SplitHalves(np.array(turns), np.array(focals), float(np.sqrt(np.mean(squares))))


def _fit_rows(corners: Corners, rows: NDArray[np.bool_], start: BoardState) -> BoardFit:
    return fit_board(corners.where(rows), start)


def _focal_px(fit: BoardFit) -> float:
    return float(np.exp(fit.state.vector[NAMES.index("focal")]))


def _decided(fit: BoardFit) -> NDArray[np.bool_]:
    """(25,): which numbers the frames decided, rather than the prior."""
    return np.sqrt(np.diag(fit.rig_covariance)) < _DECIDED * prior_sigma()[: len(NAMES)]


def _calibration(fit: BoardFit, like: Rig, split: SplitHalves | None, corners: Corners) -> Calibration:
    decided = _decided(fit)
    names = tuple(name for name, yes in zip(NAMES, decided, strict=True) if yes)
    held = tuple(name for name, yes in zip(NAMES, decided, strict=True) if not yes)
    widened = max(split.excess, 1.0) ** 2 if split else 1.0
    warnings = []
    if split is None:
        warnings.append(
            f"fewer than {_FEWEST_TO_SPLIT} frames: whether halves of them agree could not be tested, so the "
            "sigmas only hold the noise of single corners"
        )
    rig = rig_from_vector(fit.state.vector, replace(like, baseline_mm=fit.state.baseline_mm))
    reach = [_reach_deg(rig.lens(eye), corners.pixel[corners.eye == eye]) for eye in (LEFT, RIGHT)]
    if min(reach) < _FAR_OUT_DEG:
        warnings.append(
            f"the board was seen up to {reach[0]:.0f} (left) and {reach[1]:.0f} (right) degrees off axis: "
            "further out the lenses are extrapolated, and worse than their sigmas say"
        )
    return Calibration(
        rig,
        covariance=fit.rig_covariance * widened,
        solved=names,
        held=(Held(held, "the chart frames say less about these than any lens's prior", _FILM),)
        if held
        else (),
        assumed=(f"squares of {corners.board.square_mm:g} mm, which set the baseline",),
        warnings=tuple(warnings),
    )


def _reach_deg(lens: Lens, pixels: Array) -> float:
    """How far off the axis corners were seen: all but the furthest hundredth."""
    cosine = lens.unproject(pixels)[:, 2]
    return float(np.rad2deg(np.arccos(np.nanquantile(cosine, 0.01))))
