"""calibration.json: exact round trip, strict reading, and nothing that makes it fall over."""

import json
from dataclasses import fields, is_dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from autocal.calibration import Calibration, FarPlane, Footage, Held, Quality
from autocal.calibration_file import calibration_text, load_calibration, save_calibration
from autocal.errors import CalibrationFileError, OutputError
from autocal.geometry.parameters import NAMES
from tests.simulation import random_rig


def full_calibration(seed: int = 0) -> Calibration:
    """A calibration with something in every field; invented numbers."""
    rng = np.random.default_rng(seed)
    rig = random_rig(rng)
    rig = replace(rig, left=replace(rig.left, decentring=(1e-4, -2e-4), skew=1e-3, aspect=1.0025))
    root = rng.normal(size=(25, 25)) * 1e-3
    return Calibration(
        rig=rig,
        covariance=root @ root.T,
        solved=NAMES[:5],
        held=(Held(NAMES[5:7], "still camera", "walk a metre and a half"),),
        assumed=("baseline 60 mm",),
        warnings=("no far content",),
        far=FarPlane("auto", 0.1 / 3, 0.07, float("nan"), 120),
        swapped=True,
        quality=Quality(1000, 12.5, 0.4, 1.1, 0.3, float("nan")),
        footage=Footage(
            ("yard.mp4",), "ab" * 32, (3072, 1536), ((0, 0.0), (7, 7 / 30)), True, 5000, 900, ("cut",)
        ),
        unit="demo unit 7",
        made="2026-01-02T03:04:05Z",
    )


def assert_identical(a: object, b: object) -> None:
    """Every field of two dataclasses to the last bit; NaN equals NaN."""
    assert isinstance(a, type(b)) or isinstance(b, type(a))
    if isinstance(a, np.ndarray):
        np.testing.assert_array_equal(a, b)
    elif is_dataclass(a):
        for field in fields(a):
            assert_identical(getattr(a, field.name), getattr(b, field.name))
    elif isinstance(a, float) and np.isnan(a):
        assert np.isnan(b)
    elif isinstance(a, tuple):
        assert len(a) == len(b)
        for one, other in zip(a, b, strict=True):
            assert_identical(one, other)
    else:
        assert a == b


@pytest.mark.parametrize("seed", range(5))
def test_a_calibration_comes_back_to_the_last_bit(tmp_path: Path, seed: int) -> None:
    calibration = full_calibration(seed)
    save_calibration(calibration, tmp_path / "c.json")
    assert_identical(load_calibration(tmp_path / "c.json"), calibration)


def test_a_calibration_without_uncertainty_says_null_and_comes_back(tmp_path: Path) -> None:
    calibration = Calibration(random_rig(np.random.default_rng(1)))
    save_calibration(calibration, tmp_path / "c.json")
    assert json.loads((tmp_path / "c.json").read_text())["uncertainty"]["covariance"] is None
    assert_identical(load_calibration(tmp_path / "c.json"), calibration)


def test_the_file_is_json_of_rfc_8259_without_nan(tmp_path: Path) -> None:
    def refuse(token: str) -> None:
        raise AssertionError(f"{token} is no JSON (RFC 8259, section 6)")

    json.loads(calibration_text(full_calibration()), parse_constant=refuse)


def test_saving_into_a_missing_folder_is_refused_and_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="folder"):
        save_calibration(full_calibration(), tmp_path / "no" / "c.json")
    assert list(tmp_path.iterdir()) == []


def test_the_right_eye_is_where_the_rows_of_the_rotation_say(tmp_path: Path) -> None:
    # By the page of conventions: columns of R_left are the rig axes in the left camera; the right eye lies
    # along rig x.
    document = json.loads(calibration_text(full_calibration()))
    R = np.array(document["rig"]["R_left_from_rig"])
    stated = document["rig"]["derived"]["baseline_direction_in_left_camera"]
    np.testing.assert_allclose(R @ [1, 0, 0], stated, atol=1e-15)


def _set(document: dict, path: str, value: object) -> str:
    part = document
    *above, last = path.split(".")
    for key in above:
        part = part[int(key) if isinstance(part, list) else key]
    part[int(last) if isinstance(part, list) else last] = value
    return json.dumps(document)


@pytest.mark.parametrize(
    ("path", "value", "says"),
    [
        ("format", "somebody else's", "no calibration of this program"),
        ("schema_version", 2, "newer version"),
        ("schema_version", "1", "schema_version"),
        ("left.focal_px", "467", "left.focal_px"),
        ("left.focal_px", float("nan"), "finite"),
        ("left.focal_px", float("inf"), "finite"),
        ("left.focal_px", -400.0, "left lens"),
        ("left.focal_px", 4.0, "focal length"),
        ("right.k.0", -3.0, "folds back"),
        ("right.principal_point_px.0", 1e6, "far outside"),
        ("left.decentring.0", 0.9, "decentring"),
        ("left.size_px.0", 0, "size_px"),
        ("left.size_px.0", 1536.5, "size_px"),
        ("left.size_px", [1536], "size_px"),
        ("rig.baseline_mm", 0, "baseline_mm"),
        ("rig.R_left_from_rig.0.0", 0.5, "no rotation"),
        ("rig.R_left_from_rig.0", [1.0, 0.0], "R_left_from_rig"),
        ("rig.derived.yaw_deg", 12.0, "contradicts"),
        ("rig.derived.R_right_from_left.0.1", 0.5, "contradicts"),
        ("rig.derived.sigma_yaw_pitch_roll_deg", None, "contradicts"),
        ("uncertainty.parameter_names.0", "rotation_w", "parameter_names"),
        ("uncertainty.covariance.0", [1.0], "rows"),
        ("uncertainty.covariance.0.0", -1.0, "negative"),
        ("uncertainty.covariance.0.1", 1.0, "correlations"),
        ("solved.0", "charm", "unknown parameter"),
        ("unknown_key", 1, "unknown_key"),
        ("footage.frames_used.0.index", None, "index"),
    ],
)
def test_a_wrong_value_is_refused_with_its_place_named(
    tmp_path: Path, path: str, value: object, says: str
) -> None:
    file = tmp_path / "c.json"
    file.write_text(_set(json.loads(calibration_text(full_calibration())), path, value))
    with pytest.raises(CalibrationFileError, match=says) as caught:
        load_calibration(file)
    assert str(file) in str(caught.value)


def test_a_mirror_image_is_no_rotation(tmp_path: Path) -> None:
    document = json.loads(calibration_text(full_calibration()))
    document["rig"]["R_left_from_rig"][0] = [-v for v in document["rig"]["R_left_from_rig"][0]]
    (tmp_path / "c.json").write_text(json.dumps(document))
    with pytest.raises(CalibrationFileError, match="right-handed"):
        load_calibration(tmp_path / "c.json")


@pytest.mark.parametrize(
    "text",
    [
        b"",
        b"null",
        b"[]",
        b"{}",
        b"not json",
        b"\xff\xfe\x00",
        b'{"format": "autocal calibration"}',
        b'{"format": "autocal calibration", "schema_version": 1}',
        b"[" * 200_000,
        b'{"format": ' * 100_000,
        b'{"format": "autocal calibration", "schema_version": 1' + b"0" * 5000 + b"}",
        b"\x89PNG\r\n\x1a\n" + bytes(1000),
    ],
)
def test_what_is_no_calibration_is_refused(tmp_path: Path, text: bytes) -> None:
    (tmp_path / "c.json").write_bytes(text)
    with pytest.raises(CalibrationFileError, match=r"c\.json"):
        load_calibration(tmp_path / "c.json")


def test_a_huge_file_is_refused_unread(tmp_path: Path) -> None:
    with (tmp_path / "c.json").open("wb") as file:
        file.truncate(3 * 2**30)
    with pytest.raises(CalibrationFileError, match="larger than 16 MB"):
        load_calibration(tmp_path / "c.json")


def test_a_missing_file_and_a_folder_are_refused(tmp_path: Path) -> None:
    for path in (tmp_path / "none.json", tmp_path):
        with pytest.raises(CalibrationFileError, match="cannot be read"):
            load_calibration(path)


TEXT = calibration_text(full_calibration()).encode()


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_damage_anywhere_is_read_or_refused_never_a_crash(tmp_path: Path, data: st.DataObject) -> None:
    at = data.draw(st.integers(0, len(TEXT) - 1))
    length = data.draw(st.integers(0, 40))
    damaged = TEXT[:at] + data.draw(st.binary(max_size=40)) + TEXT[at + length :]
    (tmp_path / "c.json").write_bytes(damaged)
    try:
        calibration = load_calibration(tmp_path / "c.json")
    except CalibrationFileError:
        return
    assert np.all(np.isfinite(calibration.covariance))


JSON_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=5,
)


def _places(part: object, above: str = "") -> list[str]:
    if isinstance(part, dict | list):
        items = part.items() if isinstance(part, dict) else enumerate(part)
        return [p for key, value in items for p in (f"{above}{key}", *_places(value, f"{above}{key}."))]
    return []


PLACES = [
    p for p in _places(json.loads(TEXT)) if not p.startswith(("conventions", "uncertainty.covariance."))
]


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(place=st.sampled_from(PLACES), value=JSON_VALUES)
@example(place="rig.R_left_from_rig.0.0", value=1e77)  # its square overflows
def test_any_json_in_any_place_is_read_or_refused(tmp_path: Path, place: str, value: object) -> None:
    (tmp_path / "c.json").write_text(_set(json.loads(TEXT), place, value))
    try:
        calibration = load_calibration(tmp_path / "c.json")
    except CalibrationFileError:
        return
    save_calibration(calibration, tmp_path / "again.json")
    assert_identical(load_calibration(tmp_path / "again.json"), calibration)
