"""Which calibration fits a clip better: told where it is so, not claimed where it is chance."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from autocal.calibration import Calibration
from autocal.commands.compare import compare
from autocal.errors import MatchError
from autocal.exchange.opencv_model import calibration_from_opencv
from autocal.geometry import Rig, matrix_from_rotation_vector
from autocal.matches import EyePairs
from autocal.verify.compare_on import fit_on_clip
from tests.simulation import random_points, random_rig, simulate, walk


def turned(rig: Rig, pitch_deg: float) -> Calibration:
    R = matrix_from_rotation_vector(np.deg2rad([pitch_deg, 0, 0]))
    return Calibration(replace(rig, R_right=R @ rig.R_right))


def pairs_of(rig: Rig, seed: int, points: int = 1500, outliers: float = 0.0) -> EyePairs:
    rng = np.random.default_rng(seed)
    seen = simulate(rng, rig, walk(4), random_points(rng, points), outliers=outliers)
    return seen.matches.eye_pairs()


_RIG_A = Path(__file__).parents[2] / "shared" / "real" / "rig_a"
RIG = random_rig(np.random.default_rng(0))


@pytest.mark.parametrize("outliers", [0.0, 0.15])
def test_the_true_calibration_beats_one_with_a_tenth_of_a_degree_of_pitch(outliers: float) -> None:
    fit = fit_on_clip(
        turned(RIG, 0), turned(RIG, 0.1), pairs_of(RIG, 1, outliers=outliers), np.random.default_rng(0)
    )
    assert fit.better == "a"
    assert fit.miss_a_px < fit.miss_b_px
    assert fit.vertical_b_arcmin > fit.vertical_a_arcmin


def test_the_order_does_not_matter() -> None:
    pairs = pairs_of(RIG, 1)
    fit = fit_on_clip(turned(RIG, 0.1), turned(RIG, 0), pairs, np.random.default_rng(0))
    assert fit.better == "b"


def test_the_miss_of_the_true_calibration_is_the_noise_put_in() -> None:
    # The noise of two rays adds (sqrt 2), and the Sampson distance shares it between two (1 / sqrt 2).
    fit = fit_on_clip(turned(RIG, 0), turned(RIG, 0.1), pairs_of(RIG, 2), np.random.default_rng(0))
    assert fit.miss_a_px == pytest.approx(0.3, rel=0.15)


def test_two_equally_wrong_calibrations_are_rarely_told_apart() -> None:
    claims = 0
    for seed in range(40):
        rig = random_rig(np.random.default_rng(seed + 50))
        fit = fit_on_clip(
            turned(rig, 0.02), turned(rig, -0.02), pairs_of(rig, seed, 500), np.random.default_rng(seed)
        )
        claims += fit.better is not None
    assert claims <= 3  # tested at 1 %


def test_a_calibration_against_itself_is_no_difference() -> None:
    fit = fit_on_clip(turned(RIG, 0), turned(RIG, 0), pairs_of(RIG, 3), np.random.default_rng(0))
    assert fit.better is None
    assert fit.p_value == 1.0


def test_matches_in_one_corner_decide_nothing() -> None:
    pairs = pairs_of(RIG, 4)
    few = np.flatnonzero((pairs.pixel_left[:, 0] > 1000) & (pairs.pixel_left[:, 1] > 1000))
    corner = EyePairs(
        *(getattr(pairs, f)[few] for f in ("left", "right", "frame", "pixel_left", "pixel_right", "sigma_px"))
    )
    with pytest.raises(MatchError, match="regions"):
        fit_on_clip(turned(RIG, 0), turned(RIG, 0.1), corner, np.random.default_rng(0))


@pytest.mark.skipif(not _RIG_A.is_dir(), reason="the real frames are not beside the checkout")
def test_on_real_frames_the_published_calibration_beats_one_with_a_pitch_put_in(tmp_path: Path) -> None:
    # Published chart calibration of the rig (its README).
    published = calibration_from_opencv(
        [[392.15, 0.39, 631.78], [0, 393.11, 493.19], [0, 0, 1]], [-0.028105, 0.000275, -0.007671, 0.002430],
        [[391.97, 0, 620.62], [0, 392.77, 489.22], [0, 0, 1]], [-0.031501, 0.003315, -0.008129, 0.002204],
        np.deg2rad([-0.330, 0.178, 0.230]), [-124.88, 0.03, 0.36], (1280, 960),
    )  # fmt: skip
    published.save(tmp_path / "a.json")
    turned(published.rig, 0.2).save(tmp_path / "b.json")
    result = CliRunner().invoke(
        compare,
        [str(tmp_path / "a.json"), str(tmp_path / "b.json"), "--on", str(_RIG_A / "scene-01.jpg"), "--json"],
    )
    assert result.exception is None
    on_clip = json.loads(result.output)["comparisons"][0]["on_clip"]
    assert on_clip["better"] == "a"
    assert on_clip["miss_a_px"] < 0.5  # 0.40 px is known of it
