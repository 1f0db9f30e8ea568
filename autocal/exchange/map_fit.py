"""Two lenses and their rotations that reproduce an ST map: a calibration recovered from its map."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from autocal.calibration import Calibration, FarPlane
from autocal.errors import CalibrationFileError
from autocal.exchange.st_map_file import EyeSamples, StMapSamples, read_st_map_samples
from autocal.geometry.lens import Array, ImageCircle, Lens
from autocal.geometry.rig import Rig
from autocal.geometry.rotation import matrix_from_rotation_vector

Size = tuple[int, int]

#: A map of our own model comes back within this; more is reported as a misfit.
REPRODUCED_PX: Final = 0.02
DEFAULT_BASELINE_MM: Final = 60.0
_CENTRAL_COSINE: Final = np.cos(np.deg2rad(35.0))
_ROBUST_SCALE_PX: Final = 0.5
_ROUGH_STEP: Final = 13  # every so many samples, until the fit is close
_HOPELESS: Final = 0.01  # rms misfit, as a share of the half's width: no lens at all
_SECTORS: Final = 90
_LEAST_SECTORS: Final = 24
_CIRCLE_TOLERANCE: Final = 0.02


@dataclass(frozen=True, eq=False)
class MapFit:
    """How well a calibration reproduces the map that it was fitted to.

    misfit_rms_px, misfit_worst_px: (left, right), source px, over the solid angle of the view.
    """

    calibration: Calibration
    samples: StMapSamples
    misfit_rms_px: tuple[float, float]
    misfit_worst_px: tuple[float, float]

    @property
    def reproduced(self) -> bool:
        """Whether the map is one of our model's."""
        return max(self.misfit_rms_px) <= REPRODUCED_PX


def load_st_map(
    path: str | Path, *, source_size: Size | None = None, baseline_mm: float = DEFAULT_BASELINE_MM
) -> MapFit:
    """Read any side-by-side ST map and fit a calibration to it.

    source_size: (width, height) px of the whole source frame, where the header does not say.

    Raises CalibrationFileError as `read_st_map_samples` does, and when no fisheye rig comes near the map.
    """
    samples = read_st_map_samples(path, source_size=source_size)
    fit = fit_map(samples, baseline_mm)
    if max(fit.misfit_rms_px) > _HOPELESS * samples.half_size[0]:
        raise CalibrationFileError(
            f"{path} is no ST map from a fisheye rig to a half-equirectangular side-by-side view: the best "
            f"lenses miss it by {max(fit.misfit_rms_px):.0f} px rms; check the size of the source"
        )
    return fit


def fit_map(samples: StMapSamples, baseline_mm: float = DEFAULT_BASELINE_MM) -> MapFit:
    """Fit a lens and a rotation to each eye's samples, by robust least squares."""
    fits = [_fit_eye(eye, samples.half_size) for eye in samples.eyes]
    misfits = [_misfit(lens, R, eye) for (lens, R), eye in zip(fits, samples.eyes, strict=True)]
    shift_deg = samples.convergence_deg or 0.0
    # The map looks from the converged view; the unit's geometry is without the convergence.
    rig = Rig(fits[0][0], fits[1][0], fits[0][1], fits[1][1], baseline_mm).converged(-np.deg2rad(shift_deg))
    rms, worst = (misfits[0][0], misfits[1][0]), (misfits[0][1], misfits[1][1])
    assumed = [*samples.notes, f"baseline {baseline_mm:g} mm; a map states no baseline and no uncertainty"]
    if samples.convergence_deg is None:
        assumed.append("the map's convergence, which cannot be told from the unit's own yaw, counts as yaw")
    warnings = list(samples.warnings)
    if max(rms) > REPRODUCED_PX:
        warnings.append(
            f"the lens model reproduces the map only to {max(rms):.3f} px rms (worst {max(worst):.2f} px): "
            "it bends the picture in ways a fisheye rig does not"
        )
    calibration = Calibration(
        rig,
        assumed=tuple(assumed),
        warnings=tuple(warnings),
        far=FarPlane(mode="keep", shift_deg=shift_deg),
        swapped=samples.swapped,
    )
    return MapFit(calibration, samples, rms, worst)


def _fit_eye(eye: EyeSamples, size: Size) -> tuple[Lens, Array]:
    """Lens and rotation (3, 3) camera from view."""
    from scipy.optimize import least_squares

    def residuals(values: Array, d: Array, pixels: Array, weights: Array) -> Array:
        lens, R = _eye_from_values(values, size)
        miss = lens.project(d @ R.T, beyond_range=True) - pixels
        return (miss * np.sqrt(weights)[:, None]).ravel()

    def fitted(start: Array, step: int, scale_px: float, tolerance: float) -> Array:
        chosen = (eye.directions[::step], eye.pixels[::step], eye.weights[::step])
        answer = least_squares(
            residuals, start, args=chosen, x_scale="jac", loss="soft_l1", f_scale=scale_px,
            xtol=tolerance, ftol=tolerance, gtol=tolerance, max_nfev=60,
        )  # fmt: skip
        return np.asarray(answer.x)

    rough = fitted(_start(eye), _ROUGH_STEP, 0.01 * size[0], 1e-4)
    near = fitted(rough, _ROUGH_STEP, _ROBUST_SCALE_PX, 1e-8)
    fine = fitted(near, 1, _ROBUST_SCALE_PX, 1e-12)
    lens, R = _eye_from_values(fine, size)
    return replace(lens, circle=_circle(lens, R, eye)), R


def _eye_from_values(values: Array, size: Size) -> tuple[Lens, Array]:
    log_f, cx, cy, k1, k2, k3, k4, log_aspect, skew, p1, p2 = (float(v) for v in values[:11])
    lens = Lens(
        size, float(np.exp(log_f)), (cx, cy), (k1, k2, k3, k4), float(np.exp(log_aspect)), skew, (p1, p2)
    )
    return lens, matrix_from_rotation_vector(values[11:])


def _start(eye: EyeSamples) -> Array:
    """Focal length, principal point and roll from how the middle of the view is mapped."""
    middle = eye.directions[:, 2] > _CENTRAL_COSINE
    if middle.sum() < 10:
        raise CalibrationFileError("the middle of the view is empty")
    d, p = eye.directions[middle], eye.pixels[middle]
    angle = np.arccos(np.clip(d[:, 2], -1, 1)) / np.maximum(np.hypot(d[:, 0], d[:, 1]), 1e-9)
    design = np.column_stack([d[:, 0] * angle, d[:, 1] * angle, np.ones(len(d))])
    slopes, *_ = np.linalg.lstsq(design, p, rcond=None)
    A = slopes[:2].T
    focal = np.sqrt(abs(np.linalg.det(A)))
    if not focal > 0:
        raise CalibrationFileError("the middle of the view is mapped to one line")
    roll = np.arctan2(A[1, 0] - A[0, 1], A[0, 0] + A[1, 1])
    values = np.zeros(14)
    values[:3] = np.log(focal), *slopes[2]
    values[13] = roll
    return values


def _misfit(lens: Lens, R: Array, eye: EyeSamples) -> tuple[float, float]:
    miss2 = np.sum((lens.project(eye.directions @ R.T, beyond_range=True) - eye.pixels) ** 2, axis=1)
    return float(np.sqrt(np.average(miss2, weights=eye.weights))), float(np.sqrt(miss2.max()))


def _circle(lens: Lens, R: Array, eye: EyeSamples) -> ImageCircle | None:
    """The disc inside which the map has positions, where its edge is a circle inside the picture."""
    outside = lens.project(eye.outside @ R.T)
    outside = outside[np.isfinite(outside).all(axis=1)]
    outside = outside[lens.inside(outside)]
    if not len(outside):
        return None
    middle = np.mean(eye.pixels, axis=0)

    def sector(pixels: Array) -> NDArray[np.int64]:
        x, y = (pixels - middle).T
        return np.floor((np.arctan2(y, x) / (2 * np.pi) % 1.0) * _SECTORS).astype(np.int64) % _SECTORS

    seen, unseen = np.zeros(_SECTORS), np.full(_SECTORS, np.inf)
    np.maximum.at(seen, sector(eye.pixels), np.hypot(*(eye.pixels - middle).T))
    np.minimum.at(unseen, sector(outside), np.hypot(*(outside - middle).T))
    good = (seen > 0) & np.isfinite(unseen)
    if good.sum() < _LEAST_SECTORS:
        return None
    angle = (np.flatnonzero(good) + 0.5) / _SECTORS * 2 * np.pi
    edge = 0.5 * (seen[good] + unseen[good])
    points = middle + edge[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    # |p|^2 = 2 c.p + (r^2 - |c|^2): linear in the centre and the constant.
    design = np.column_stack([2 * points, np.ones(len(points))])
    solution, *_ = np.linalg.lstsq(design, np.sum(points**2, axis=1), rcond=None)
    radius = float(np.sqrt(max(solution[2] + solution[0] ** 2 + solution[1] ** 2, 0.0)))
    miss = np.hypot(*(points - solution[:2]).T) - radius
    if radius <= 0 or np.sqrt(np.mean(miss**2)) > _CIRCLE_TOLERANCE * radius:
        return None
    return ImageCircle(float(solution[0]), float(solution[1]), radius)
