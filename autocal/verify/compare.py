"""How two calibrations of one rig differ: in the picture first, then number by number.

Coefficients are strongly correlated, so what counts is where the two say that pixels look
(Hagemann et al., IJCV 2022, arXiv 2107.13484). Definitions: map error and vertical disparity as in
`autocal.geometry`. B is compared against A: every difference is B minus A.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from autocal.calibration import Calibration
from autocal.errors import CalibrationFileError
from autocal.exchange.any_file import carried_over
from autocal.geometry.epipolar import horizontal_disparity, vertical_disparity
from autocal.geometry.lens import Array
from autocal.geometry.rig import Rig
from autocal.geometry.rotation import nearest_rotation, yaw_pitch_roll_from_matrix
from autocal.verify.compare_parameters import JointTest, ParameterDifference, joint_tests, parameter_table
from autocal.verify.field import ZONES_DEG, Field, Summary, azimuthal_deg, field_grid, summed_up

_ARCMIN: Final = 60.0 * 180.0 / np.pi
_CENTRAL_DEG: Final = 30.0
_LEAST_COVERED: Final = 0.05
#: Where the effect on near things is evaluated as well.
NEAR_M: Final = 2.0


@dataclass(frozen=True, eq=False)
class Comparison:
    """B against A over the field, in arcminutes.

    field: the places, as directions A sees; difference_deg: (left, right), each (n, n, 2), how the
    direction that B gives a pixel lies off the one A gives, azimuthal equidistant coordinates, x right
    and y down, after the one common rotation; difference_arcmin: (left, right), (n, n), its size.
    vertical_arcmin: (n, n), vertical disparity that B leaves in far things A has level;
    vertical_near_arcmin: the same at `NEAR_M`. far_plane_arcmin: horizontal disparity in B's view of what
    A's view has at zero, negative where eyes would diverge. common_rotation_deg: yaw, pitch, roll.
    output_px_per_arcmin: of the finished picture.
    """

    field: Field
    difference_deg: tuple[Array, Array]
    difference_arcmin: tuple[Array, Array]
    vertical_arcmin: Array
    vertical_near_arcmin: Array
    far_plane_arcmin: float
    common_rotation_deg: Array
    output_px_per_arcmin: float
    parameters: tuple[ParameterDifference, ...]
    tests: tuple[JointTest, ...]
    notes: tuple[str, ...]

    def map_summary(self, zone_deg: tuple[float, float] | None = None) -> Summary:
        """Size of the map difference, arcmin, both eyes together."""
        both = np.sqrt(0.5 * (self.difference_arcmin[0] ** 2 + self.difference_arcmin[1] ** 2))
        either = np.where(np.isfinite(both), both, np.fmax(*self.difference_arcmin))
        return summed_up(either, self.field, zone_deg)

    def vertical_summary(self, zone_deg: tuple[float, float] | None = None) -> Summary:
        """Vertical disparity of far things, arcmin."""
        return summed_up(self.vertical_arcmin, self.field, zone_deg)


def compare(a: Calibration, b: Calibration, *, output_width: int = 8192) -> Comparison:
    """Compare B with A.

    output_width: px of the whole side-by-side output, for figures in output pixels.

    Raises CalibrationFileError when the two are of different aspect, or see nothing in common.
    """
    notes: list[str] = []
    b = _same_size(a, b, notes)
    if a.swapped != b.swapped:
        notes.append("the two disagree about which half is the left eye: compared eye by eye all the same")
    if bool(np.any(a.covariance)) != bool(np.any(b.covariance)):
        which = "second" if np.any(a.covariance) else "first"
        notes.append(f"the {which} states no uncertainty: in the tests it counts as exact")
    field = field_grid()
    seen = [_seen(a.rig, b.rig, eye, field.directions) for eye in (0, 1)]
    Q = _common_rotation(seen, field)
    in_a = [np.where(np.isfinite(theirs), field.directions, np.nan) for theirs in seen]
    in_b = [theirs @ Q.T for theirs in seen]
    arcs = [_ARCMIN * _angle(mine, theirs) for mine, theirs in zip(in_a, in_b, strict=True)]
    shifts = [azimuthal_deg(theirs) - azimuthal_deg(mine) for mine, theirs in zip(in_a, in_b, strict=True)]
    return Comparison(
        field,
        (shifts[0], shifts[1]),
        (arcs[0], arcs[1]),
        _ARCMIN * vertical_disparity(seen[0], seen[1]),
        _ARCMIN * _vertical_near(a.rig, b.rig, field.directions),
        _far_plane_arcmin(a, b, field),
        np.rad2deg(yaw_pitch_roll_from_matrix(Q)),
        output_width / 2 / (180.0 * 60.0),
        parameter_table(a, b),
        joint_tests(a, b),
        tuple(notes),
    )


def _same_size(a: Calibration, b: Calibration, notes: list[str]) -> Calibration:
    size_a, size_b = a.rig.left.size, b.rig.left.size
    if size_a == size_b:
        return b
    try:
        b = carried_over(b, size_a)
    except CalibrationFileError as problem:
        raise CalibrationFileError(
            f"the two calibrations are for pictures of {size_a} and {size_b} px an eye: another "
            "aspect is another rig, crop or read-out; compare calibrations of one format"
        ) from problem
    notes.append(
        f"the second, made for {size_b[0]}x{size_b[1]} px an eye, was carried over to the first's size"
    )
    return b


def _seen(a: Rig, b: Rig, eye: int, directions: Array) -> Array:
    """Where B says that the pixel looks which A says looks along `directions` (..., 3); NaN if not seen."""
    pixels = a.pixels(eye, directions)
    inside = a.lens(eye).inside(pixels) & b.lens(eye).inside(pixels)
    return np.where(inside[..., None], b.directions(eye, pixels), np.nan)


def _common_rotation(seen: list[Array], field: Field) -> Array:
    """The rotation (3, 3) that takes B's directions closest to A's, both eyes at once.

    Wahba's problem, solved by singular value decomposition (Markley, J. Astronaut. Sci. 36(3), 1988).
    """
    attitude = np.zeros((3, 3))
    for theirs in seen:
        good = np.isfinite(theirs).all(axis=-1) & (field.solid_angle > 0)
        if field.solid_angle[good].sum() < _LEAST_COVERED * field.solid_angle.sum():
            raise CalibrationFileError(
                "the two calibrations see next to nothing in common: they are not of one rig and read-out"
            )
        weighted = field.directions[good] * field.solid_angle[good][:, None]
        attitude += weighted.T @ theirs[good]
    return nearest_rotation(attitude)


def _angle(a: Array, b: Array) -> Array:
    """Angle, rad, between unit directions: from the chord, exact for small ones."""
    return 2.0 * np.arcsin(np.clip(0.5 * np.linalg.norm(a - b, axis=-1), 0.0, 1.0))


def _vertical_near(a: Rig, b: Rig, directions: Array) -> Array:
    """Vertical disparity, rad, that B leaves in things at `NEAR_M` which A has level."""
    half = np.array([0.5e-3 * a.baseline_mm / NEAR_M, 0.0, 0.0])
    eyes = []
    for eye, side in ((0, half), (1, -half)):
        ray = directions + side
        eyes.append(_seen(a, b, eye, ray / np.linalg.norm(ray, axis=-1, keepdims=True)))
    return vertical_disparity(eyes[0], eyes[1])


def _far_plane_arcmin(a: Calibration, b: Calibration, field: Field) -> float:
    """What A's view has at zero disparity, in B's view: median over the middle of the horizon.

    There a convergence shows in full; above and below by the cosine of the angle.
    """
    directions = field.directions[len(field.angles_deg) // 2, np.abs(field.angles_deg) <= _CENTRAL_DEG]
    left, right = (_seen(a.view_rig, b.view_rig, eye, directions) for eye in (0, 1))
    disparity = horizontal_disparity(left, right)
    disparity = disparity[np.isfinite(disparity)]
    return float(_ARCMIN * np.median(disparity)) if disparity.size else float("nan")


def zones() -> tuple[tuple[str, tuple[float, float] | None], ...]:
    """The rows people read: everything, then zone by zone, with their names."""
    return (
        ("whole field", None),
        *((f"{low:.0f} to {high:.0f} degrees off axis", (low, high)) for low, high in ZONES_DEG),
    )
