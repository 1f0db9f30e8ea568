"""The classical fisheye projections, and the nominal lens a solve starts from.

equidistant r = f theta, equisolid r = 2 f sin(theta/2), stereographic r = 2 f tan(theta/2),
orthographic r = f sin(theta): Kannala and Brandt, IEEE PAMI 28(8), 2006, eqs. 2 to 5.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from autocal.errors import LensError
from autocal.geometry.lens import Array, ImageCircle, Lens

_RADIUS: Final[dict[str, Callable[[Array], Array]]] = {
    "equidistant": lambda theta: theta,
    "equisolid": lambda theta: 2.0 * np.sin(theta / 2.0),
    "stereographic": lambda theta: 2.0 * np.tan(theta / 2.0),
    "orthographic": np.sin,
}
PROJECTIONS: Final = tuple(_RADIUS)
_NARROWEST_FOV_DEG, _WIDEST_FOV_DEG = 20.0, 230.0


def radius_of_angle(projection: str, theta: ArrayLike) -> Array:
    """r / f of a classical projection at `theta` rad off the axis."""
    if projection not in _RADIUS:
        raise LensError(f"unknown projection {projection!r}: choose one of {', '.join(PROJECTIONS)}")
    return _RADIUS[projection](np.asarray(theta, dtype=np.float64))


def nominal_lens(
    size: tuple[int, int],
    circle: ImageCircle,
    *,
    fov_deg: float | None = None,
    focal_px: float | None = None,
    projection: str = "equidistant",
) -> Lens:
    """A lens of a classical projection, centred on its image circle.

    size: (width, height) of the eye's half, px. Give the field of view across the image
    circle, or the focal length in px; both together are a contradiction waiting to happen.

    Raises LensError on a field of view outside 20 to 230 degrees, on both or neither of
    `fov_deg` and `focal_px`, or on one the projection cannot reach (orthographic ends at 180).
    """
    if (fov_deg is None) == (focal_px is None):
        raise LensError("give either the field of view or the focal length, not both and not neither")
    if fov_deg is not None:
        if not _NARROWEST_FOV_DEG <= fov_deg <= _WIDEST_FOV_DEG:
            raise LensError(
                f"a field of view of {fov_deg:g} degrees is no fisheye lens: expected "
                f"{_NARROWEST_FOV_DEG:g} to {_WIDEST_FOV_DEG:g} degrees across the image circle"
            )
        if projection == "orthographic" and fov_deg > 180.0:
            raise LensError("an orthographic lens cannot see past 180 degrees: check --fov or --projection")
        focal_px = circle.radius / float(radius_of_angle(projection, np.deg2rad(fov_deg / 2)))
    assert focal_px is not None
    return Lens(size, focal_px, (circle.x, circle.y), _fitted_polynomial(projection), circle=circle)


def _fitted_polynomial(projection: str) -> tuple[float, float, float, float]:
    """k1..k4 closest to the projection from the axis to 90 degrees (least squares)."""
    theta = np.linspace(1e-3, np.deg2rad(90.0), 400)
    powers = np.stack([theta**3, theta**5, theta**7, theta**9], axis=1)
    k, *_ = np.linalg.lstsq(powers, radius_of_angle(projection, theta) - theta, rcond=None)
    return tuple(0.0 if projection == "equidistant" else float(v) for v in k)  # type: ignore[return-value]
