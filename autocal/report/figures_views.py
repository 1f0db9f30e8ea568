"""The views to look at: whole and in parts, before and after, as anaglyph and eye by eye."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from autocal.geometry import Rig
from autocal.matches import LEFT, RIGHT
from autocal.report.figures_style import jpeg
from autocal.report.page import Image, Look, Place, Views
from autocal.report.pictures_anaglyph import anaglyph
from autocal.report.pictures_views import Half, cut_view, display_range, whole_view

_WHOLE_PX: Final = 960
_PART_PX: Final = 440
_UNSEEN: Final = 0.05  # near black
_LOOKS: Final = ("Anaglyph", "Left eye", "Right eye")
#: Of each data URI: all places together stay under 4.6 MB, so that the page stays under 6.
_WHOLE_BYTES: Final = {"Anaglyph": 600_000, "Left eye": 320_000, "Right eye": 320_000}
_PART_BYTES: Final = {"Anaglyph": 100_000, "Left eye": 55_000, "Right eye": 55_000}


class _Part(NamedTuple):
    name: str
    longitude_deg: float
    latitude_deg: float


_PARTS: Final = (
    _Part("Centre", 0, 0),
    _Part("Left edge", -60, 0),
    _Part("Right edge", 60, 0),
    _Part("Top", 0, 60),
    _Part("Bottom", 0, -60),
)


def views(
    left: Half,
    right: Half,
    before: Rig,
    after: Rig,
    *,
    intro: str,
    title: str = "Before and after",
    states: tuple[str, str] = ("before", "after"),
    map_height: int = 4096,
) -> Views:
    """The section with the viewer.

    left, right: each eye's half of a frame, luma (H, W), uint8 or uint16. before, after: what to
    map with; states: what to call the two. map_height: px for 180 degrees in the finished picture, which
    the parts are shown in.
    """
    halves = (left, right)
    ranges = (display_range(halves[LEFT], after.left), display_range(halves[RIGHT], after.right))
    px_per_degree = map_height / 180

    rigs = dict(zip(states, (before, after), strict=True))

    def seen(rig: Rig, part: _Part | None) -> list[Half]:
        eyes = []
        for eye in (LEFT, RIGHT):
            view, valid = (
                whole_view(halves[eye], rig, eye, _WHOLE_PX)
                if part is None
                else cut_view(halves[eye], rig, eye, part[1:], _PART_PX, px_per_degree)
            )
            low, high = ranges[eye]
            eyes.append(np.where(valid, (view - low) / (high - low), _UNSEEN).astype(np.float32))
        return eyes

    def place(name: str, note: str, part: _Part | None = None) -> Place:
        shown = {state: seen(rig, part) for state, rig in rigs.items()}
        most = _PART_BYTES if part else _WHOLE_BYTES
        looks = (
            Look(look, *(_image(shown[state], look, f"{name}, {state}", most[look]) for state in states))
            for look in _LOOKS
        )
        return Place(name, note, tuple(looks))

    wide = _PART_PX / px_per_degree
    scale = f"one pixel here is one of a {2 * map_height} x {map_height} map"
    return Views(
        title,
        intro,
        (
            place("Whole view", "180° by 180°, as the finished picture has it."),
            *(
                place(
                    part.name,
                    f"{wide:.0f}° wide{_where(part)}; {scale}.",
                    part,
                )
                for part in _PARTS
            ),
        ),
        states,
    )


def _where(part: _Part) -> str:
    if part.longitude_deg:
        return f", {abs(part.longitude_deg):g}° to the {'right' if part.longitude_deg > 0 else 'left'}"
    if part.latitude_deg:
        return f", {abs(part.latitude_deg):g}° {'up' if part.latitude_deg > 0 else 'down'}"
    return ""


def _image(eyes: list[Half], look: str, what: str, most_bytes: int) -> Image:
    if look == "Anaglyph":
        picture = anaglyph(eyes[LEFT], eyes[RIGHT])
        alt = f"{what}: red-cyan anaglyph, left eye red, right eye cyan."
        return jpeg(picture, alt, most_bytes=most_bytes)
    eye = LEFT if look == "Left eye" else RIGHT
    grey = np.clip(eyes[eye] * 255 + 0.5, 0, 255).astype(np.uint8)
    return jpeg(grey, f"{what}: {look.lower()}.", most_bytes=most_bytes)
