"""What a check found, as plain data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from autocal.geometry.lens import Array
from autocal.verify.check_change import Change
from autocal.verify.check_comfort import Cells, FarCheck, ZoneComfort
from autocal.verify.check_windows import Window

Verdict = Literal["holds", "drifted", "cannot-tell"]
AXES: Final = ("yaw", "pitch", "roll")


@dataclass(frozen=True)
class Spread:
    """Vertical disparity of the matches that agree: median and 95th percentile of the absolute, arcmin."""

    median_absolute: float
    p95: float


@dataclass(frozen=True, eq=False)
class UsedMatches:
    """What was measured, match by match, the calibration applied.

    left, right: (n, 3), rectified unit directions in the rig frame; left_view, right_view: the same with the
    calibration's convergence. vertical_arcmin: (n,); horizontal_arcmin: (n,), with the calibration's
    convergence; sigma_arcmin: (n,), of either, from the pixel sigmas. agreeing: (n,), False for those taken
    for mismatches. window: (n,), number of the window, -1 for none. pixel_left, pixel_right: (n, 2), px.
    """

    left: Array
    right: Array
    left_view: Array
    right_view: Array
    vertical_arcmin: Array
    horizontal_arcmin: Array
    sigma_arcmin: Array
    agreeing: NDArray[np.bool_]
    window: NDArray[np.int64]
    pixel_left: Array
    pixel_right: Array


@dataclass(frozen=True, eq=False)
class CheckResult:
    """Everything a check found.

    drifted_axes: of "yaw", "pitch", "roll", "size", "lenses". missing: what the footage lacks, in words.
    rotation_deg: (3,), yaw, pitch, roll of the right eye now (after the last step in the take) against
    where the calibration has it; covariance_deg2: (3, 3), of matches and calibration together;
    sigma_matches_deg: (3,), of the matches alone; size_percent: right picture larger than the calibration
    says. p_value: of the three angles together, if nothing had turned. changes: within the take.
    unexplained_arcmin: local vertical disparity (rms over cells) that neither a turn nor size explain.
    NaN where not measured.
    """

    verdict: Verdict
    drifted_axes: tuple[str, ...]
    missing: tuple[str, ...]
    rotation_deg: Array
    covariance_deg2: Array
    sigma_matches_deg: Array
    size_percent: float
    size_sigma_percent: float
    p_value: float
    unexplained_arcmin: float
    vertical: Spread
    matches: int
    rejected: int
    windows: tuple[Window, ...]
    changes: tuple[Change, ...]
    zones: tuple[ZoneComfort, ...]
    comfort: str | None
    far: FarCheck
    cells: Cells | None
    used: UsedMatches | None
    notes: tuple[str, ...]

    @property
    def sigma_deg(self) -> Array:
        """(3,), of yaw, pitch, roll, matches and calibration together."""
        return np.sqrt(np.diag(self.covariance_deg2))


def cannot_tell(missing: tuple[str, ...], matches: int, notes: tuple[str, ...]) -> CheckResult:
    """The result where nothing could be measured. missing: what the footage lacks, in words."""
    nothing = np.full(3, np.nan)
    return CheckResult(
        "cannot-tell",
        (),
        missing,
        nothing,
        np.full((3, 3), np.nan),
        nothing,
        np.nan,
        np.nan,
        np.nan,
        np.nan,
        Spread(np.nan, np.nan),
        matches,
        0,
        (),
        (),
        (),
        None,
        FarCheck(np.nan, np.nan, np.nan, np.nan, None),
        None,
        None,
        notes,
    )
