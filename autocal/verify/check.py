"""Does a calibration still hold for a clip? Fresh matches, a remaining rotation with its sigma, a verdict.

The verdict is a test, not a look: a difference must be significant, and large enough to matter; and a
calibration is said to hold only where a difference worth a correction can be excluded. The calibration's
own uncertainty counts as well as the matches': d^T (C1 + C2)^-1 d (Hansen et al., CVPR 2012).
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from autocal.calibration import Calibration
from autocal.converge import far_edge
from autocal.errors import TextureError
from autocal.exchange.any_file import carried_over
from autocal.geometry import Rig
from autocal.geometry.epipolar import horizontal_disparity, robust_spread, vertical_disparity
from autocal.geometry.lens import Array
from autocal.geometry.rotation import rotation_about, rotation_vector_from_matrix
from autocal.matches import LEFT, RIGHT, EyePairs
from autocal.verify.check_change import Change, find_changes
from autocal.verify.check_comfort import FarCheck, far_check, local_disparity, worst, zones
from autocal.verify.check_result import CheckResult, Spread, UsedMatches, cannot_tell
from autocal.verify.check_rotation import (
    FITTED,
    Fit,
    Rows,
    axes_from_fitted,
    from_calibration,
    refined,
    rows_of,
    yaw_pitch_roll_deg,
)
from autocal.verify.check_verdict import HAND_STEP_DEG, MATTERS_DEG, decide, p_value, what_is_missing
from autocal.verify.check_windows import FEWEST_CELLS, FEWEST_MATCHES, Window, timeline
from autocal.verify.clip_pairs import ClipPairs, clip_pairs, footage_pairs

#: Changes within a take are told from a tenth of a hand step on, and count from a third on.
CHANGE_TOLD_DEG: Final = HAND_STEP_DEG / 10
_WINDOWS: Final = 16
#: Vertical disparity, and how much less of it with the eyes exchanged, that no drift of a unit brings about.
_TELLING_ARCMIN, _TELLING = 10.0, 5.0
_EXCHANGED: Final = (
    "the halves are the other way round than the calibration has them, and fit it exchanged. Exchange them, "
    "or solve this footage by itself if the unit records like this now"
)
_ARCMIN: Final = 60.0 * 180.0 / np.pi


def check_clips(
    calibration: Calibration,
    clips: Sequence[Path],
    *,
    left: Path | None = None,
    right: Path | None = None,
    windows: int = _WINDOWS,
    seed: int = 0,
) -> CheckResult:
    """Check a calibration against footage of its unit: side-by-side clips, or a left and a right file.

    Raises FootageError, MatchError, and CalibrationFileError where the clip has another aspect.
    Footage with too little texture is no error: the verdict is then that it cannot be told.
    """
    try:
        rng = np.random.default_rng(seed)
        seen = clip_pairs(clips, calibration, rng, frames=windows, left=left, right=right)
    except TextureError as problem:
        return cannot_tell((str(problem),), 0, ())
    return check_pairs(calibration, seen)


def check_film(path: Path, *, windows: int = _WINDOWS, seed: int = 0) -> CheckResult:
    """Check a finished side-by-side film of half-equirectangular views by itself.

    Raises FootageError where the file is no such film, MatchError as `check_clips` does.
    """
    from autocal.verify.film import film_calibration, open_film

    with open_film(path) as film:
        calibration = film_calibration(film.half_size[0])
        try:
            seen = footage_pairs(film, calibration, np.random.default_rng(seed), frames=windows)
        except TextureError as problem:
            return cannot_tell((str(problem),), 0, ())
    return check_pairs(calibration, seen, rendered=True)


def check_pairs(calibration: Calibration, seen: ClipPairs, *, rendered: bool = False) -> CheckResult:
    """Check a calibration against matches between the eyes; see `check_clips`.

    rendered: the pictures are a finished film's, whose views may have been turned towards each other to
    bring the furthest content to zero disparity. A yaw counts there only where that is not its effect.
    """
    calibration = carried_over(calibration, seen.half_size)
    rig = calibration.rig
    rows = rows_of(rig, seen.pairs)
    if len(rows) < FEWEST_MATCHES or len(np.unique(rows.cell)) < FEWEST_CELLS:
        return cannot_tell(_too_few(rows), len(rows), seen.notes)
    if _is_exchanged(rig, seen.pairs):
        return cannot_tell((_EXCHANGED,), len(rows), seen.notes)
    _, overall = refined(rows, rig)
    take = timeline(rows, seen.moments, rig, overall.agreeing)
    changes = _changes(take.windows)
    steps = [change.last for change in changes if change.kind == "step"]
    now = take.of_row >= max(steps, default=-1)
    moved, fit = refined(rows.where(now), rig)
    covariance = fit.covariance + from_calibration(moved, fit, calibration, seen.pairs)
    to_axes = axes_from_fitted(rig)
    rotation = yaw_pitch_roll_deg(moved, fit.vector, rig)
    axes_covariance = to_axes @ covariance @ to_axes.T
    size = 100 * (moved.size + float(fit.vector[FITTED.index("size")]))
    size_sigma = 100 * float(np.sqrt(covariance[-1, -1]))
    used = _used(calibration, rows, seen, take.agreeing, take.of_row)
    agreeing = take.agreeing
    cells = local_disparity(rows.left[agreeing], used.vertical_arcmin[agreeing])
    rated = zones(
        cells, rows.left[agreeing], used.vertical_arcmin[agreeing], _parts(rows, moved, fit, agreeing)
    )
    unexplained = _unexplained(moved, fit)
    deviations = np.array([*np.sqrt(np.diag(axes_covariance)), size_sigma])
    far = _far(used, rows.frame)
    counted = np.array([*rotation, size])
    notes = [] if rendered else _notes_on_certainty(calibration)
    if rendered and _is_at_zero(far):
        counted[0] = 0.0
        if abs(rotation[0]) > MATTERS_DEG:
            notes.append(
                f"yaw of {rotation[0]:+.4f} ± {np.sqrt(axes_covariance[0, 0]):.4f}° is taken for the "
                "convergence of the views: the furthest content lies at zero disparity"
            )
    verdict, axes = decide(counted, deviations, changes, unexplained)
    missing = what_is_missing(counted, deviations) if verdict == "cannot-tell" else ()
    return CheckResult(
        verdict,
        axes,
        missing,
        rotation,
        axes_covariance,
        np.sqrt(np.diag(to_axes @ fit.covariance @ to_axes.T)),
        size,
        size_sigma,
        p_value(rotation, axes_covariance),
        unexplained,
        _spread(used.vertical_arcmin[agreeing]),
        int(agreeing.sum()),
        int(np.sum(~agreeing)),
        take.windows,
        changes,
        rated,
        worst([zone.grade for zone in rated]),
        far,
        cells,
        used,
        (*seen.notes, *notes, *_notes(used, take.left_out, len(take.windows))),
    )


def _is_exchanged(rig: Rig, pairs: EyePairs) -> bool:
    """Whether the pairs fit the rig with the eyes the other way round, and only so."""

    def vertical(left: Array, right: Array) -> float:
        seen = rig.directions(LEFT, left), rig.directions(RIGHT, right)
        return robust_spread(vertical_disparity(*seen) * _ARCMIN)

    as_given = vertical(pairs.pixel_left, pairs.pixel_right)
    return as_given > max(_TELLING_ARCMIN, _TELLING * vertical(pairs.pixel_right, pairs.pixel_left))


def _changes(windows: Sequence[Window]) -> tuple[Change, ...]:
    """Changes within the take that are worth telling."""
    found = find_changes(
        np.array([w.elapsed_s for w in windows]),
        np.array([w.rotation_deg for w in windows]).reshape(-1, 3),
        np.array([w.covariance_deg2 for w in windows]).reshape(-1, 3, 3),
    )
    return tuple(change for change in found if np.abs(change.size_deg).max() > CHANGE_TOLD_DEG)


def _too_few(rows: Rows) -> tuple[str, ...]:
    return (
        f"too little texture: {len(rows)} points seen by both eyes in {len(np.unique(rows.cell))} parts of "
        f"the picture, at least {FEWEST_MATCHES} in {FEWEST_CELLS} parts are needed. Film a place full of "
        "detail, in good light, sharp, and more of it",
    )


def _spread(vertical: Array) -> Spread:
    magnitude = np.abs(vertical)
    return Spread(float(np.median(magnitude)), float(np.percentile(magnitude, 95)))


def _used(
    calibration: Calibration,
    rows: Rows,
    seen: ClipPairs,
    agreeing: NDArray[np.bool_],
    window: NDArray[np.int64],
) -> UsedMatches:
    # d @ R with the eye rotations of `Rig.converged`.
    half = rotation_about("y", np.deg2rad(calibration.far.shift_deg) / 2)
    left_view, right_view = rows.left @ half, rows.right @ half.T
    return UsedMatches(
        rows.left,
        rows.right,
        left_view,
        right_view,
        vertical_disparity(rows.left, rows.right) * _ARCMIN,
        horizontal_disparity(left_view, right_view) * _ARCMIN,
        rows.sigma / _across(rows) * _ARCMIN,
        agreeing,
        window,
        seen.pairs.pixel_left[rows.pair],
        seen.pairs.pixel_right[rows.pair],
    )


def _across(rows: Rows) -> Array:
    """(n,): the constraint's value over vertical disparity: x . (l x r) is sin(psi_l - psi_r) (1 - x^2)."""
    x = 0.5 * (rows.left[:, 0] + rows.right[:, 0])
    return np.sqrt(np.maximum(1 - x * x, 1e-6))


def _parts(rows: Rows, moved: Rows, fit: Fit, agreeing: NDArray[np.bool_]) -> dict[str, Array]:
    """Vertical disparity, arcmin, (n,) at the agreeing rows, that each remaining turn and size explain."""
    vector = fit.vector.copy()
    vector[:3] += _turn_so_far(moved)
    vector[-1] += moved.size
    by_column = rows.rows[agreeing] * vector / _across(rows)[agreeing, None] * _ARCMIN
    return {
        "pitch": by_column[:, 0],
        "yaw": by_column[:, 1],
        "roll": by_column[:, 2],
        "size": by_column[:, 5],
    }


def _turn_so_far(moved: Rows) -> Array:
    """(3,), rad: how far the working point is turned from the calibration, to first order."""
    return rotation_vector_from_matrix(moved.R_cal_right.T @ moved.R_cal_left)


def _unexplained(moved: Rows, fit: Fit) -> float:
    """Local vertical disparity left after the fit, rms over cells, less what matches scatter by."""
    residual = (moved.value + moved.rows @ fit.vector) / _across(moved) * _ARCMIN
    # All matches: where lenses are wrong, those that tell so disagree with the fit; medians bear the rest.
    cells = local_disparity(moved.left, residual)
    if not len(cells.matches):
        return float("nan")
    # Up to a fifth of the cells may be spoilt by mismatches; 1.642 is the 0.8 quantile of chi-square, 1.
    excess = np.quantile(cells.vertical_arcmin**2 - cells.sigma_arcmin**2, 0.8) / 1.642
    return float(np.sqrt(max(excess, 0.0)))


def _far(used: UsedMatches, frame: NDArray[np.int64]) -> FarCheck:
    good = used.agreeing
    sigma = used.sigma_arcmin[good]
    edge = far_edge(used.left_view[good], used.right_view[good], sigma / _ARCMIN, frame[good])
    ends = (np.nan, np.nan) if edge is None else (edge.disparity * _ARCMIN, edge.sigma * _ARCMIN)
    return far_check(used.horizontal_arcmin[good], sigma, ends)


def _is_at_zero(far: FarCheck) -> bool:
    """Whether the furthest content lies at zero disparity, as far as can be told."""
    reach = MATTERS_DEG * 60 + 1.96 * far.edge_sigma_arcmin
    return bool(abs(far.edge_arcmin) <= reach)  # False where there is no edge: NaN


def _notes_on_certainty(calibration: Calibration) -> list[str]:
    if np.any(calibration.covariance):
        return []
    return ["the calibration states no uncertainty of its own: it is taken as exact"]


def _notes(used: UsedMatches, left_out: int, windows: int) -> tuple[str, ...]:
    notes = []
    if left_out:
        notes.append(
            f"{left_out} of {left_out + windows} windows hold too few matches for an estimate of their own"
        )
    if windows < 2:
        notes.append("a single window: whether anything changed within the take is not known")
    beyond = np.mean(used.horizontal_arcmin[used.agreeing] < -2 * used.sigma_arcmin[used.agreeing])
    if beyond > 0.5:
        notes.append(
            f"{100 * beyond:.0f} % of the matches lie beyond infinity: either the yaw has moved, or the eyes "
            "are exchanged against the calibration"
        )
    return tuple(notes)
