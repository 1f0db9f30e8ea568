"""A solve as the report sees it, made of exact simulated matches and noise for a picture."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocal.calibration import Calibration, FarPlane, Footage, Held, Quality
from autocal.geometry import Rig
from autocal.geometry.parameters import NAMES
from tests.simulation import SIZE, random_points, random_rig, simulate, walk


@dataclass(frozen=True, eq=False)
class Pairs:
    """Eye pairs, px in each half, and their frame."""

    left: NDArray[np.float64]
    right: NDArray[np.float64]
    frame: NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Evidence:
    """See `autocal.report.page_solve.SolveEvidence`."""

    calibration: Calibration
    nominal: Rig
    unseen: Pairs
    unseen_rig: Rig
    used: Pairs
    rejected: Pairs
    picture: tuple[NDArray[Any], NDArray[Any]]
    picture_frame: int


def covariance(rng: np.random.Generator, scale: float = 1e-4) -> NDArray[np.float64]:
    """A full covariance (25, 25), correlated, of sizes as solves have them."""
    mixed = rng.normal(size=(len(NAMES), len(NAMES))) / np.sqrt(len(NAMES)) + np.eye(len(NAMES))
    sizes = np.where([name.startswith("centre") for name in NAMES], 500 * scale, scale)
    return (mixed @ mixed.T) * np.outer(sizes, sizes)


def evidence(seed: int = 0, *, noisy: bool = True, **changes: Any) -> Evidence:
    """Exact matches of a random rig.

    noisy: a picture of pure noise, else of stripes; changes: of the calibration.
    """
    rng = np.random.default_rng(seed)
    rig = random_rig(rng)
    seen = simulate(rng, rig, walk(3), random_points(rng, 2500), noise_px=0.2).matches.eye_pairs()
    order = rng.permutation(len(seen))

    def some(rows: NDArray[np.int64]) -> Pairs:
        return Pairs(seen.pixel_left[rows], seen.pixel_right[rows], seen.frame[rows])

    calibration = Calibration(
        rig,
        covariance=covariance(rng),
        solved=NAMES[:5],
        held=(Held(("k3", "k3_difference"), "the rim was not seen", "film a scene with texture at the rim"),),
        assumed=("a baseline of 60 mm",),
        far=FarPlane("auto", 0.05, 0.05, 0.002, 120),
        quality=Quality(900, 21.0, 0.5, 1.4, 0.2, 0.005),
        footage=Footage(("demo.mp4",), "0" * 64, (2 * SIZE[0], SIZE[1]), ((0, 0.0), (1, 0.04), (2, 0.08))),
        unit="demo unit",
        made="2026-01-31T12:00:00+00:00",
    )
    nominal = replace(rig, R_left=np.eye(3), R_right=np.eye(3))
    noise = rng.integers(0, 256, (2, SIZE[1], SIZE[0]), dtype=np.uint8)  # what JPEG can do least with
    if not noisy:
        noise[:] = np.arange(SIZE[0]) // 32 % 2 * 200
    tenth = len(order) // 10
    return Evidence(
        replace(calibration, **changes),
        nominal,
        some(order[: 4 * tenth]),
        rig,
        some(order[4 * tenth : 9 * tenth]),
        some(order[9 * tenth :]),
        (noise[0], noise[1]),
        1,
    )
