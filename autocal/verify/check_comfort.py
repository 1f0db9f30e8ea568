"""Whether a viewer would be comfortable: vertical disparity by zone of the field, and the far plane.

Guidance, not law: the limits come from flat screens and slides, and no published limits are known here
for 180-degree pictures in a headset. A check in the headset and professional practice decide.

What is rated is the local disparity, the median of the matches in a cell of the picture, so that the
scatter of single matches is not taken for a fault of the rig.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from autocal.geometry.lens import Array
from autocal.verify.field import ZONES_DEG, azimuthal_deg

GRADES: Final = ("excellent", "good", "marginal", "fail")
#: Upper ends of the first three grades, arcmin, for the 95th percentile of local vertical disparity.
#: 17' is half a prism dioptre, the most that is tolerated in projected slides, and 8' about half of it,
#: which most prefer: McKay, Three-Dimensional Photography, p. 82. The same two numbers, about 8' detected
#: and 17' tolerated, follow at three picture heights from Yamanoue et al. 1998 on 3D HDTV (size 1.2 and
#: 2.9 %, vertical 0.7 and 1.5 % of the height, rotation 0.5 and 1.1 degrees; those values from memory).
#: 4', half of the stricter one, has no source: margin for head roll, which adds vertical disparity of its
#: own (Kane, Held, Banks 2012).
VERTICAL_LIMITS_ARCMIN: Final = (4.0, 8.0, 17.0)
#: How far beyond parallel the eyes may be sent, arcmin: half a dioptre, 17', is uncomfortable (McKay,
#: the same page); half of that is the working limit.
DIVERGENCE_LIMITS_ARCMIN: Final = (8.0, 17.0)
SOURCES: Final = (
    "McKay, Three-Dimensional Photography, p. 82: vertical at most half a prism dioptre (17'), most prefer "
    "half of that; divergence of half a dioptre is uncomfortable",
    "Yamanoue et al. 1998, limits of detection and tolerance in 3D HDTV (values from memory)",
    "Kooi, Toet, Displays 25, 2004: nearly every difference between the eyes' pictures reduces comfort",
    "Kane, Held, Banks 2012: head roll adds vertical disparity of its own",
)
CAUTION: Final = (
    "Comfort limits are guidance from slides and flat screens, not a standard for headsets: "
    "look at the result in the headset, and let professional practice decide."
)
_CELL_DEG: Final = 10.0
_FEWEST_IN_CELL: Final = 5
_FEWEST_CELLS: Final = 4
_ACROSS: Final = int(180.0 / _CELL_DEG)


@dataclass(frozen=True, eq=False)
class Cells:
    """Local vertical disparity: of cells of the azimuthal picture with enough matches.

    centre_deg: (c, 2), azimuthal equidistant, x right and y down; vertical_arcmin: (c,), median;
    sigma_arcmin: (c,), of it, from the scatter inside the cell; matches: (c,).
    """

    centre_deg: Array
    vertical_arcmin: Array
    sigma_arcmin: Array
    matches: NDArray[np.int64]


@dataclass(frozen=True)
class ZoneComfort:
    """One zone of the field.

    p95_arcmin: of local vertical disparity; noise_arcmin: what the scatter of the matches alone would leave
    there; parts_arcmin: 95th percentile of what a remaining turn or a difference in size explains, by
    name. grade: one of `GRADES`, None with too few matches.
    """

    zone_deg: tuple[float, float]
    matches: int
    cells: int
    median_absolute_arcmin: float
    p95_arcmin: float
    noise_arcmin: float
    parts_arcmin: dict[str, float]
    grade: str | None


@dataclass(frozen=True)
class FarCheck:
    """The far side of the scene after the calibration's convergence.

    diverging_share: of matches beyond parallel by more than twice their sigma; p5_arcmin: horizontal
    disparity that 95 % of the matches exceed; edge_arcmin, edge_sigma_arcmin: the far edge, NaN where
    unsupported. grade: "good", "marginal" or "fail", None without matches.
    """

    diverging_share: float
    p5_arcmin: float
    edge_arcmin: float
    edge_sigma_arcmin: float
    grade: str | None


def local_disparity(directions: Array, vertical_arcmin: Array) -> Cells:
    """Medians over cells of matches at `directions` (n, 3) with vertical disparity (n,)."""
    place = azimuthal_deg(directions)
    grid = np.clip(np.floor(place / _CELL_DEG) + _ACROSS // 2, 0, _ACROSS - 1).astype(np.int64)
    cell = grid[:, 1] * _ACROSS + grid[:, 0]
    order = np.argsort(cell, kind="stable")
    edges = np.flatnonzero(np.diff(cell[order], prepend=-1, append=-1))
    rows: list[tuple[float, float, float, float, int]] = []
    for first, last in pairwise(edges):
        if last - first < _FEWEST_IN_CELL:
            continue
        members = order[first:last]
        values = vertical_arcmin[members]
        middle = float(np.median(values))
        scatter = 1.4826 * float(np.median(np.abs(values - middle)))
        # The median of Gaussian values is sqrt(pi / 2) less certain than their mean.
        sigma = np.sqrt(np.pi / 2) * scatter / np.sqrt(len(values))
        rows.append((*place[members].mean(axis=0), middle, float(sigma), len(values)))
    table = np.array(rows, dtype=np.float64).reshape(-1, 5)
    return Cells(table[:, :2], table[:, 2], table[:, 3], table[:, 4].astype(np.int64))


def zones(
    cells: Cells, directions: Array, vertical_arcmin: Array, parts: dict[str, Array]
) -> tuple[ZoneComfort, ...]:
    """Rate each zone. parts: by name, (n,), arcmin of vertical disparity at each match."""
    off_axis = np.hypot(*azimuthal_deg(directions).T)
    cell_off_axis = np.hypot(*cells.centre_deg.T)
    return tuple(
        _zone(
            zone,
            cells.vertical_arcmin[_within(cell_off_axis, zone)],
            cells.sigma_arcmin[_within(cell_off_axis, zone)],
            vertical_arcmin[_within(off_axis, zone)],
            {name: values[_within(off_axis, zone)] for name, values in parts.items()},
        )
        for zone in ZONES_DEG
    )


def far_check(horizontal_arcmin: Array, sigma_arcmin: Array, edge: tuple[float, float]) -> FarCheck:
    """Rate the far side. horizontal_arcmin, sigma_arcmin: (n,), converged; edge: far edge, sigma, arcmin."""
    if not len(horizontal_arcmin):
        return FarCheck(np.nan, np.nan, *edge, None)
    beyond = -float(np.percentile(horizontal_arcmin, 5))
    grade = ("good", "marginal", "fail")[int(np.searchsorted(DIVERGENCE_LIMITS_ARCMIN, beyond))]
    share = float(np.mean(horizontal_arcmin < -2 * sigma_arcmin))
    return FarCheck(share, -beyond, *edge, grade)


def worst(grades: list[str | None]) -> str | None:
    """The worst of grades; None where none is known."""
    known = [GRADES.index(grade) for grade in grades if grade]
    return GRADES[max(known)] if known else None


def _within(off_axis_deg: Array, zone: tuple[float, float]) -> NDArray[np.bool_]:
    # Beyond 90 degrees no view looks: what lies there belongs to no zone.
    return (off_axis_deg >= zone[0]) & (off_axis_deg < zone[1])


def _zone(
    zone: tuple[float, float], local: Array, sigma: Array, single: Array, parts: dict[str, Array]
) -> ZoneComfort:
    if len(local) < _FEWEST_CELLS:
        nothing = dict.fromkeys(parts, float("nan"))
        return ZoneComfort(zone, len(single), len(local), np.nan, np.nan, np.nan, nothing, None)
    p95 = float(np.percentile(np.abs(local), 95))
    return ZoneComfort(
        zone,
        len(single),
        len(local),
        float(np.median(np.abs(local))),
        p95,
        1.96 * float(np.sqrt(np.mean(sigma**2))),  # 95th percentile of a Gaussian's magnitude
        {name: float(np.percentile(np.abs(values), 95)) for name, values in parts.items()},
        GRADES[int(np.searchsorted(VERTICAL_LIMITS_ARCMIN, p95))],
    )
