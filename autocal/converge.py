"""The far plane: where the most distant content lies, and the shift that brings it to zero disparity.

Headset platforms want the furthest object at zero horizontal disparity and nothing beyond (common
practice, no source). The geometry has its own infinity, from the solved yaw; both are reported.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from autocal.calibration import FarPlane
from autocal.geometry.epipolar import horizontal_disparity, vertical_disparity
from autocal.geometry.lens import Array
from autocal.matches import Ints

_FEWEST = 20  # matches that make an edge
_SHARE = 0.004  # of all matches, likewise
_FEWEST_SECTORS = 3  # of twelve around the axis, so that one wrong object is no far plane
_SECTORS = 12
_WINDOW_SIGMAS = 4.0  # the far edge of a sharp far plane is smeared over plus and minus two
_NARROWEST_WINDOW = np.deg2rad(1.0 / 60)
_FAR_DISTANCE_BASELINES = 500.0  # 30 m for a 60 mm rig: nearer than that is not far content


@dataclass(frozen=True, eq=False)
class FarEdge:
    """The far edge of a distribution of horizontal disparity, rad.

    sigma: of the edge; matches: how many make it.
    """

    disparity: float
    sigma: float
    matches: int


def far_edge(left: Array, right: Array, sigma: Array, frame: Ints) -> FarEdge | None:
    """The lowest horizontal disparity that many matches in several places and frames support.

    left, right: (n, 3), rectified directions of inliers. sigma: (n,), rad, of each horizontal
    disparity. frame: (n,). None where nothing supports an edge.

    A window slides up from the lowest disparity until it holds enough matches, well spread; the edge
    is the median of what it holds. Wrong matches are thin below the edge and never fill it.
    """
    disparity = horizontal_disparity(left, right)
    good = np.isfinite(disparity) & (np.abs(vertical_disparity(left, right)) < 5 * sigma + _NARROWEST_WINDOW)
    good &= np.abs(left[:, 0] + right[:, 0]) < 2 * np.sin(np.deg2rad(75))  # asin blows noise up at the sides
    if good.sum() < _FEWEST:
        return None
    disparity, sigma, frame = disparity[good], sigma[good], frame[good]
    middle = (left[good] + right[good]) / 2
    sector = ((np.arctan2(middle[:, 1], middle[:, 0]) / (2 * np.pi) % 1) * _SECTORS).astype(int)
    # The most certain matches draw the sharpest edge.
    sure = sigma <= np.quantile(sigma, 0.7)
    disparity, sigma, frame, sector = disparity[sure], sigma[sure], frame[sure], sector[sure]
    order = np.argsort(disparity)
    disparity, sigma, frame, sector = disparity[order], sigma[order], frame[order], sector[order]
    width = max(_WINDOW_SIGMAS * float(np.median(sigma)), _NARROWEST_WINDOW)
    needed = max(_FEWEST, int(_SHARE * len(disparity)))
    frames = min(2, len(np.unique(frame)))
    for first in range(len(disparity) - needed + 1):
        last = int(np.searchsorted(disparity, disparity[first] + width))
        if last - first < needed:
            continue
        inside = slice(first, last)
        if len(np.unique(sector[inside])) < _FEWEST_SECTORS or len(np.unique(frame[inside])) < frames:
            continue
        spread = float(np.std(disparity[inside]))
        # Sights of one thing in many frames share its error: count places, not sights.
        places = max((last - first) / max(len(np.unique(frame)), 1), 1.0)
        # Where content thins out instead of ending, the window's own width is what is not known.
        sigma_edge = max(spread / np.sqrt(places), width / 8)
        return FarEdge(float(np.median(disparity[inside])), sigma_edge, last - first)
    return None


def far_plane(edge: FarEdge | None, yaw_sigma: float, far: str | float) -> tuple[FarPlane, tuple[str, ...]]:
    """The convergence to apply, and what to warn of.

    yaw_sigma: rad, of the solved yaw, which places the geometry's infinity. far: "auto", "infinity"
    (no shift) or a number, degrees of disparity that the far edge keeps.
    """
    warnings: list[str] = []
    degrees = np.rad2deg(edge.disparity) if edge else float("nan")
    sigma = np.rad2deg(edge.sigma) if edge else float("nan")
    matches = edge.matches if edge else 0
    if edge is None:
        warnings.append(
            "no far plane was found: too few certain matches; infinity is where the geometry puts it"
        )
        return FarPlane("infinity", 0.0, degrees, sigma, matches), tuple(warnings)
    total = float(np.hypot(edge.sigma, yaw_sigma))
    beyond = edge.disparity < -max(3 * total, _NARROWEST_WINDOW)
    near = edge.disparity - 3 * total > 1 / _FAR_DISTANCE_BASELINES
    if beyond:
        warnings.append(
            f"the furthest matches lie {-60 * degrees:.1f}' beyond the infinity of the solved geometry, "
            "more than its uncertainty allows: the views are shifted to bring them to zero; check the far "
            "plane by eye"
        )
    if near:
        distance = 1 / edge.disparity
        warnings.append(
            f"the footage holds no far content (its furthest things are about {distance:.0f} baselines "
            "away): infinity is where the geometry puts it; film something further than 30 m to set the far "
            "plane"
        )
    if isinstance(far, float):
        return FarPlane("keep", degrees - far, degrees, sigma, matches), tuple(warnings)
    if far == "infinity" or near:
        return FarPlane("infinity", 0.0, degrees, sigma, matches), tuple(warnings)
    if not beyond and edge.disparity > 2 * _NARROWEST_WINDOW and np.rad2deg(yaw_sigma) > 0.1:
        warnings.append(
            "the yaw is too uncertain to tell how far the furthest things are: they were taken to be "
            "far away and brought to zero; film something further than 30 m to be sure"
        )
    return FarPlane("auto", degrees, degrees, sigma, matches), tuple(warnings)
