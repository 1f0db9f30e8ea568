"""The far plane: where the most distant content lies, and the shift that brings it to zero disparity.

Headset platforms want the furthest object at zero horizontal disparity and nothing beyond (common
practice, no source). The geometry has its own infinity, from the solved yaw; both are reported.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from autocal.calibration import FarPlane
from autocal.geometry.epipolar import horizontal_disparity, inverse_distance, vertical_disparity
from autocal.geometry.lens import Array
from autocal.matches import Ints

_FEWEST = 20  # matches that make an edge
_SHARE = 0.004  # of all matches, likewise
_FEWEST_SECTORS = 3  # of twelve around the axis, so that one wrong object is no far plane
_SECTORS = 12
_WINDOW_SIGMAS = 4.0  # the far edge of a sharp far plane is smeared over plus and minus two
_CONTRAST = (
    3.0  # how much denser than what lies beyond: wrong matches thin out slowly, content begins at once
)
_NARROWEST_WINDOW = np.deg2rad(1.0 / 60)
_STEPS = 40
_FAR_DISTANCE_BASELINES = 500.0  # 30 m for a 60 mm rig: nearer than that is not far content


@dataclass(frozen=True, eq=False)
class FarEdge:
    """The far edge of a distribution of horizontal disparity, rad.

    sigma: of the edge; matches: how many make it. inverse_distance: of the furthest content, 1 over
    baselines, and inverse_distance_sigma; NaN where not known.
    """

    disparity: float
    sigma: float
    matches: int
    inverse_distance: float = float("nan")
    inverse_distance_sigma: float = float("nan")


def far_edge(left: Array, right: Array, sigma: Array, frame: Ints) -> FarEdge | None:
    """The lowest horizontal disparity that many matches in several places and frames support.

    left, right: (n, 3), rectified directions of inliers. sigma: (n,), rad, of each horizontal
    disparity. frame: (n,). None where nothing supports an edge.

    The same is done for the inverse distance, which alone says how far the furthest content is: towards the
    ends of the baseline all disparities shrink, so that the walls of a room look like things far away.
    """
    disparity = horizontal_disparity(left, right)
    good = np.isfinite(disparity) & (np.abs(vertical_disparity(left, right)) < 5 * sigma + _NARROWEST_WINDOW)
    good &= np.abs(left[:, 0] + right[:, 0]) < 2 * np.sin(np.deg2rad(75))  # asin blows noise up at the sides
    if good.sum() < _FEWEST:
        return None
    left, right, disparity, sigma, frame = left[good], right[good], disparity[good], sigma[good], frame[good]
    middle = (left + right) / 2
    sector = ((np.arctan2(middle[:, 1], middle[:, 0]) / (2 * np.pi) % 1) * _SECTORS).astype(int)
    found = _lowest_edge(disparity, sigma, frame, sector)
    if found is None:
        return None
    across = np.sqrt(1 - middle[:, 0] ** 2)  # how much of the baseline is seen
    furthest = _lowest_edge(inverse_distance(left, right, 1.0), sigma / across, frame, sector)
    return FarEdge(*found, *(furthest[:2] if furthest else ()))


def _lowest_edge(value: Array, sigma: Array, frame: Ints, sector: Ints) -> tuple[float, float, int] | None:
    """Where the values (n,) begin, the sigma of that, and how many make it; None where nothing supports it.

    A window slides up from the lowest value to the first that holds enough matches, well spread over
    sectors and frames and much denser than what lies beyond it; there the edge is estimated by likelihood
    (`_edge_in`).
    """
    # The most certain matches draw the sharpest edge.
    sure = sigma <= np.quantile(sigma, 0.7)
    value, sigma, frame, sector = value[sure], sigma[sure], frame[sure], sector[sure]
    order = np.argsort(value)
    value, sigma, frame, sector = value[order], sigma[order], frame[order], sector[order]
    width = max(_WINDOW_SIGMAS * float(np.median(sigma)), _NARROWEST_WINDOW)
    needed = max(_FEWEST, int(_SHARE * len(value)))
    frames = len(np.unique(frame))
    end = np.searchsorted(value, value + width)
    held = end - np.arange(len(value))
    before = np.arange(len(value)) - np.searchsorted(value, value - 3 * width)
    beyond = (before + 2 * np.sqrt(before) + 3) / 3  # what a window could hold of it, by Poisson statistics
    for contrast in (_CONTRAST, 0.0):  # content that thins out slowly has no clear edge: the first will do
        for first in np.flatnonzero((held >= needed) & (held >= contrast * beyond)):
            inside = slice(first, end[first])
            if len(np.unique(sector[inside])) < _FEWEST_SECTORS:
                continue
            if len(np.unique(frame[inside])) < min(2, frames):
                continue
            edge = float(value[first]) + width
            for reach in (width, 0.5 * width):
                edge, edge_sigma = _edge_in(value, sigma, edge, reach, width, frames)
            return edge, edge_sigma, int(held[first])
    return None


def _edge_in(
    value: Array, sigma: Array, rough: float, reach: float, width: float, frames: int
) -> tuple[float, float]:
    """The edge within `reach` of `rough`, and its sigma; value: (n,), rising.

    Beside wrong matches, spread evenly, there is content at the edge itself and content nearer than it,
    within three ranges, all blurred by each match's own sigma. The shares of these are fitted for every
    place the edge may have (expectation maximisation: Dempster, Laird, Rubin, JRSS B 39, 1977); the edge is
    the mean of what the likelihoods leave. Taking the lowest matches themselves would put it one or two
    sigmas too far.
    """
    low, high = rough - 3 * width, rough + 3 * width
    near = (value >= low) & (value <= high)
    d, s = value[near], sigma[near]
    edges = np.linspace(rough - reach, rough + reach, 41)
    z = (d - edges[:, None]) / s
    depths: list[Array] = [np.full((1, 1), 0.5 * width), np.full((1, 1), width), high - edges[:, None]]
    kinds = np.stack(
        [
            np.exp(-0.5 * z * z) / (np.sqrt(2 * np.pi) * s),
            *((_normal_cdf(z) - _normal_cdf(z - depth / s)) / depth for depth in depths),
            np.full_like(z, 1 / (high - low)),
        ],
        axis=1,
    )  # (edges, kinds, near)
    share = np.full((len(edges), 1, kinds.shape[1]), 1 / kinds.shape[1])
    for _ in range(_STEPS):
        share *= (1 / (share @ kinds)) @ kinds.transpose(0, 2, 1) / len(d)
    # Sights of one thing in many frames share its error: they count once.
    log_likelihood = np.log(share @ kinds).sum(axis=(1, 2)) / frames
    weight = np.exp(log_likelihood - log_likelihood.max())
    weight /= weight.sum()
    edge = float(weight @ edges)
    step = edges[1] - edges[0]
    return edge, float(np.sqrt(weight @ (edges - edge) ** 2 + step**2 / 12))


def _normal_cdf(z: Array) -> Array:
    from scipy.special import ndtr

    return np.asarray(ndtr(z))


def far_plane(
    edge: FarEdge | None, infinity_sigma: float, far: str | float
) -> tuple[FarPlane, tuple[str, ...]]:
    """The convergence to apply, and what to warn of.

    infinity_sigma: rad, of the disparity at which the solved geometry places infinity. far: "auto",
    "infinity" (no shift) or a number, degrees of disparity that the far edge keeps.
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
    total = float(np.hypot(edge.sigma, infinity_sigma))
    beyond = edge.disparity < -max(3 * total, _NARROWEST_WINDOW)
    nearest = edge.inverse_distance - 3 * np.hypot(edge.inverse_distance_sigma, infinity_sigma)
    near = bool(nearest > 1 / _FAR_DISTANCE_BASELINES)
    if beyond:
        warnings.append(
            f"the furthest matches lie {-60 * degrees:.1f}' beyond the infinity of the solved geometry, "
            "more than its uncertainty allows: the views are shifted to bring them to zero; check the far "
            "plane by eye"
        )
    if near:
        distance = 1 / edge.inverse_distance
        warnings.append(
            f"the footage holds no far content (its furthest things are about {distance:.0f} baselines "
            "away): infinity is where the geometry puts it; film something further than 30 m to set the far "
            "plane"
        )
    if isinstance(far, float):
        return FarPlane("keep", degrees - far, degrees, sigma, matches), tuple(warnings)
    if far == "infinity" or near:
        return FarPlane("infinity", 0.0, degrees, sigma, matches), tuple(warnings)
    if not beyond and edge.disparity > 2 * _NARROWEST_WINDOW and np.rad2deg(infinity_sigma) > 0.1:
        warnings.append(
            "the yaw is too uncertain to tell how far the furthest things are: they were taken to be "
            "far away and brought to zero; film something further than 30 m to be sure"
        )
    return FarPlane("auto", degrees, degrees, sigma, matches), tuple(warnings)
