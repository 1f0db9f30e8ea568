"""The disc a lens lights, found as the circle at which the picture falls to dark.

Rays from the middle find where brightness drops, as ratios so that dim rims count like bright ones; three
such points make a circle (RANSAC: Fischler and Bolles, CACM 24(6), 1981); the best is refined to where each
ray crosses half way between lit and dark, and fitted to those points by least squares of their distances.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from autocal.footage.survey import Survey
from autocal.geometry import ImageCircle

Array = NDArray[np.float64]

_RAYS = 720
_STEP_PX = 0.5
_CANDIDATES_PER_RAY = 4
_TRIALS = 3000
#: So many that their distances stay in the cache, and no fewer: between any two products another thread may
#: take Python's lock, and keeps it for milliseconds.
_TRIALS_AT_A_TIME = 256
_SEED = 20240229
# Sides of an edge are compared over this length, px of the small picture.
_SIDE_PX = 3.0
# For the last refinement, close to the edge: just beyond the blur of averaging down.
_NEAR_PX = 1.75
# Drops below this ratio are picture content, and above the other say no more.
_SMALLEST_DROP, _LARGEST_DROP = np.log(1.5), np.log(12.0)
# Light below this share of the picture's level counts as none: stray light, glow on a lens hood.
_DARK_SHARE = 0.04
_TOLERANCE_PX = 1.5
# Centre and radius must make sense: shares of the shorter side, and of the longer.
_LARGEST_SHIFT, _SMALLEST_RADIUS, _LARGEST_RADIUS = 0.25, 0.25, 0.62
_LEAST_SUPPORT, _LEAST_RAYS = 0.4, 0.15
_LARGEST_RMS_PX, _LARGEST_SIGMA_PX = 1.0, 0.7
# The two lenses of a rig are of one make.
_LARGEST_RADIUS_RATIO = 1.06


@dataclass(frozen=True)
class FoundCircle:
    """An image circle in px of the half at full resolution, whether it was seen, and what that rests on.

    rim: how much of the rim that lies within the picture was seen, 0..1.
    """

    circle: ImageCircle
    found: bool
    reason: str
    rim: float = 0.0


@dataclass(frozen=True)
class _Fit:
    circle: ImageCircle
    support: float
    rays: int
    rms_px: float
    sigma_px: float


def find_image_circles(survey: Survey) -> tuple[FoundCircle, FoundCircle]:
    """The circles of both halves. Where only one is seen, the other takes its radius."""
    return survey.circles or image_circles(survey.brightest, survey.typical, survey.half_size)


def image_circles(
    brightest: NDArray[np.float32], typical: NDArray[np.float32], half_size: tuple[int, int]
) -> tuple[FoundCircle, FoundCircle]:
    """The circles of both halves, of brightness (2, h, w) as in a Survey."""
    left, right = (find_image_circle(brightest[half], typical[half], half_size) for half in (0, 1))
    if left.found and right.found:
        ratio = left.circle.radius / right.circle.radius
        if max(ratio, 1 / ratio) <= _LARGEST_RADIUS_RATIO:
            return left, right
        radii = f"{left.circle.radius:.0f} and {right.circle.radius:.0f} px"
        reason = f"assumed: the circles seen differ in radius ({radii}); the larger taken for both"
        larger = max(left.circle.radius, right.circle.radius)
        return (
            FoundCircle(ImageCircle(left.circle.x, left.circle.y, larger), False, reason),
            FoundCircle(ImageCircle(right.circle.x, right.circle.y, larger), False, reason),
        )
    if left.found:
        return left, _like_other(right, left)
    if right.found:
        return _like_other(left, right), right
    return left, right


def find_image_circle(
    brightest: NDArray[np.float32], typical: NDArray[np.float32], half_size: tuple[int, int]
) -> FoundCircle:
    """The image circle of one half.

    brightest, typical: (h, w) accumulated brightness in 0..1, as in a Survey. half_size: (width, height), px.
    Where no circle is seen, the one inscribed in the half, with found=False.
    """
    width, height = half_size
    one_frame = np.array_equal(brightest, typical)
    pictures = (brightest,) if one_frame else (brightest, typical)
    fits = [fit for fit in map(_fit_circle, pictures) if fit is not None]
    if not fits:
        inscribed = ImageCircle((width - 1) / 2, (height - 1) / 2, min(width, height) / 2)
        return FoundCircle(inscribed, False, "assumed: no dark surround is seen; inscribed in the picture")
    best = max(fits, key=lambda fit: fit.support)
    scale_x, scale_y = width / brightest.shape[1], height / brightest.shape[0]
    circle = ImageCircle(
        (best.circle.x + 0.5) * scale_x - 0.5,
        (best.circle.y + 0.5) * scale_y - 0.5,
        best.circle.radius * (scale_x + scale_y) / 2,
    )
    seen = f"{best.support:.0%} of its rim within the picture, scatter {best.rms_px * scale_x:.1f} px"
    return FoundCircle(circle, True, f"seen on {seen}", best.support)


def _like_other(missing: FoundCircle, other: FoundCircle) -> FoundCircle:
    circle = ImageCircle(missing.circle.x, missing.circle.y, other.circle.radius)
    return FoundCircle(circle, False, "assumed: no dark surround is seen; radius of the other eye")


def _fit_circle(brightness: NDArray[np.float32]) -> _Fit | None:
    """The best circle in px of the small picture, or None where none is convincing."""
    lit = _lit(brightness)
    if lit is None:
        return None
    height, width = lit.shape
    middle = ((width - 1) / 2, (height - 1) / 2)
    points, drops, rays = _edge_candidates(lit, middle)
    if len(np.unique(rays)) < _RAYS * _LEAST_RAYS:
        return None
    circle = _ransac(points, drops, rays, lit.shape)
    for reach, near in ((3 * _SIDE_PX, _SIDE_PX), (2 * _NEAR_PX, _NEAR_PX), (2 * _NEAR_PX, _NEAR_PX)):
        if circle is None:
            return None
        # From afar half way is meant in ratios, which find the last step down to dark behind a dim rim or
        # hood; close by in plain light, where a symmetric blur leaves it in place.
        edge, expected = _half_way_points(lit, circle, reach, near, in_ratios=reach > 2 * _NEAR_PX)
        fitted = _least_squares(edge, circle)
        if fitted is None or not _plausible(fitted[0], lit.shape):
            return None
        circle, residuals, sigma = fitted
    assert circle is not None
    close = np.abs(residuals) <= _TOLERANCE_PX
    fit = _Fit(
        circle,
        support=float(close.sum() / max(expected, 1)),
        rays=expected,
        rms_px=float(np.sqrt(np.mean(residuals[close] ** 2))) if close.any() else np.inf,
        sigma_px=sigma,
    )
    convincing = (
        fit.support >= _LEAST_SUPPORT
        and fit.rays >= _RAYS * _LEAST_RAYS
        and fit.rms_px <= _LARGEST_RMS_PX
        and fit.sigma_px <= _LARGEST_SIGMA_PX
        and _is_dark_around(lit, circle)
    )
    return fit if convincing else None


def _lit(brightness: NDArray[np.float32]) -> Array | None:
    """Light above the dark surround as a share of the picture's level; None where nothing stands out."""
    height, width = brightness.shape
    away = _distance(brightness.shape, (width - 1) / 2, (height - 1) / 2)
    short = min(height, width)
    outside = brightness[away > 0.5 * short]
    dark = float(np.percentile(outside, 5)) if outside.size else 0.0
    level = float(np.median(brightness[away < 0.35 * short])) - dark
    if level < 1.5 / 255:
        return None
    return np.clip((brightness.astype(np.float64) - dark) / level, 0.0, None)


def _edge_candidates(lit: Array, centre: tuple[float, float]) -> tuple[Array, Array, NDArray[np.int64]]:
    """Where brightness drops along rays from `centre`: points (n, 2), log ratios (n,), ray numbers (n,)."""
    length = float(np.hypot(*lit.shape)) / 2
    radii = np.arange(_SIDE_PX, length, _STEP_PX)
    logs = np.log(_polar(lit, centre, radii) + _DARK_SHARE)  # NaN outside the picture
    side = round(_SIDE_PX / _STEP_PX)
    sums = np.cumsum(np.pad(logs, ((0, 0), (1, 0))), axis=1)
    means = (sums[:, side:] - sums[:, :-side]) / side
    drop = means[:, :-side] - means[:, side:]  # inside minus outside of sample number column + side - 1/2
    drop = np.where(np.isfinite(drop), drop, -np.inf)
    peak = np.zeros(drop.shape, dtype=bool)
    peak[:, 1:-1] = (drop[:, 1:-1] >= drop[:, :-2]) & (drop[:, 1:-1] > drop[:, 2:])
    ranked = np.where(peak & (drop > _SMALLEST_DROP), drop, -np.inf)
    columns = np.argsort(-ranked, axis=1)[:, :_CANDIDATES_PER_RAY]
    rows = np.repeat(np.arange(_RAYS), columns.shape[1])
    columns = columns.ravel()
    kept = np.isfinite(ranked[rows, columns])
    rows, columns = rows[kept], columns[kept]
    radius = radii[0] + (columns + side - 0.5) * _STEP_PX
    angle = 2 * np.pi * rows / _RAYS
    points = np.stack([centre[0] + radius * np.cos(angle), centre[1] + radius * np.sin(angle)], axis=-1)
    return points, np.minimum(ranked[rows, columns], _LARGEST_DROP), rows


def _ransac(
    points: Array, drops: Array, rays: NDArray[np.int64], shape: tuple[int, ...]
) -> ImageCircle | None:
    """The circle through three candidates that most rays agree with, each weighing as much as its drop."""
    rng = np.random.default_rng(_SEED)
    picks = rng.choice(len(points), size=(_TRIALS, 3), p=drops / drops.sum())
    x, y, radius = _through_three(points[picks])
    height, width = shape
    fits = np.isfinite(radius) & (radius >= _SMALLEST_RADIUS * min(shape))
    fits &= radius <= _LARGEST_RADIUS * max(shape)
    fits &= np.hypot(x - (width - 1) / 2, y - (height - 1) / 2) <= _LARGEST_SHIFT * min(shape)
    circles = np.column_stack([x, y, radius])[fits]
    if not len(circles):
        return None
    # A ray agrees as much as its best candidates do, but no more than fully.
    starts = np.flatnonzero(np.diff(rays, prepend=-1))
    scores: list[float] = []
    for some in np.array_split(circles, -(-len(circles) // _TRIALS_AT_A_TIME)):
        by_ray = np.add.reduceat(drops * _on_circle(points, some), starts, axis=1)
        scores += np.minimum(by_ray, _LARGEST_DROP).sum(axis=1).tolist()
    cx, cy, r = circles[int(np.argmax(scores))]
    return ImageCircle(float(cx), float(cy), float(r))


def _on_circle(points: Array, circles: Array) -> NDArray[np.bool_]:
    """Which points (n, 2) lie on which circles (m, 3): (m, n)."""
    x, y, radius = circles.T
    # Squares of the distances less those of the radii, by one product: roots would take most of the time.
    of_circles = np.column_stack([-2 * x, -2 * y, np.ones_like(x), x**2 + y**2 - radius**2])
    of_points = np.column_stack([points, (points**2).sum(axis=1), np.ones(len(points))])
    near = np.abs(of_circles @ of_points.T - _TOLERANCE_PX**2) <= (2 * _TOLERANCE_PX * radius)[:, None]
    return np.asarray(near)


def _through_three(points: Array) -> tuple[Array, Array, Array]:
    """Centres x, y and radii (n,) of the circles through triples (n, 3, 2); not finite where in a line."""
    a, b, c = points[:, 0], points[:, 1], points[:, 2]
    ab, ac = b - a, c - a
    twice_area = 2 * (ab[:, 0] * ac[:, 1] - ab[:, 1] * ac[:, 0])
    ab2, ac2 = (ab**2).sum(axis=1), (ac**2).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        dx = (ac[:, 1] * ab2 - ab[:, 1] * ac2) / twice_area
        dy = (ab[:, 0] * ac2 - ac[:, 0] * ab2) / twice_area
    return a[:, 0] + dx, a[:, 1] + dy, np.hypot(dx, dy)


def _half_way_points(
    lit: Array, circle: ImageCircle, reach: float, near: float, in_ratios: bool
) -> tuple[Array, int]:
    """Points (n, 2) at which brightness is half way down from inside to outside the circle.

    Levels are medians `near` to `reach` px off the circle. Also: how many rays have the rim in view.
    """
    offsets = np.arange(-reach, reach + _STEP_PX / 2, _STEP_PX)
    values = _polar(lit, (circle.x, circle.y), circle.radius + offsets)
    in_view = np.isfinite(values).all(axis=1)
    inner = np.median(values[:, offsets <= -near], axis=1)
    outer = np.median(values[:, offsets >= near], axis=1)
    with np.errstate(invalid="ignore"):
        clear = in_view & (np.log((inner + _DARK_SHARE) / (outer + _DARK_SHARE)) > _SMALLEST_DROP)
        if in_ratios:
            half_way = np.sqrt((inner + _DARK_SHARE) * (outer + _DARK_SHARE)) - _DARK_SHARE
        else:
            half_way = (inner + outer) / 2
        above = values > half_way[:, None]
    crossing = above[:, :-1] & ~above[:, 1:]
    clear &= crossing.any(axis=1)
    rows = np.flatnonzero(clear)
    # The crossing nearest to the circle.
    distance = np.where(crossing[rows], np.abs(offsets[:-1] + _STEP_PX / 2), np.inf)
    columns = np.argmin(distance, axis=1)
    before, after = values[rows, columns], values[rows, columns + 1]
    share = (before - half_way[rows]) / (before - after)
    radius = circle.radius + offsets[columns] + share * _STEP_PX
    angle = 2 * np.pi * rows / _RAYS
    points = np.stack([circle.x + radius * np.cos(angle), circle.y + radius * np.sin(angle)], axis=-1)
    return points, int(in_view.sum())


def _least_squares(points: Array, start: ImageCircle) -> tuple[ImageCircle, Array, float] | None:
    """Circle of least squared distances (Gauss-Newton, bounded influence), residuals, largest sigma; px."""
    if len(points) < _RAYS * _LEAST_RAYS / 2:
        return None
    x, y, radius = start.x, start.y, start.radius
    for _ in range(20):
        dx, dy = points[:, 0] - x, points[:, 1] - y
        distance = np.hypot(dx, dy)
        residuals = distance - radius
        weights = 1.0 / (1.0 + (residuals / (_TOLERANCE_PX / 3)) ** 2)
        jacobian = np.stack([dx / distance, dy / distance, np.ones_like(dx)], axis=-1)
        normal = jacobian.T @ (jacobian * weights[:, None])
        if np.linalg.cond(normal) > 1e8:
            return None
        step = np.linalg.solve(normal, jacobian.T @ (weights * residuals))
        x, y, radius = x + step[0], y + step[1], radius + step[2]
        if np.abs(step).max() < 1e-4:
            break
    variance = float(np.sum(weights * residuals**2) / weights.sum())
    sigma = float(np.sqrt(np.diag(np.linalg.inv(normal)).max() * variance))
    return ImageCircle(float(x), float(y), float(radius)), residuals, sigma


def _plausible(circle: ImageCircle, shape: tuple[int, ...]) -> bool:
    height, width = shape
    shift = np.hypot(circle.x - (width - 1) / 2, circle.y - (height - 1) / 2)
    in_range = _SMALLEST_RADIUS * min(shape) <= circle.radius <= _LARGEST_RADIUS * max(shape)
    return bool(in_range and shift <= _LARGEST_SHIFT * min(shape))


def _is_dark_around(lit: Array, circle: ImageCircle) -> bool:
    """Whether what surrounds the circle is far darker than a band inside its rim."""
    away = _distance(lit.shape, circle.x, circle.y)
    around = lit[away > circle.radius + _SIDE_PX]
    rim = lit[(away < circle.radius - _SIDE_PX) & (away > 0.9 * circle.radius)]
    return bool(around.size and rim.size and np.median(around) < 0.25 * np.median(rim))


def _distance(shape: tuple[int, ...], x: float, y: float) -> Array:
    rows, columns = np.ogrid[: shape[0], : shape[1]]
    return np.asarray(np.hypot(columns - x, rows - y), dtype=np.float64)


def _polar(image: Array, centre: tuple[float, float], radii: Array) -> Array:
    """Bilinear samples (_RAYS, len(radii)) along rays from `centre`; NaN outside the picture."""
    import cv2

    angle = 2 * np.pi * np.arange(_RAYS)[:, None] / _RAYS
    x = (centre[0] + radii * np.cos(angle)).astype(np.float32)
    y = (centre[1] + radii * np.sin(angle)).astype(np.float32)
    sampled = cv2.remap(
        image.astype(np.float32), x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=np.nan
    )
    return np.asarray(sampled, dtype=np.float64)
