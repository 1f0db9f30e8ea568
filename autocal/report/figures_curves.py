"""Curves and histograms of the page: how far things are, and what each lens does."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import numpy as np

from autocal.calibration import Calibration
from autocal.geometry import horizontal_disparity
from autocal.geometry.lens import Array, Lens
from autocal.geometry.parameters import DIFFERENCE_NAMES, LENS_NAMES, NAMES
from autocal.geometry.rig import Rig
from autocal.matches import LEFT, RIGHT
from autocal.report.figures_style import ACCENT, CARD, INK, LEFT_EYE, QUIET, RIGHT_EYE, new_panel, svg_panel
from autocal.report.page import Panel

_RADIAL: Final = ("focal", "k1", "k2", "k3", "k4")
_CURVE_DEG: Final = np.linspace(0.0, 90.0, 181)
_EYES: Final = (("left eye", LEFT_EYE, "-"), ("right eye", RIGHT_EYE, (0, (6, 2))))


def far_histogram(disparity_arcmin: Array, name: str, infinity_arcmin: float | None = None) -> Panel:
    """Horizontal disparity (n,) of matches in the finished views, with the far plane.

    infinity_arcmin: where geometric infinity lies in the views; None: not drawn.
    """
    d = disparity_arcmin
    infinity = 0.0 if infinity_arcmin is None else infinity_arcmin
    low, high = np.quantile(d, [0.002, 0.97]) if len(d) else (-10.0, 60.0)
    high = max(float(high), 20.0, infinity + 3.0)
    low = min(float(low), -0.2 * high, infinity - 3.0)  # room for the words left of zero
    figure, axes = new_panel(1080, 360)
    axes.axvspan(low, 0, facecolor=ACCENT, alpha=0.14, zorder=0)
    step = (high - low) / 120
    bins = np.arange(np.floor(low / step), np.ceil(high / step) + 1) * step  # an edge at zero
    axes.hist(d, bins=bins, color=LEFT_EYE, alpha=0.85, zorder=2)
    axes.axvline(0, color=INK, lw=1.8, zorder=3)
    axes.set(
        xlim=(low, high),
        ylabel="matches",
        xlabel="horizontal disparity in the finished views (arcmin); nearer things to the right",
    )
    top = axes.get_ylim()[1]
    axes.set_ylim(0, 1.25 * top)
    plate = {"facecolor": CARD, "edgecolor": "none", "alpha": 0.85, "pad": 2}
    words = {"fontsize": 11, "va": "top", "bbox": plate, "zorder": 4}
    offset = 0.008 * (high - low)
    axes.text(offset, 1.23 * top, "far plane: zero disparity", color=INK, **words)
    axes.text(-offset, 1.23 * top, "eyes would diverge", color=ACCENT, ha="right", **words)
    below = float(np.mean(d < 0)) if len(d) else 0.0
    alt = f"Histogram of the horizontal disparity of {len(d)} matches, {below:.1%} of them below zero."
    if infinity_arcmin is not None:
        axes.axvline(infinity, color=ACCENT, lw=1.8, ls=(0, (5, 3)), zorder=3)
        axes.text(infinity + offset, 1.10 * top, "infinity of the geometry", color=ACCENT, **words)
        alt += f" The infinity of the geometry lies at {infinity:+.1f} arcminutes."
    return svg_panel(figure, name, alt, wide=True)


def horizontal_arcmin(rig: Rig, left: Array, right: Array) -> Array:
    """Horizontal disparity of matches, px (n, 2) of each half; those outside a lens are left out."""
    d = np.rad2deg(horizontal_disparity(rig.directions(LEFT, left), rig.directions(RIGHT, right))) * 60
    return d[np.isfinite(d)]


def lens_panels(calibration: Calibration, name: str) -> tuple[Panel, ...]:
    """Both lenses: what they draw, how they depart from equidistant, how they differ; bands of two sigmas."""
    eyes = (calibration.rig.left, calibration.rig.right)
    return (
        _image_height(eyes, calibration, f"{name}-height"),
        _departure(eyes, calibration, f"{name}-departure"),
        _eye_difference(eyes, calibration, f"{name}-difference"),
    )


def _image_height(eyes: tuple[Lens, Lens], calibration: Calibration, name: str) -> Panel:
    figure, axes = new_panel(440, 340)
    words = _draw_both(axes, eyes, calibration, image_height_px, "{:.1f} px")
    axes.set(ylabel="px from the centre")
    axes.set_ylim(bottom=0)
    alt = f"Image height against angle: {words}."
    return svg_panel(figure, name, alt, "Where each lens puts a ray.")


def _departure(eyes: tuple[Lens, Lens], calibration: Calibration, name: str) -> Panel:
    figure, axes = new_panel(440, 340)
    words = _draw_both(axes, eyes, calibration, departure_percent, "{:+.1f} %")
    axes.set(ylabel="% from equidistant")
    caption = "How far each lens departs from an equidistant one of its own focal length."
    return svg_panel(figure, name, f"Departure from an equidistant lens: {words}.", caption)


def _draw_both(
    axes: Any,
    eyes: tuple[Lens, Lens],
    calibration: Calibration,
    measure: Callable[[Calibration, int, Array], tuple[Array, Array]],
    form: str,
) -> str:
    """Draw what `measure` tells of both eyes, with its band; the values at the rim in words."""
    words = []
    for eye, (label, colour, dashes) in enumerate(_EYES):
        angle = _angles(eyes[eye])
        value, sigma = measure(calibration, eye, angle)
        axes.fill_between(angle, value - 2 * sigma, value + 2 * sigma, color=colour, alpha=0.25, lw=0)
        axes.plot(angle, value, color=colour, ls=dashes, lw=2, label=label)
        words.append(f"{label} {form.format(value[-1])} at {angle[-1]:.0f}°")
    axes.set(xlabel="degrees off the lens's axis", xlim=(0, 90))
    axes.legend(frameon=False, labelcolor=QUIET, fontsize=11)
    return ", ".join(words)


def _eye_difference(eyes: tuple[Lens, Lens], calibration: Calibration, name: str) -> Panel:
    """The same angle, drawn by the right lens and by the left: arcmin, as seen by the viewer."""
    figure, axes = new_panel(440, 340)
    top = min(np.rad2deg(eye.max_angle) for eye in eyes)
    angle = _CURVE_DEG[top >= _CURVE_DEG]
    theta = np.deg2rad(angle)
    difference = eyes[1].radius_px(theta) - eyes[0].radius_px(theta)
    gradient = _gradient(eyes[1], theta, RIGHT) - _gradient(eyes[0], theta, LEFT)
    sigma = _sigma(gradient, calibration)
    scale = np.gradient(0.5 * (eyes[0].radius_px(theta) + eyes[1].radius_px(theta)), theta)
    arcmin = np.rad2deg(difference / scale) * 60
    band = np.rad2deg(2 * sigma / scale) * 60
    axes.axhline(0, color=QUIET, lw=1)
    axes.fill_between(angle, arcmin - band, arcmin + band, color=ACCENT, alpha=0.25, lw=0)
    axes.plot(angle, arcmin, color=ACCENT, lw=2)
    axes.set(xlabel="degrees off the lenses' axes", ylabel="right minus left (arcmin)", xlim=(0, 90))
    most, rim = np.abs(arcmin).max(), arcmin[-1]
    alt = f"Right lens minus left lens: at most {most:.1f} arcminutes, {rim:+.1f} at the rim."
    caption = "How much the two lenses differ: uncorrected, it would show as disparity in both directions."
    return svg_panel(figure, name, alt, caption)


def image_height_px(calibration: Calibration, eye: int, angle_deg: Array) -> tuple[Array, Array]:
    """Distance from the principal point (n,), px, of rays `angle_deg` (n,) off the axis, with its sigma."""
    lens, theta = calibration.rig.lens(eye), np.deg2rad(angle_deg)
    return lens.radius_px(theta), _sigma(_gradient(lens, theta, eye), calibration)


def departure_percent(calibration: Calibration, eye: int, angle_deg: Array) -> tuple[Array, Array]:
    """By how much the image height differs from f theta (n,), %, with its sigma: the focal length cancels."""
    lens, theta = calibration.rig.lens(eye), np.deg2rad(angle_deg)
    shape = _gradient(lens, theta, eye)
    shape[:, [NAMES.index("focal"), NAMES.index("focal_difference")]] = 0.0
    equidistant = np.where(theta > 0, lens.focal_px * theta, 1.0)
    share = np.where(theta > 0, lens.radius_px(theta) / equidistant - 1, 0.0)
    return 100 * share, 100 * _sigma(shape, calibration) / equidistant


def _angles(lens: Lens) -> Array:
    return _CURVE_DEG[np.rad2deg(lens.max_angle) >= _CURVE_DEG]


def _sigma(gradient: Array, calibration: Calibration) -> Array:
    variance = np.einsum("na,ab,nb->n", gradient, calibration.covariance, gradient)
    return np.sqrt(np.maximum(variance, 0.0))


def _gradient(lens: Lens, theta: Array, eye: int) -> Array:
    """Change (n, 25) of an eye's image height, px, with the rig's parameters.

    The formula is that of `autocal.geometry.lens`.
    """
    powers = np.stack([theta ** (2 * i + 3) for i in range(4)], axis=1)
    own = np.concatenate([lens.radius_px(theta)[:, None], lens.focal_px * powers], axis=1)  # by log f, k1..k4
    gradient = np.zeros((len(theta), len(NAMES)))
    for column, number in enumerate(_RADIAL):
        place = LENS_NAMES.index(number)
        gradient[:, NAMES.index(number)] = own[:, column]
        gradient[:, NAMES.index(DIFFERENCE_NAMES[place])] = (-0.5, 0.5)[eye] * own[:, column]
    return gradient
