"""What a calibration.json holds: the schema, version 1.

Names carry unit and frame; the file explains itself in `conventions`. Authoritative numbers are the
lenses, `R_left_from_rig`, `R_right_from_rig`, the baseline's length and the covariance; `derived`
says the same in the words people use, and must agree. Numbers that are not known are null.
Conventions: `autocal.geometry`.
"""

from __future__ import annotations

from typing import Annotated, Final, Literal

from pydantic import BaseModel, ConfigDict, Field

FORMAT: Final = "autocal calibration"
SCHEMA_VERSION: Final = 1

CONVENTIONS: Final = {
    "rig frame": "x from left to right eye, y down, z forward; right-handed; left eye at (-b/2, 0, 0)",
    "camera frame": "x right, y down, z along the optical axis",
    "R_left_from_rig, R_right_from_rig": "rotate rig coordinates into that eye's camera; rows are listed",
    "R_right_from_left": "R_right_from_rig R_left_from_rig^T",
    "yaw, pitch, roll": "right eye against left, degrees, transpose of R_right_from_left = "
    "Ry(yaw) Rx(pitch) Rz(roll); positive: turned right, tilted up, rolled clockwise from behind",
    "pixels": "x right, y down, integers at pixel centres, each eye in its own half",
    "lens": "r = focal_px (t + k1 t^3 + k2 t^5 + k3 t^7 + k4 t^9), t the angle off axis in rad (Kannala, "
    "Brandt 2006); X, Y = r / focal_px along the ray's direction; decentring (p1, p2) after Brown 1971: "
    "X' = X + 2 p1 X Y + p2 (r^2 + 2 X^2), Y' = Y + p1 (r^2 + 2 Y^2) + 2 p2 X Y; "
    "x = cx + focal_px (X' + skew Y'), y = cy + focal_px aspect Y'",
    "convergence": "shift_deg of horizontal disparity is taken away in maps and pictures, half by each eye; "
    "the rotations here are without it",
    "parameters": "rotation_x, _y, _z: rotation vector of R_right_from_left, rad; baseline_yaw, _roll: "
    "baseline against the mean camera, rad; focal, aspect: natural logarithms; centre: px; plain name: mean "
    "of both eyes; _difference: right minus left",
    "covariance": "of the parameters in the order of parameter_names; null: not known",
}

Row = tuple[float, float, float]
Matrix = tuple[Row, Row, Row]
Share = Annotated[int, Field(ge=0)]
Side = Annotated[int, Field(ge=1, le=100_000)]


class _Part(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False)


class CirclePart(_Part):
    """The lit disc, px in that eye's half."""

    x_px: float
    y_px: float
    radius_px: Annotated[float, Field(gt=0)]


class LensPart(_Part):
    """One eye."""

    size_px: tuple[Side, Side]
    focal_px: float
    principal_point_px: tuple[float, float]
    k: tuple[float, float, float, float]
    aspect: float
    skew: float
    decentring: tuple[float, float]
    image_circle: CirclePart | None


class DerivedPart(_Part):
    """The same numbers in the words people use; must agree with the others."""

    R_right_from_left: Matrix
    yaw_deg: float
    pitch_deg: float
    roll_deg: float
    baseline_direction_in_left_camera: Row
    baseline_direction_in_right_camera: Row
    sigma_yaw_pitch_roll_deg: Row | None


class RigPart(_Part):
    """How the eyes stand to each other."""

    R_left_from_rig: Matrix
    R_right_from_rig: Matrix
    baseline_mm: Annotated[float, Field(gt=0)]
    eyes_swapped_in_frame: bool
    derived: DerivedPart


class ConvergencePart(_Part):
    """The far plane."""

    mode: str
    shift_deg: float
    far_edge_before_shift_deg: float | None
    far_edge_sigma_deg: float | None
    matches: Share


class UncertaintyPart(_Part):
    """The full covariance."""

    parameter_names: tuple[str, ...]
    sigma: dict[str, float] | None
    covariance: tuple[tuple[float, ...], ...] | None


class HeldPart(_Part):
    """What the footage did not decide."""

    parameters: tuple[str, ...]
    reason: str
    what_to_film: str


class QualityPart(_Part):
    """On matches that were not used in the solve."""

    unseen_matches: Share
    vertical_disparity_before_arcmin: float | None
    vertical_disparity_after_arcmin: float | None
    vertical_disparity_p95_arcmin: float | None
    miss_px: float | None
    map_sigma_deg: float | None


class FramePart(_Part):
    """A frame that was used."""

    index: int
    time_s: float


class FootagePart(_Part):
    """Where it came from."""

    files: tuple[str, ...]
    sha256: str
    frame_size_px: tuple[Side, Side]
    frames_used: tuple[FramePart, ...]
    eyes_swapped_in_frame: bool
    observations: Share
    tracks: Share
    notes: tuple[str, ...]


class CalibrationFile(_Part):
    """The whole file."""

    format: Literal["autocal calibration"]
    schema_version: Literal[1]
    program_version: str
    conventions: dict[str, str]
    unit: str | None
    made: str | None
    left: LensPart
    right: LensPart
    rig: RigPart
    convergence: ConvergencePart
    uncertainty: UncertaintyPart
    solved: tuple[str, ...]
    held: tuple[HeldPart, ...]
    assumed: tuple[str, ...]
    warnings: tuple[str, ...]
    quality: QualityPart | None
    footage: FootagePart | None


class FileHead(BaseModel):
    """Only enough to tell whose file it is."""

    model_config = ConfigDict(extra="ignore")

    format: str = ""
    schema_version: int = 0
