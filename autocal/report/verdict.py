"""The verdict of a solve in words and in numbers: for the terminal, for machines, for the report."""

from __future__ import annotations

from typing import Any

import numpy as np

from autocal.calibration import Calibration

CAUTION = (
    "Figures are guidance, not a promise of comfort: watch the result in a headset, in short sittings first, "
    "and follow professional practice."
)
_LEVELS = ((4.0, "excellent"), (8.0, "good"), (17.0, "marginal"))


def verdict_lines(calibration: Calibration) -> list[str]:
    """What a person needs to know, most important first; a line each."""
    yaw, pitch, roll = calibration.rig.yaw_pitch_roll_deg
    sigma = calibration.yaw_pitch_roll_sigma_deg
    ratio = calibration.rig.right.focal_px / calibration.rig.left.focal_px
    ratio_sigma = ratio * calibration.sigma["focal_difference"]
    lines = [
        f"right eye against left: yaw {_deg(yaw, sigma[0])}, pitch {_deg(pitch, sigma[1])}, "
        f"roll {_deg(roll, sigma[2])} degrees",
        f"focal lengths: right / left {ratio:.5f} +- {ratio_sigma:.5f}; "
        f"left {calibration.rig.left.focal_px:.2f} px +- {100 * calibration.sigma['focal']:.2g} %",
    ]
    quality = calibration.quality
    if quality is not None:
        lines.append(
            f"vertical disparity on {quality.unseen_matches} matches that were not used: "
            f"{quality.vertical_before_arcmin:.1f}' before, {quality.vertical_after_arcmin:.2f}' after "
            f"(95 in 100 within {quality.vertical_p95_arcmin:.1f}': "
            f"{comfort_level(quality.vertical_p95_arcmin)})"
        )
        lines.append(
            f"shape of the world: directions sure to {quality.map_sigma_deg:.2g} degrees over the field"
        )
    lines.append(_far_line(calibration))
    if calibration.swapped:
        lines.append(
            "the eyes are swapped in the footage: the left eye's picture is the second one; corrected"
        )
    held = [h for h in calibration.held if h.names]
    if held:
        lines.append("held at what was known before, as the footage did not decide them:")
        lines.extend(f"  {_plain(h.names)}: {h.reason}; to release, {h.film}" for h in held)
    lines.extend(f"assumed: {text}" for text in calibration.assumed)
    if calibration.assumed:
        lines.append("  to state what is known of these: --fov, --projection, --baseline-mm")
    lines.extend(f"warning: {text}" for text in calibration.warnings)
    return lines


def verdict_json(calibration: Calibration) -> dict[str, Any]:
    """The same for machines; angles in degrees or arcminutes as named."""
    names = ("yaw", "pitch", "roll")
    quality = calibration.quality
    far = calibration.far
    return {
        "relative_rotation_deg": dict(
            zip(names, map(float, calibration.rig.yaw_pitch_roll_deg), strict=True)
        ),
        "sigma_deg": dict(zip(names, map(float, calibration.yaw_pitch_roll_sigma_deg), strict=True)),
        "focal_px": {"left": calibration.rig.left.focal_px, "right": calibration.rig.right.focal_px},
        "focal_ratio": calibration.rig.right.focal_px / calibration.rig.left.focal_px,
        "vertical_disparity_arcmin": None
        if quality is None
        else {
            "unseen_matches": quality.unseen_matches,
            "before": quality.vertical_before_arcmin,
            "after": quality.vertical_after_arcmin,
            "p95": quality.vertical_p95_arcmin,
        },
        "miss_px": None if quality is None else quality.miss_px,
        "map_sigma_deg": None if quality is None else quality.map_sigma_deg,
        "far_plane": {
            "mode": far.mode,
            "shift_deg": far.shift_deg,
            "far_edge_deg": _number(far.far_edge_deg),
            "sigma_deg": _number(far.sigma_deg),
            "matches": far.matches,
        },
        "swapped": calibration.swapped,
        "solved": list(calibration.solved),
        "held": [{"names": list(h.names), "reason": h.reason, "film": h.film} for h in calibration.held],
        "assumed": list(calibration.assumed),
        "warnings": list(calibration.warnings),
    }


def comfort_level(vertical_p95_arcmin: float) -> str:
    """A word for a 95th percentile of vertical disparity, arcmin.

    17' is the most that McKay, Three-Dimensional Photography, p. 82, allows for projected slides and
    half of it what most people prefer; half again is called excellent here (our own judgement).
    """
    return next((word for limit, word in _LEVELS if vertical_p95_arcmin <= limit), "beyond guidance")


def _far_line(calibration: Calibration) -> str:
    far = calibration.far
    if not np.isfinite(far.far_edge_deg):
        return "far plane: not seen; infinity is where the geometry puts it"
    # Rounded first, and zero added: no "-0.0".
    lies, shift, sigma = (round(60 * d, 1) + 0.0 for d in (far.far_edge_deg, far.shift_deg, far.sigma_deg))
    edge = f"the furthest things lie at {lies:+.1f}' +- {sigma:.1f}'"
    if far.mode == "auto":
        return f"far plane: {edge}; the views are shifted by {shift:.1f}' to bring them to zero"
    if far.mode == "keep":
        return f"far plane: {edge}; the views are shifted by {shift:.1f}' as asked"
    return f"far plane: {edge}; not shifted, infinity is where the geometry puts it"


def _deg(value: float, sigma: float) -> str:
    digits = int(np.clip(np.ceil(-np.log10(max(sigma, 1e-6))) + 1, 2, 5))
    return f"{value:+.{digits}f} +- {sigma:.{digits}f}"


def _plain(names: tuple[str, ...]) -> str:
    return (
        ", ".join(name.replace("_", " ") for name in names) if len(names) <= 4 else f"{len(names)} lens terms"
    )


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
