"""How far a calibration is from the truth. These numbers are what accuracy is judged by.

A calibration is an `autocal.geometry.Rig`. Where it has no answer (NaN) for something the truth sees, the
measure is NaN: a calibration that gives up part of the field does not pass.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from autocal.geometry import (
    ImageCircle,
    Lens,
    Rig,
    horizontal_disparity,
    vertical_disparity,
    yaw_pitch_roll_from_matrix,
)
from samples.truth import Array, EyeTruth, Truth

ARCMIN_PER_RAD = 60 * 180 / np.pi
_FIELD_POINTS = 4000


def rotation_error_deg(rig: Rig, truth: Truth) -> Array:
    """Yaw, pitch, roll (3,) of the right eye against the left, as reported, minus the true ones, degrees."""
    return rig.yaw_pitch_roll_deg - np.rad2deg(yaw_pitch_roll_from_matrix(truth.relative_rotation))


def map_error_deg(rig: Rig, truth: Truth, out_to_deg: float = 85.0) -> Array:
    """Angle (n,), degrees, between where the calibration says source pixels look and where they truly look.

    After the one common rotation that aligns both eyes best (least squares of the chords: Kabsch, Acta
    Crystallographica A 32, 1976). Pixels of both eyes, evenly spread over the sphere out to `out_to_deg`
    off each eye's own axis. The rms of these is the map error.
    """
    said, true = [], []
    for eye in (0, 1):
        pixels = field_pixels(truth, eye, out_to_deg)
        said.append(rig.directions(eye, pixels))
        true.append(truth.directions(eye, pixels))
    a, b = np.concatenate(said), np.concatenate(true)
    if not np.all(np.isfinite(a)):
        return np.full(len(a), np.nan)
    u, _, vt = np.linalg.svd(b.T @ a)
    turn = u @ np.diag([1.0, 1.0, np.linalg.det(u @ vt)]) @ vt
    chord = np.linalg.norm(a @ turn.T - b, axis=1)
    return np.rad2deg(2 * np.arcsin(np.clip(chord / 2, 0, 1)))


def vertical_disparity_arcmin(
    rig: Rig, truth: Truth, distance_m: float = np.inf, out_to_deg: float = 85.0
) -> Array:
    """Vertical disparity (n,), arcmin, that the calibration leaves on true points at a distance, over the
    field.

    distance_m: from the rig's origin. The points are evenly spread over the sphere about the rig's forward;
    those that either eye sees further than `out_to_deg` off its axis are left out.
    """
    left, right = _rectified(rig, truth, distance_m, out_to_deg)
    return vertical_disparity(left, right) * ARCMIN_PER_RAD


def horizontal_disparity_arcmin(
    rig: Rig, truth: Truth, distance_m: float = np.inf, out_to_deg: float = 85.0
) -> Array:
    """Horizontal disparity (n,), arcmin, that the calibration gives to true points at a distance, over the
    field.

    Zero at infinity for the unit's true geometry. For a converged view pass its `view_rig` and the distance
    of the furthest content: the mean is by how much the far plane misses zero.
    """
    left, right = _rectified(rig, truth, distance_m, out_to_deg)
    return horizontal_disparity(left, right) * ARCMIN_PER_RAD


@dataclass(frozen=True)
class Errors:
    """The measures by which a calibration is judged, rms where not said otherwise."""

    yaw_pitch_roll_deg: tuple[float, float, float]
    map_rms_deg: float
    vertical_far_rms_arcmin: float
    vertical_near_rms_arcmin: float
    horizontal_far_mean_arcmin: float


def errors(rig: Rig, truth: Truth, out_to_deg: float = 85.0, near_m: float = 2.0) -> Errors:
    """All measures at once; near: points `near_m` away."""
    yaw, pitch, roll = map(float, rotation_error_deg(rig, truth))
    return Errors(
        (yaw, pitch, roll),
        rms(map_error_deg(rig, truth, out_to_deg)),
        rms(vertical_disparity_arcmin(rig, truth, np.inf, out_to_deg)),
        rms(vertical_disparity_arcmin(rig, truth, near_m, out_to_deg)),
        float(np.mean(horizontal_disparity_arcmin(rig, truth, np.inf, out_to_deg))),
    )


def rms(values: Array) -> float:
    """Root of the mean square."""
    return float(np.sqrt(np.mean(np.square(values))))


def field_pixels(truth: Truth, eye: int, out_to_deg: float = 85.0) -> Array:
    """Pixels (n, 2) of an eye's picture, evenly spread over the sphere out to an angle off its axis."""
    in_camera = _even_directions(out_to_deg)
    pixels = truth.project(eye, in_camera @ truth.eye(eye).R_eye_from_rig)
    width, height = truth.eye_size
    within = np.all((pixels >= -0.5) & (pixels <= (width - 0.5, height - 0.5)), axis=1)
    return pixels[within]


def rig_from_truth(truth: Truth) -> Rig:
    """The calibration nearest to the truth: its rotations, and the lens model fitted to each lens's table.

    Least squares of r(theta) over the field of view: what remains in `map_error_deg` is what the model
    cannot hold.
    """
    left, right = (_nearest_lens(truth.eye(eye), truth) for eye in (0, 1))
    return Rig(left, right, truth.left.R_eye_from_rig, truth.right.R_eye_from_rig, 1000 * truth.baseline_m)


def _nearest_lens(eye: EyeTruth, truth: Truth) -> Lens:
    theta = np.linspace(0.0, np.deg2rad(truth.fov_deg / 2), 2000)
    radius = eye.radius_of_angle(theta)
    powers = theta[:, None] ** np.array([1, 3, 5, 7, 9])
    f, *rest = np.linalg.lstsq(powers, radius, rcond=None)[0]
    k1, k2, k3, k4 = (float(c / f) for c in rest)
    return Lens(
        size=truth.eye_size,
        focal_px=float(f),
        principal_point=eye.principal_point,
        k=(k1, k2, k3, k4),
        aspect=eye.pixel_aspect,
        circle=ImageCircle(*eye.principal_point, float(radius[-1])),
    )


def _even_directions(out_to_deg: float) -> Array:
    """Unit vectors (n, 3) spread evenly over the cap about z: a Fibonacci lattice."""
    i = np.arange(_FIELD_POINTS) + 0.5
    z = 1 - i / _FIELD_POINTS * (1 - np.cos(np.deg2rad(out_to_deg)))
    azimuth = np.pi * (1 + 5**0.5) * i
    flat = np.sqrt(1 - z * z)
    return np.stack([flat * np.cos(azimuth), flat * np.sin(azimuth), z], axis=-1)


def _rectified(rig: Rig, truth: Truth, distance_m: float, out_to_deg: float) -> tuple[Array, Array]:
    """Where the calibration says that both eyes' pixels of true points look, (n, 3) each."""
    points = _even_directions(out_to_deg)
    eyes = (truth.left, truth.right)
    seen = [points if np.isinf(distance_m) else points * distance_m - eye.centre_m for eye in eyes]
    width, height = truth.eye_size
    usable = np.ones(len(points), bool)
    pixels = []
    for eye, d in zip(eyes, seen, strict=True):
        on_axis = d @ eye.R_eye_from_rig[2] / np.linalg.norm(d, axis=1)
        usable &= on_axis >= np.cos(np.deg2rad(out_to_deg))
        at = eye.project(d)
        usable &= np.all((at >= -0.5) & (at <= (width - 0.5, height - 0.5)), axis=1)
        pixels.append(at)
    return rig.directions(0, pixels[0][usable]), rig.directions(1, pixels[1][usable])
