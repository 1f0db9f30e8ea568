"""Reading and writing calibration.json. The schema is `autocal.calibration_schema`.

A calibration comes back exactly as it was written, every float to its last bit.
"""

from __future__ import annotations

from math import isfinite, nan
from pathlib import Path
from typing import Final

import numpy as np
from pydantic import ValidationError

from autocal.calibration import Calibration, FarPlane, Footage, Held, Quality
from autocal.calibration_schema import (
    CONVENTIONS,
    FORMAT,
    SCHEMA_VERSION,
    CalibrationFile,
    CirclePart,
    ConvergencePart,
    DerivedPart,
    FileHead,
    FootagePart,
    FramePart,
    HeldPart,
    LensPart,
    Matrix,
    QualityPart,
    RigPart,
    Row,
    UncertaintyPart,
)
from autocal.errors import CalibrationFileError, LensError
from autocal.geometry.lens import Array, ImageCircle, Lens
from autocal.geometry.parameters import NAMES
from autocal.geometry.rig import Rig
from autocal.version import program_version
from autocal.whole_file import whole_file

LARGEST_FILE_BYTES: Final = 16 * 2**20
_NARROWEST_RANGE_DEG = 30.0  # off axis; a "fisheye" that folds back earlier is a damaged number
_STRONGEST_DECENTRING = 0.05  # beyond it the model is no small correction, and cannot be inverted
_STATED_AGREEMENT = 1e-6
_SYMMETRY = 1e-9


def load_calibration(path: str | Path) -> Calibration:
    """Read a calibration.json.

    Raises CalibrationFileError when the file is missing, over 16 MB, damaged, foreign, of a newer
    schema, or holds a lens, rotation or covariance that cannot be.
    """
    path = Path(path)
    text = read_limited(path)
    try:
        head = FileHead.model_validate_json(text)
    except ValidationError as problem:
        raise CalibrationFileError(
            f"{path} is not a calibration.json: {_first(problem)}; give the file that 'autocal solve' wrote"
        ) from problem
    if head.format != FORMAT:
        raise CalibrationFileError(
            f"{path} is JSON, but no calibration of this program (its 'format' is {head.format[:40]!r}, "
            f"expected {FORMAT!r}); give the calibration.json that 'autocal solve' wrote"
        )
    if head.schema_version > SCHEMA_VERSION:
        raise CalibrationFileError(
            f"{path} has schema version {head.schema_version}, this program reads up to {SCHEMA_VERSION}: "
            "use a newer version of autocal"
        )
    try:
        return _calibration_from_file(CalibrationFile.model_validate_json(text))
    except ValidationError as problem:
        raise CalibrationFileError(
            f"{path} is damaged: {_first(problem)}; restore it or solve again"
        ) from problem
    except (LensError, CalibrationFileError) as problem:
        raise CalibrationFileError(f"{path} is damaged: {problem}; restore it or solve again") from problem


def save_calibration(calibration: Calibration, path: str | Path) -> None:
    """Write a calibration.json, whole or not at all; an existing file is replaced.

    Raises OutputError when it cannot be written.
    """
    text = calibration_text(calibration)
    with whole_file(path, overwrite=True) as beside:
        beside.write_text(text, encoding="utf-8")


def calibration_text(calibration: Calibration) -> str:
    """The JSON text of a calibration."""
    return _file_from_calibration(calibration).model_dump_json(indent=1) + "\n"


def read_limited(path: Path, limit: int = LARGEST_FILE_BYTES) -> bytes:
    """The bytes of a file of at most `limit`; CalibrationFileError otherwise."""
    try:
        with path.open("rb") as file:
            data = file.read(limit + 1)
    except OSError as problem:
        raise CalibrationFileError(
            f"{path} cannot be read: {problem.strerror or problem}; check the name"
        ) from problem
    if len(data) > limit:
        raise CalibrationFileError(
            f"{path} is larger than {limit // 2**20} MB, which no calibration is: check the name"
        )
    return data


def _first(problem: ValidationError) -> str:
    error = problem.errors(include_url=False, include_input=False, include_context=False)[0]
    place = ".".join(str(part) for part in error["loc"])
    return f"{place}: {error['msg']}" if place else str(error["msg"])


# To the file


def _file_from_calibration(calibration: Calibration) -> CalibrationFile:
    rig, far = calibration.rig, calibration.far
    known = bool(np.any(calibration.covariance))
    return CalibrationFile(
        format="autocal calibration",
        schema_version=1,
        program_version=program_version(),
        conventions=dict(CONVENTIONS),
        unit=calibration.unit,
        made=calibration.made,
        left=_lens_part(rig.left),
        right=_lens_part(rig.right),
        rig=RigPart(
            R_left_from_rig=_matrix(rig.R_left),
            R_right_from_rig=_matrix(rig.R_right),
            baseline_mm=float(rig.baseline_mm),
            eyes_swapped_in_frame=bool(calibration.swapped),
            derived=_derived(calibration),
        ),
        convergence=ConvergencePart(
            mode=far.mode,
            shift_deg=float(far.shift_deg),
            far_edge_before_shift_deg=_known(far.far_edge_deg),
            far_edge_sigma_deg=_known(far.sigma_deg),
            matches=int(far.matches),
        ),
        uncertainty=UncertaintyPart(
            parameter_names=NAMES,
            sigma=calibration.sigma if known else None,
            covariance=tuple(tuple(map(float, row)) for row in calibration.covariance) if known else None,
        ),
        solved=calibration.solved,
        held=tuple(
            HeldPart(parameters=h.names, reason=h.reason, what_to_film=h.film) for h in calibration.held
        ),
        assumed=calibration.assumed,
        warnings=calibration.warnings,
        quality=_quality_part(calibration.quality),
        footage=_footage_part(calibration.footage),
    )


def _lens_part(lens: Lens) -> LensPart:
    circle = lens.circle
    return LensPart(
        size_px=(int(lens.size[0]), int(lens.size[1])),
        focal_px=float(lens.focal_px),
        principal_point_px=(float(lens.principal_point[0]), float(lens.principal_point[1])),
        k=tuple(map(float, lens.k)),  # type: ignore[arg-type]
        aspect=float(lens.aspect),
        skew=float(lens.skew),
        decentring=(float(lens.decentring[0]), float(lens.decentring[1])),
        image_circle=None
        if circle is None
        else CirclePart(x_px=float(circle.x), y_px=float(circle.y), radius_px=float(circle.radius)),
    )


def _derived(calibration: Calibration) -> DerivedPart:
    rig = calibration.rig
    yaw, pitch, roll = map(float, rig.yaw_pitch_roll_deg)
    return DerivedPart(
        R_right_from_left=_matrix(rig.relative_rotation),
        yaw_deg=yaw,
        pitch_deg=pitch,
        roll_deg=roll,
        baseline_direction_in_left_camera=_row(rig.R_left[:, 0]),
        baseline_direction_in_right_camera=_row(rig.R_right[:, 0]),
        sigma_yaw_pitch_roll_deg=_row(calibration.yaw_pitch_roll_sigma_deg)
        if np.any(calibration.covariance)
        else None,
    )


def _quality_part(quality: Quality | None) -> QualityPart | None:
    if quality is None:
        return None
    return QualityPart(
        unseen_matches=int(quality.unseen_matches),
        vertical_disparity_before_arcmin=_known(quality.vertical_before_arcmin),
        vertical_disparity_after_arcmin=_known(quality.vertical_after_arcmin),
        vertical_disparity_p95_arcmin=_known(quality.vertical_p95_arcmin),
        miss_px=_known(quality.miss_px),
        map_sigma_deg=_known(quality.map_sigma_deg),
    )


def _footage_part(footage: Footage | None) -> FootagePart | None:
    if footage is None:
        return None
    return FootagePart(
        files=footage.files,
        sha256=footage.digest,
        frame_size_px=footage.frame_size,
        frames_used=tuple(FramePart(index=int(i), time_s=float(t)) for i, t in footage.frames),
        eyes_swapped_in_frame=bool(footage.swapped),
        observations=int(footage.observations),
        tracks=int(footage.tracks),
        notes=footage.notes,
    )


def _matrix(m: Array) -> Matrix:
    return _row(m[0]), _row(m[1]), _row(m[2])


def _row(v: Array) -> Row:
    return float(v[0]), float(v[1]), float(v[2])


def _known(value: float) -> float | None:
    return float(value) if isfinite(value) else None


# From the file


def _calibration_from_file(file: CalibrationFile) -> Calibration:
    rig = Rig(
        _lens("left", file.left),
        _lens("right", file.right),
        _rotation("rig.R_left_from_rig", file.rig.R_left_from_rig),
        _rotation("rig.R_right_from_rig", file.rig.R_right_from_rig),
        file.rig.baseline_mm,
    )
    c = file.convergence
    calibration = Calibration(
        rig=rig,
        covariance=_covariance(file.uncertainty),
        solved=_parameter_names("solved", file.solved),
        held=tuple(Held(_parameter_names("held", h.parameters), h.reason, h.what_to_film) for h in file.held),
        assumed=file.assumed,
        warnings=file.warnings,
        far=FarPlane(
            c.mode,
            c.shift_deg,
            _or_nan(c.far_edge_before_shift_deg),
            _or_nan(c.far_edge_sigma_deg),
            c.matches,
        ),
        swapped=file.rig.eyes_swapped_in_frame,
        quality=_quality(file.quality),
        footage=_footage(file.footage),
        unit=file.unit,
        made=file.made,
    )
    _refuse_contradiction(file.rig.derived, _derived(calibration))
    return calibration


def _lens(eye: str, part: LensPart) -> Lens:
    circle = part.image_circle
    try:
        lens = Lens(
            part.size_px,
            part.focal_px,
            part.principal_point_px,
            part.k,
            part.aspect,
            part.skew,
            part.decentring,
            None if circle is None else ImageCircle(circle.x_px, circle.y_px, circle.radius_px),
        )
        refuse_impossible(lens)
    except LensError as problem:
        raise LensError(f"{eye} lens: {problem}") from problem
    return lens


def refuse_impossible(lens: Lens) -> None:
    """Raise LensError for a lens that no camera has: whatever file the numbers came from."""
    (width, height), (cx, cy) = lens.size, lens.principal_point
    if not (-0.5 * width <= cx <= 1.5 * width and -0.5 * height <= cy <= 1.5 * height):
        raise LensError(f"principal point ({cx:g}, {cy:g}) is far outside its {width}x{height} px picture")
    if not 0.02 * min(width, height) <= lens.focal_px <= 20.0 * max(width, height):
        raise LensError(f"a focal length of {lens.focal_px:g} px does not go with {width}x{height} px")
    if not (0.5 <= lens.aspect <= 2.0 and abs(lens.skew) <= 0.5):
        raise LensError(f"aspect {lens.aspect:g} and skew {lens.skew:g} are those of no camera")
    if max(map(abs, lens.decentring)) > _STRONGEST_DECENTRING:
        raise LensError(f"decentring {lens.decentring} is too strong: at most {_STRONGEST_DECENTRING:g}")
    if np.rad2deg(lens.max_angle) < _NARROWEST_RANGE_DEG:
        raise LensError(
            f"r(theta) with k = {lens.k} folds back at {np.rad2deg(lens.max_angle):.1f} degrees off axis"
        )


def _rotation(name: str, rows: Matrix) -> Array:
    matrix = np.array(rows)
    wild = np.abs(matrix).max() > 2.0  # or squaring it could overflow
    if wild or np.linalg.norm(matrix @ matrix.T - np.eye(3)) > _STATED_AGREEMENT or np.linalg.det(matrix) < 0:
        raise CalibrationFileError(f"{name} is no rotation: its rows must be orthonormal and right-handed")
    return matrix


def _covariance(part: UncertaintyPart) -> Array:
    if part.parameter_names != NAMES:
        raise CalibrationFileError("uncertainty.parameter_names are not those of this schema version")
    n = len(NAMES)
    if part.covariance is None:
        return np.zeros((n, n))
    if len(part.covariance) != n or any(len(row) != n for row in part.covariance):
        raise CalibrationFileError(f"uncertainty.covariance must have {n} rows of {n} numbers")
    covariance = np.array(part.covariance)
    variance = np.diag(covariance)
    if np.any(variance < 0):
        raise CalibrationFileError("uncertainty.covariance has a negative variance on its diagonal")
    # Compared as correlations: the parameters' units differ by many orders of magnitude.
    scale = 1.0 / np.sqrt(np.where(variance > 0, variance, 1.0))
    with np.errstate(over="ignore", invalid="ignore"):
        correlation = covariance * scale * scale[:, None]
    if not np.all(np.abs(correlation) <= 1 + 1e-6):
        raise CalibrationFileError("uncertainty.covariance holds correlations beyond 1")
    if np.max(np.abs(correlation - correlation.T)) > _SYMMETRY:
        raise CalibrationFileError("uncertainty.covariance is not symmetric")
    if np.linalg.eigvalsh(correlation)[0] < -1e-6:
        raise CalibrationFileError("uncertainty.covariance is not positive semidefinite")
    return covariance


def _parameter_names(place: str, names: tuple[str, ...]) -> tuple[str, ...]:
    unknown = [name for name in names if name not in NAMES]
    if unknown:
        raise CalibrationFileError(f"{place} names an unknown parameter {unknown[0][:40]!r}")
    return names


def _refuse_contradiction(stated: DerivedPart, true: DerivedPart) -> None:
    for name in type(stated).model_fields:
        said, computed = getattr(stated, name), getattr(true, name)
        if (said is None) != (computed is None) or (
            said is not None
            and not np.allclose(said, computed, rtol=_STATED_AGREEMENT, atol=_STATED_AGREEMENT)
        ):
            raise CalibrationFileError(
                f"rig.derived.{name} contradicts the rotations it is derived from "
                "(to change a calibration by hand, change both)"
            )


def _quality(part: QualityPart | None) -> Quality | None:
    if part is None:
        return None
    return Quality(
        part.unseen_matches,
        _or_nan(part.vertical_disparity_before_arcmin),
        _or_nan(part.vertical_disparity_after_arcmin),
        _or_nan(part.vertical_disparity_p95_arcmin),
        _or_nan(part.miss_px),
        _or_nan(part.map_sigma_deg),
    )


def _footage(part: FootagePart | None) -> Footage | None:
    if part is None:
        return None
    return Footage(
        part.files,
        part.sha256,
        part.frame_size_px,
        tuple((frame.index, frame.time_s) for frame in part.frames_used),
        part.eyes_swapped_in_frame,
        part.observations,
        part.tracks,
        part.notes,
    )


def _or_nan(value: float | None) -> float:
    return nan if value is None else value
