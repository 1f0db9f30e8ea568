"""A calibration: the rig, how sure it is, and how it came about. Plain data.

Reading and writing is in `autocal.calibration_file`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from autocal.geometry.lens import Array
from autocal.geometry.parameters import NAMES
from autocal.geometry.rig import Rig


@dataclass(frozen=True)
class FarPlane:
    """Where the furthest content lies, and how the views were shifted to bring it to zero.

    shift_deg: how much horizontal disparity was taken away, half by each eye.
    far_edge_deg: horizontal disparity of the far edge of the matches before the shift, NaN where
    unsupported; sigma_deg: its sigma. mode: "auto", "infinity" or "keep". matches: how many
    matches support the far edge.
    """

    mode: str = "infinity"
    shift_deg: float = 0.0
    far_edge_deg: float = float("nan")
    sigma_deg: float = float("nan")
    matches: int = 0


@dataclass(frozen=True)
class Held:
    """A group of parameters that the footage did not decide: why, and what to film to release it."""

    names: tuple[str, ...]
    reason: str
    film: str


@dataclass(frozen=True)
class Quality:
    """What the calibration does to matches that were not used in the solve.

    Vertical disparities: 1.48 x the median absolute, arcmin; p95: 95th percentile of the absolute.
    miss_px: spread of the misses on unseen matches, source px.
    """

    unseen_matches: int
    vertical_before_arcmin: float
    vertical_after_arcmin: float
    vertical_p95_arcmin: float
    miss_px: float
    map_sigma_deg: float


@dataclass(frozen=True)
class Footage:
    """Where the calibration came from.

    digest: SHA-256 over the input files; frames: index and time (s) of the frames used.
    """

    files: tuple[str, ...]
    digest: str
    frame_size: tuple[int, int]
    frames: tuple[tuple[int, float], ...]
    swapped: bool = False
    observations: int = 0
    tracks: int = 0
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Calibration:
    """A calibrated rig with its uncertainty.

    rig: geometry, before convergence. covariance: (25, 25) over `autocal.geometry.parameters.NAMES`,
    those held included with the uncertainty of what they are held to; all zeros: not known.
    solved: names that the footage decided. swapped: the left eye's picture is in the right half of
    the frame (or was given as `--right`). assumed: what was taken for granted, in words. made: when,
    in ISO 8601, which puts the calibrations of a unit in order.
    """

    rig: Rig
    covariance: Array = field(default_factory=lambda: np.zeros((len(NAMES), len(NAMES))))
    solved: tuple[str, ...] = ()
    held: tuple[Held, ...] = ()
    assumed: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    far: FarPlane = FarPlane()
    swapped: bool = False
    quality: Quality | None = None
    footage: Footage | None = None
    unit: str | None = None
    made: str | None = None

    @property
    def view_rig(self) -> Rig:
        """The rig with the convergence applied: what maps and pictures are made from."""
        return self.rig.converged(np.deg2rad(self.far.shift_deg))

    @property
    def sigma(self) -> dict[str, float]:
        """Standard deviation of every parameter by name, in the parameter's own unit."""
        deviations = np.sqrt(np.maximum(np.diag(self.covariance), 0.0))
        return dict(zip(NAMES, map(float, deviations), strict=True))

    @property
    def yaw_pitch_roll_sigma_deg(self) -> Array:
        """Sigmas (3,) of yaw, pitch and roll, degrees.

        At these sizes yaw, pitch and roll are minus the y, x and z parts of the rotation vector,
        so the sigmas carry over in that order.
        """
        sigma = self.sigma
        return np.rad2deg([sigma["rotation_y"], sigma["rotation_x"], sigma["rotation_z"]])

    @classmethod
    def load(cls, path: str | Path) -> Calibration:
        """Read a calibration in any form that the commands take: calibration.json, OpenCV, ST map.

        Raises CalibrationFileError on a damaged or foreign file. `autocal.exchange.any_file` does the same
        for files that leave something open.
        """
        from autocal.exchange.any_file import load_any

        return load_any(path)

    def save(self, path: str | Path) -> None:
        """Write a calibration.json, beside and then renamed; an existing file is replaced."""
        from autocal.calibration_file import save_calibration

        save_calibration(self, Path(path))
