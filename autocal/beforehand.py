"""What is known before any footage is matched: what the user says, what the image circles show, an earlier
calibration; and how sure that is.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from autocal.calibration import Calibration
from autocal.cores import has_cuda_card
from autocal.errors import LensError, SolveError
from autocal.footage import FoundCircle
from autocal.geometry import ImageCircle, Lens, Rig, nominal_lens
from autocal.geometry.parameters import NAMES
from autocal.solver.prior import ROTATION_SIGMA, Prior, unit_covariance

_ASSUMED_FOV_DEG = 180.0
#: How far a stated focal length, a stated field of view or an assumed one may be from the truth (relative
#: sigmas; common practice, no source: data sheets round, some speak of the field that can be used, and the
#: circle's rim is soft).
_FOCAL, _STATED_FOV, _ASSUMED_FOV = 0.03, 0.06, 0.10
#: Equidistant field of view that a stated focal length may make of the image circle; other projections
#: differ from it by less than this leaves room for.
_NARROWEST_SEEN_DEG, _WIDEST_SEEN_DEG = 60.0, 300.0
_KNOCK_BASELINE_SIGMA = np.deg2rad(0.5)


@dataclass(frozen=True)
class SolveOptions:
    """What is known or wanted beforehand; everything may be left out.

    fov_deg: across the image circle. focal_mm with pixel_um: the lens's focal length and the sensor's
    pixel pitch as recorded. projection: equidistant, equisolid, stereographic, orthographic.
    eyes: "auto", "left-right" or "right-left". start: an earlier calibration as the prior.
    hold_lenses: solve rotation and baseline direction only. far: "auto", "infinity" or degrees kept.
    made: when, ISO 8601, stored as given.
    """

    fov_deg: float | None = None
    focal_mm: float | None = None
    pixel_um: float | None = None
    projection: str = "equidistant"
    baseline_mm: float | None = None
    eyes: str = "auto"
    start: Calibration | None = None
    hold_lenses: bool = False
    frames: int = 24
    seed: int = 0
    far: str | float = "auto"
    unit: str | None = None
    made: str | None = None
    device: str = "cpu"


@dataclass
class Remarks:
    """What has to be said beside the result; grows as a solve goes on."""

    assumed: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)


def refuse_nonsense(options: SolveOptions) -> None:
    """LensError or SolveError, before any footage is read, where an option says what cannot be."""
    if options.seed < 0:
        raise SolveError(f"--seed {options.seed}: expected 0 or more")
    if options.baseline_mm is not None and not 0 < options.baseline_mm < np.inf:
        raise LensError(f"--baseline-mm {options.baseline_mm:g} is no length: expected a number above zero")
    if options.device == "cuda" and not has_cuda_card():
        raise SolveError(
            "--device cuda: no CUDA card is there, or torch was installed without CUDA; give --device cpu"
        )
    if (options.focal_mm is None) != (options.pixel_um is None):
        raise LensError("--focal-mm needs --pixel-um beside it, and the other way round")
    if options.focal_mm is not None and options.fov_deg is not None:
        raise LensError("--fov and --focal-mm both say how wide the lens is: give only one of them")
    for name, value in (("--focal-mm", options.focal_mm), ("--pixel-um", options.pixel_um)):
        if value is not None and not 0 < value < np.inf:
            raise LensError(f"{name} {value:g} is no length: expected a number above zero")
    if options.fov_deg is not None:
        # Any circle will do: what can be wrong about a field of view does not depend on it.
        nominal_lens(
            (2, 2), ImageCircle(0.5, 0.5, 1.0), fov_deg=options.fov_deg, projection=options.projection
        )


def with_start_as_filmed(options: SolveOptions, half_size: tuple[int, int]) -> SolveOptions:
    """The options with an earlier calibration carried over to the footage's size.

    With it the order of the eyes is known, unless said otherwise. half_size: (width, height), px. Raises
    CalibrationFileError where the footage has another aspect.
    """
    if options.start is None:
        return options
    from autocal.exchange.any_file import carried_over

    known = "right-left" if options.start.swapped else "left-right"
    eyes = known if options.eyes == "auto" else options.eyes
    return replace(options, start=carried_over(options.start, half_size), eyes=eyes)


def half_lenses(
    half_size: tuple[int, int],
    circles: tuple[FoundCircle, FoundCircle],
    options: SolveOptions,
    log: Remarks,
) -> tuple[Lens, Lens]:
    """The nominal lens of the first and the second half. half_size: (width, height), px.

    Raises LensError where a stated lens does not go with the image circle that was found.
    """
    if options.start is not None:
        rig = options.start.rig
        return (rig.right, rig.left) if options.eyes == "right-left" else (rig.left, rig.right)
    focal_px = None
    fov_deg = options.fov_deg
    if options.focal_mm is not None and options.pixel_um is not None:
        focal_px = 1000.0 * options.focal_mm / options.pixel_um
    elif fov_deg is None:
        fov_deg = _ASSUMED_FOV_DEG
        log.assumed.append(f"a field of view of {fov_deg:g} degrees across the image circle")
    if any(not circle.found for circle in circles):
        log.warnings.append(circles[0].reason if not circles[0].found else circles[1].reason)
    log.assumed.append(f"the {options.projection} projection to begin with")
    lenses = [
        nominal_lens(
            half_size, found.circle, fov_deg=fov_deg, focal_px=focal_px, projection=options.projection
        )
        for found in circles
    ]
    if focal_px is not None:
        _refuse_unlikely_focal(lenses[0], circles[0])
    return lenses[0], lenses[1]


def _refuse_unlikely_focal(lens: Lens, found: FoundCircle) -> None:
    """LensError where a stated focal length does not go with the image circle in the footage."""
    seen_deg = np.rad2deg(found.circle.radius / lens.focal_px) * 2
    if found.found and not _NARROWEST_SEEN_DEG <= seen_deg <= _WIDEST_SEEN_DEG:
        raise LensError(
            f"--focal-mm over --pixel-um makes {lens.focal_px:.0f} px, by which the image circle of "
            f"{2 * found.circle.radius:.0f} px would span about {seen_deg:.0f} degrees; check both (the "
            "pitch is that of the footage: a sensor read out at half its size has pixels twice as large)"
        )


def circle_of(found: FoundCircle, lens: Lens) -> ImageCircle:
    """The image circle that matches are looked for in: as found, else as the lens has it."""
    return found.circle if found.found or lens.circle is None else lens.circle


def prior_of(
    halves: tuple[Lens, Lens], circles: tuple[FoundCircle, FoundCircle], options: SolveOptions, log: Remarks
) -> Prior:
    """What is known before matching, with `left` the left eye's lens as far as is known."""
    first, second = halves[::-1] if options.eyes == "right-left" else halves
    baseline = options.baseline_mm
    start = options.start
    if baseline is None:
        baseline = start.rig.baseline_mm if start else 60.0
        if start is None:
            log.assumed.append("a baseline of 60 mm: it scales distances only")
    if start is None:
        rig = Rig(first, second, np.eye(3), np.eye(3), baseline)
        by_focal = options.focal_mm is not None
        scale_sigma = _FOCAL if by_focal else _ASSUMED_FOV if options.fov_deg is None else _STATED_FOV
        found = all(circle.found for circle in circles)
        known = unit_covariance(rig, scale_sigma=scale_sigma, circles_found=found, rim_known=not by_focal)
        return Prior(rig, known)
    rig = Rig(first, second, start.rig.R_left, start.rig.R_right, baseline)
    known = start.covariance
    wide = unit_covariance(rig, scale_sigma=0.01, circles_found=True, rim_known=False)
    if not np.any(known):
        log.assumed.append(
            "lenses as certain as a careful chart calibration: the earlier calibration has no sigmas"
        )
        known = 0.2**2 * wide
    # A knock turns the eyes; lenses stay what they were. A floor keeps the prior invertible.
    loose = np.zeros(len(NAMES))
    loose[:3], loose[3:5] = ROTATION_SIGMA, _KNOCK_BASELINE_SIGMA
    return Prior(rig, known + np.diag(loose**2) + 1e-3**2 * wide)
