"""Why two halves do not match: told apart, and told to the person who filmed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from autocal.errors import MatchError, TextureError
from autocal.geometry import yaw_pitch_roll_from_matrix
from autocal.geometry.lens import Array
from autocal.matching.contrast import DetectionImage
from autocal.matching.features import Features, find_features
from autocal.matching.guided import link_eyes
from autocal.matching.views import View

#: Eye-to-eye matches a frame below which something is wrong with the footage.
FEWEST_EYE_PAIRS = 40
_FEWEST_POINTS = 150
_MOST_ROLL_DEG = 60.0
_SAME_PICTURE_PX = 0.3


def why_few_matches(
    views: tuple[View, View], features: tuple[Features, Features], rng: np.random.Generator, device: str
) -> MatchError:
    """What is wrong with a pair of halves that hardly match, as the error to raise."""
    counts = [len(f) for f in features]
    if min(counts) < _FEWEST_POINTS:
        where = ("left", "right")[int(np.argmin(counts))]
        return TextureError(
            f"too little texture: only {min(counts)} distinctive points in the {where} half. Film a "
            "place full of detail (leaves, bricks, shelves) in good light, sharp, with the lens caps off"
        )
    mirrored = _mirrored_features(views[1])
    link = link_eyes(features[0], mirrored, rng, device)
    if len(link.pairs) >= FEWEST_EYE_PAIRS:
        if abs(_roll_deg(link.R)) > _MOST_ROLL_DEG:
            return MatchError(
                "one half is mirrored top to bottom against the other: flip it vertically before solving "
                "(or undo the flip in the recorder or the player that wrote the file)"
            )
        return MatchError(
            "one half looks mirrored left to right against the other: flip it horizontally before solving "
            "(or undo the mirror in the recorder or the player that wrote the file)"
        )
    return TextureError(
        "the two halves do not show the same scene, or too little detail of it (blurred, dark?). Is this a "
        "side-by-side recording of both eyes, and not a flat 2D clip? Two files of two eyes must start at "
        "the same instant"
    )


def upside_down(R: Array) -> str | None:
    """A message when the right half stands on its head against the left; R: (3, 3), left to right."""
    roll = _roll_deg(R)
    if abs(roll) < _MOST_ROLL_DEG:
        return None
    return (
        f"the right half is rolled by {roll:.0f} degrees against the left: one eye was recorded upside "
        "down or on its side. Turn that half upright before solving"
    )


def same_picture(left: Array, right: Array) -> bool:
    """Whether matched pixels (n, 2) coincide: the same picture in both halves, no stereo."""
    off = np.linalg.norm(left - right, axis=1)
    return len(off) > 0 and float(np.percentile(off, 90)) < _SAME_PICTURE_PX


SAME_PICTURE = (
    "both halves hold the same picture: there is no second eye in it. "
    "Use the clip as it came from the two lenses"
)


def _roll_deg(R: Array) -> float:
    return float(np.rad2deg(yaw_pitch_roll_from_matrix(R)[2]))


def _mirrored_features(view: View) -> Features:
    """Features of the picture as a mirror shows it, with their bearings mirrored too."""
    image, lens = view.detection, view.lens
    width, cx = lens.size[0], lens.principal_point[0]
    flipped = DetectionImage(
        np.ascontiguousarray(image.pixels[:, ::-1]), np.ascontiguousarray(image.mask[:, ::-1]), image.scale
    )
    circle = replace(lens.circle, x=width - 1 - lens.circle.x) if lens.circle else None
    lens = replace(lens, principal_point=(width - 1 - cx, lens.principal_point[1]), circle=circle)
    return find_features(flipped, lens)
