"""What a comparison says, against differences put in on purpose."""

import json
from dataclasses import replace
from io import StringIO
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from rich.console import Console
from scipy.spatial.transform import Rotation
from scipy.stats import kstest

from autocal.calibration import Calibration, FarPlane
from autocal.commands.compare import compare as command
from autocal.errors import CalibrationFileError
from autocal.geometry import matrix_from_rotation_vector
from autocal.geometry.parameters import NAMES, rig_from_vector, vector_from_rig
from autocal.verify.compare import NEAR_M, compare
from autocal.verify.compare_words import tables
from autocal.verify.field import ZONES_DEG, field_grid, summed_up
from tests.simulation import random_rig

RIG = random_rig(np.random.default_rng(0))
A = Calibration(RIG)


def right_eye_turned(degrees: list[float]) -> Calibration:
    return replace(
        A, rig=replace(RIG, R_right=matrix_from_rotation_vector(np.deg2rad(degrees)) @ RIG.R_right)
    )


def test_a_calibration_does_not_differ_from_itself() -> None:
    same = compare(A, A)
    assert same.map_summary().largest < 1e-9
    assert same.vertical_summary().largest < 1e-9
    assert same.far_plane_arcmin == pytest.approx(0.0, abs=1e-9)
    assert all(p.difference == 0 for p in same.parameters)


def test_a_common_rotation_of_both_eyes_is_no_difference_of_the_maps() -> None:
    R = Rotation.from_rotvec([0.02, -0.03, 0.05]).as_matrix()
    comparison = compare(A, replace(A, rig=RIG.turned(R)))
    assert comparison.map_summary().largest < 1e-9
    turned = Rotation.from_euler("YXZ", comparison.common_rotation_deg, degrees=True).as_rotvec()
    np.testing.assert_allclose(np.abs(turned), [0.02, 0.03, 0.05], atol=1e-9)


def test_a_pitch_of_one_eye_is_shared_by_the_maps_and_whole_in_the_vertical_disparity() -> None:
    comparison = compare(A, right_eye_turned([0.1, 0, 0]))  # 6 arcmin about the right camera's x axis
    assert comparison.map_summary().largest == pytest.approx(3.0, rel=1e-3)
    middle = comparison.vertical_summary(ZONES_DEG[0])
    assert middle.p95 == pytest.approx(6.0, rel=0.01)
    # psi turns by 6 arcmin everywhere; as arc it shrinks with sqrt(1 - x^2): at the ends of the
    # baseline it is nothing.
    x = comparison.field.directions[..., 0]
    expected = 6.0 * np.sqrt(1 - x**2)
    seen = np.isfinite(comparison.vertical_arcmin)
    np.testing.assert_allclose(np.abs(comparison.vertical_arcmin[seen]), expected[seen], atol=0.1)


def test_a_yaw_of_one_eye_moves_the_far_plane() -> None:
    comparison = compare(A, right_eye_turned([0, 0.1, 0]))
    assert abs(comparison.far_plane_arcmin) == pytest.approx(6.0, rel=0.02)


def test_a_convergence_moves_the_far_plane_and_nothing_else() -> None:
    comparison = compare(A, replace(A, far=FarPlane(shift_deg=0.1)))
    # shift takes 0.1 degree = 6 arcmin of horizontal disparity away: what was at zero now diverges.
    assert comparison.far_plane_arcmin == pytest.approx(-6.0, rel=1e-3)
    assert comparison.map_summary().largest < 1e-9


def test_a_longer_focal_length_shows_as_a_difference_that_grows_with_the_angle() -> None:
    lenses = [replace(lens, focal_px=lens.focal_px * 1.01) for lens in (RIG.left, RIG.right)]
    comparison = compare(A, replace(A, rig=replace(RIG, left=lenses[0], right=lenses[1])))
    means = [comparison.map_summary(zone).rms for zone in ZONES_DEG]
    assert means[0] < means[1] < means[2]
    # Close to the axis r = f theta: 1 % longer, 1 % less angle: 9 arcmin at 15 degrees.
    at_15 = np.isclose(comparison.field.off_axis_deg, 15.0)
    np.testing.assert_allclose(comparison.difference_arcmin[0][at_15], 9.0, rtol=0.05)
    shift = comparison.difference_deg[0]
    x = np.broadcast_to(comparison.field.angles_deg, shift.shape[:2])
    good = np.isfinite(shift[..., 0]) & (np.abs(x) > 10)
    assert np.all(shift[..., 0][good] * x[good] < 0)  # B looks closer to the axis


def test_near_things_show_the_same_pitch() -> None:
    comparison = compare(A, right_eye_turned([0.1, 0, 0]))
    centre = np.isclose(comparison.field.off_axis_deg, 0)
    assert NEAR_M == 2.0
    assert abs(comparison.vertical_near_arcmin[centre][0]) == pytest.approx(6.0, rel=0.01)


def test_a_proxy_of_the_same_rig_is_the_same() -> None:
    comparison = compare(A, replace(A, rig=RIG.scaled(0.5)))
    assert comparison.map_summary().largest < 1e-6
    assert any("carried over" in note for note in comparison.notes)


def test_another_aspect_is_refused() -> None:
    lens = replace(RIG.left, size=(1920, 1536))
    with pytest.raises(CalibrationFileError, match="another aspect"):
        compare(A, replace(A, rig=replace(RIG, left=lens, right=lens)))


def test_rigs_that_see_nothing_in_common_are_refused() -> None:
    away = [replace(lens, principal_point=(5000.0, 5000.0)) for lens in (RIG.left, RIG.right)]
    with pytest.raises(CalibrationFileError, match="nothing in common"):
        compare(A, replace(A, rig=replace(RIG, left=away[0], right=away[1])))


def with_noise(rng: np.random.Generator, covariance: np.ndarray) -> Calibration:
    vector = rng.multivariate_normal(vector_from_rig(RIG), covariance, method="cholesky")
    return Calibration(rig_from_vector(vector, RIG), covariance=covariance, solved=NAMES)


def strong_correlations() -> np.ndarray:
    root = np.random.default_rng(5).normal(size=(25, 25)) * 1e-4
    return root @ root.T + 1e-10 * np.eye(25)


def test_p_values_of_calibrations_that_differ_by_noise_alone_are_uniform() -> None:
    # A chi-square test's p-value is uniform under its null hypothesis (Kay, Estimation Theory, 1993).
    rng, covariance = np.random.default_rng(1), strong_correlations()
    p = [
        [test.p_value for test in compare_tests(with_noise(rng, covariance), with_noise(rng, covariance))]
        for _ in range(200)
    ]
    for column in np.transpose(p):
        assert kstest(column, "uniform").pvalue > 0.01


def compare_tests(a: Calibration, b: Calibration) -> tuple:
    from autocal.verify.compare_parameters import joint_tests

    return joint_tests(a, b)


def test_a_knock_of_ten_sigmas_is_told_from_noise() -> None:
    covariance = np.diag(np.full(25, 1e-8))
    rig = right_eye_turned([np.rad2deg(1e-3 * np.sqrt(2)), 0, 0]).rig
    a = Calibration(RIG, covariance=covariance, solved=NAMES)
    comparison = compare(a, Calibration(rig, covariance=covariance, solved=NAMES))
    rotation = next(t for t in comparison.tests if t.name == "relative rotation")
    assert rotation.differs
    assert rotation.chi_square == pytest.approx(100, rel=0.02)
    assert rotation.degrees_of_freedom == 3
    pitch = next(p for p in comparison.parameters if p.name == "pitch")
    assert abs(pitch.in_sigmas) == pytest.approx(10, rel=0.02)


def test_what_is_held_to_a_prior_is_not_tested() -> None:
    covariance = np.diag(np.full(25, 1e-8))
    a = Calibration(RIG, covariance=covariance, solved=NAMES[:3])
    freedoms = [t.degrees_of_freedom for t in compare(a, a).tests]
    assert freedoms == [3, 3, 3]


def test_without_any_uncertainty_nothing_is_called_significant() -> None:
    comparison = compare(A, right_eye_turned([1, 0, 0]))
    assert comparison.tests == ()
    assert all(np.isnan(p.in_sigmas) for p in comparison.parameters)


def test_an_eye_s_sigma_follows_from_the_common_and_the_difference() -> None:
    # left = common - difference / 2: variances add as c + d / 4 where the two are independent.
    covariance = np.zeros((25, 25))
    common, difference = NAMES.index("centre_x"), NAMES.index("centre_x_difference")
    covariance[common, common], covariance[difference, difference] = 9.0, 64.0
    a = Calibration(RIG, covariance=covariance)
    left = next(p for p in compare(a, a).parameters if p.name == "left centre x")
    assert left.sigma_a == pytest.approx(5.0)


def test_the_field_is_weighted_by_solid_angle() -> None:
    # On the half-sphere the mean of cos(theta) is 1/2, of cos^2 1/3 (integrals of sin cos^n).
    field = field_grid(0.5)
    cosine = np.where(np.isfinite(field.directions[..., 2]), field.directions[..., 2], np.nan)
    assert summed_up(cosine, field).rms == pytest.approx(np.sqrt(1 / 3), rel=2e-3)
    # 95 % of the solid angle has cos(theta) below 0.95 (Archimedes: the area of a cap grows with height)
    assert summed_up(cosine, field).p95 == pytest.approx(0.95, abs=2e-3)


def files(folder: Path) -> list[str]:
    paths = []
    for name, calibration in (
        ("a", A),
        ("b", right_eye_turned([0.1, 0, 0])),
        ("c", right_eye_turned([0, 0.1, 0])),
    ):
        calibration.save(folder / f"{name}.json")
        paths.append(str(folder / f"{name}.json"))
    return paths


def test_the_command_prints_one_json_object_for_machines(tmp_path: Path) -> None:
    result = CliRunner().invoke(command, [*files(tmp_path), "--json"])
    assert result.exit_code == 0
    document = json.loads(result.output)
    assert [Path(c["b"]).name for c in document["comparisons"]] == ["b.json", "c.json"]
    first = document["comparisons"][0]
    assert first["vertical_disparity_arcmin"]["0 to 30 degrees off axis"]["p95"] == pytest.approx(6, rel=0.01)
    pitch = next(p for p in first["parameters"] if p["name"] == "pitch")
    assert abs(pitch["difference"]) == pytest.approx(0.1, rel=1e-3)
    assert pitch["sigma_a"] is None


def test_the_command_says_first_what_matters(tmp_path: Path) -> None:
    result = CliRunner().invoke(command, files(tmp_path)[:2])
    assert result.exit_code == 0
    assert result.output.startswith("b.json differs from a.json by 2.4")
    assert "cannot be told" in result.output.replace("\n", " ")


def test_no_number_is_cut_off_on_a_terminal_of_80_columns() -> None:
    covariance = strong_correlations()
    rng = np.random.default_rng(3)
    a, b = (with_noise(rng, covariance) for _ in "ab")
    comparison = compare(a, b)
    console = Console(width=80, file=StringIO())
    for table in tables(comparison, "A", "B"):
        console.print(table)
    shown = console.file.getvalue()  # type: ignore[attr-defined]
    assert "…" not in shown
    for parameter in (p for p in comparison.parameters if p.a or p.b):
        digits = ".3f" if parameter.unit == "px" else ".4f" if parameter.unit == "deg" else ".6f"
        assert f" {parameter.difference:+{digits}} " in shown
