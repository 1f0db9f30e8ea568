"""Any ST map: ours comes back as the calibration it was made from, others are fitted, bad ones refused."""

import struct
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import OpenEXR
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from autocal.calibration import Calibration, FarPlane, Quality
from autocal.errors import CalibrationFileError
from autocal.exchange.any_file import load_any
from autocal.exchange.map_fit import load_st_map
from autocal.exchange.st_map_file import UnknownSourceSize
from autocal.geometry import Lens, Rig, matrix_from_rotation_vector, nominal_lens
from autocal.geometry.lens import ImageCircle
from autocal.mapping import st_map, write_st_map
from tests.simulation import random_rig

SOURCE = (3072, 1536)
Planes = dict[str, np.ndarray]


def calibration(seed: int) -> Calibration:
    rig = random_rig(np.random.default_rng(seed), spread=2.0)
    if seed % 2:
        rig = replace(rig, left=replace(rig.left, decentring=(1e-3, -5e-4), skew=1e-3, aspect=1.0025))
    return Calibration(rig, far=FarPlane(shift_deg=0.15 * seed), swapped=seed % 3 == 2)


def planes(cal: Calibration, size: tuple[int, int] = (512, 256), v_origin: str = "bottom") -> Planes:
    made = st_map(cal, size, v_origin=v_origin)  # type: ignore[arg-type]
    return {"R": made.u, "G": made.v, "A": made.valid.astype(np.float32)}


def write(path: Path, channels: Planes, **header: object) -> Path:
    """An EXR by the OpenEXR library itself, without our attributes."""
    base = {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage}
    with OpenEXR.File({**base, **header}, dict(channels)) as file:
        file.write(str(path))
    return path


def assert_same_maps(a: Calibration, b: Calibration, size: tuple[int, int], tolerance_px: float) -> None:
    one, other = st_map(a, size), st_map(b, size)
    both = one.valid & other.valid
    assert both.mean() > 0.9 * one.valid.mean()
    scale = np.array(one.source_size)[:, None]
    gap = np.stack([one.u[both] - other.u[both], one.v[both] - other.v[both]]) * scale
    assert np.sqrt(np.mean(np.sum(gap**2, axis=0))) <= tolerance_px


@pytest.mark.parametrize(("seed", "v_origin"), [(0, "bottom"), (1, "top"), (2, "bottom")])
def test_our_own_map_gives_the_calibration_back(tmp_path: Path, seed: int, v_origin: str) -> None:
    cal = calibration(seed)
    made = st_map(cal, (512, 256), v_origin=v_origin)  # type: ignore[arg-type]
    write_st_map(tmp_path / "m.exr", made, cal)
    fit = load_st_map(tmp_path / "m.exr", baseline_mm=cal.rig.baseline_mm)
    # The bar is 0.02 px rms; float32 allows far better.
    assert max(fit.misfit_rms_px) < 1e-3
    assert fit.reproduced
    assert fit.samples.v_origin == v_origin
    back = fit.calibration
    assert_same_maps(cal, back, (256, 128), 1e-3)
    np.testing.assert_allclose(back.rig.yaw_pitch_roll_deg, cal.rig.yaw_pitch_roll_deg, atol=1e-5)
    assert back.far.shift_deg == pytest.approx(cal.far.shift_deg)
    assert back.swapped == cal.swapped
    assert back.rig.left.decentring == pytest.approx(cal.rig.left.decentring, abs=1e-6)


@pytest.mark.parametrize("seed", [0, 1])
def test_the_steps_of_a_solved_map_are_too_small_to_move_what_comes_back(tmp_path: Path, seed: int) -> None:
    cal = calibration(seed)
    solved = replace(cal, quality=Quality(900, 21.0, 0.5, 1.4, 0.2, 0.005))
    write_st_map(tmp_path / "m.exr", st_map(solved, (512, 256)), solved)
    fit = load_st_map(tmp_path / "m.exr", baseline_mm=cal.rig.baseline_mm)
    # The steps themselves: each position is off by some thousandth of a pixel.
    assert 5e-4 < min(fit.misfit_rms_px) <= max(fit.misfit_rms_px) < 2e-3
    assert fit.reproduced
    assert_same_maps(cal, fit.calibration, (256, 128), 2e-4)
    np.testing.assert_allclose(fit.calibration.rig.yaw_pitch_roll_deg, cal.rig.yaw_pitch_roll_deg, atol=1e-5)


@pytest.mark.parametrize("v_origin", ["bottom", "top"])
def test_a_map_without_header_tells_v_from_its_pixels(tmp_path: Path, v_origin: str) -> None:
    cal = replace(calibration(0), far=FarPlane())
    path = write(tmp_path / "m.exr", planes(cal, v_origin=v_origin))
    with pytest.raises(UnknownSourceSize, match="--frame-size"):
        load_any(path)
    back = load_any(path, half_size=(1536, 1536))
    assert any(f"from the {v_origin} of the source (found" in words for words in back.assumed)
    assert_same_maps(cal, back, (256, 128), 1e-3)


def test_an_eye_mounted_upside_down_is_no_mirror(tmp_path: Path) -> None:
    rig = calibration(0).rig
    half_turn = np.diag([-1.0, -1.0, 1.0])
    turned = Calibration(Rig(rig.left, rig.right, rig.R_left, half_turn @ rig.R_right, rig.baseline_mm))
    back = load_any(write(tmp_path / "m.exr", planes(turned)), half_size=(1536, 1536))
    assert_same_maps(turned, back, (256, 128), 1e-3)


def orthographic_map(bend_px: float = 0.0) -> Planes:
    """u, v from r = f sin(theta) (Kannala, Brandt 2006, eq. 5), which is f times (x, y) of the direction."""
    longitude = ((np.arange(256) + 0.5) / 256 - 0.5) * np.pi
    latitude = (0.5 - (np.arange(256) + 0.5) / 256) * np.pi
    y, x = -np.sin(latitude)[:, None], np.cos(latitude)[:, None] * np.sin(longitude)[None]
    x_px = 767.5 + 700 * x + bend_px * np.sin(12 * longitude)
    u = np.hstack([(x_px + 0.5) / 3072, (x_px + 1536.5) / 3072])
    v = np.hstack([1 - (767.5 + 700 * y + 0 * x + 0.5) / 1536] * 2)
    return {"R": u.astype(np.float32), "G": v.astype(np.float32)}


def test_a_classical_projection_is_recovered(tmp_path: Path) -> None:
    fit = load_st_map(write(tmp_path / "m.exr", orthographic_map()), source_size=SOURCE)
    assert fit.reproduced
    lens = fit.calibration.rig.left
    theta = np.linspace(0, np.pi / 2, 50)
    np.testing.assert_allclose(lens.radius_px(theta), 700 * np.sin(theta), atol=0.01)
    assert lens.principal_point == pytest.approx((767.5, 767.5), abs=1e-3)
    np.testing.assert_allclose(fit.calibration.rig.yaw_pitch_roll_deg, 0, atol=1e-4)


def test_what_no_lens_does_is_reported_as_misfit(tmp_path: Path) -> None:
    fit = load_st_map(write(tmp_path / "m.exr", orthographic_map(bend_px=1.0)), source_size=SOURCE)
    assert not fit.reproduced
    # A wave of 1 px has an rms of 0.71 px; a lens can follow little of it.
    assert 0.5 < min(fit.misfit_rms_px) <= max(fit.misfit_rms_px) < 0.75
    assert any("px rms" in words for words in fit.calibration.warnings)


def test_the_image_circle_is_found_where_the_map_shows_it(tmp_path: Path) -> None:
    circle = ImageCircle(765.0, 770.0, 600.0)  # well inside 90 degrees
    lens = replace(nominal_lens((1536, 1536), replace(circle, radius=700.0), fov_deg=180), circle=circle)
    turn = matrix_from_rotation_vector([0.0, 0.01, 0.0])
    cal = Calibration(Rig(lens, lens, turn, turn.T))
    found = load_any(write(tmp_path / "m.exr", planes(cal)), half_size=(1536, 1536)).rig.left.circle
    assert found is not None
    assert (found.x, found.y, found.radius) == pytest.approx((765.0, 770.0, 600.0), abs=5.0)


def test_half_precision_is_read_with_a_warning(tmp_path: Path) -> None:
    cal = replace(calibration(0), far=FarPlane())
    halves = {name: plane.astype(np.float16) for name, plane in planes(cal).items()}
    back = load_any(write(tmp_path / "m.exr", halves), half_size=(1536, 1536))
    assert any("half precision" in words for words in back.warnings)
    assert_same_maps(cal, back, (256, 128), 0.3)  # single positions are off by up to 0.75 px


def test_a_data_window_smaller_than_the_picture_is_put_in_its_place(tmp_path: Path) -> None:
    cal = replace(calibration(0), far=FarPlane())
    whole = planes(cal)
    cut = {name: np.ascontiguousarray(plane[20:, 10:]) for name, plane in whole.items()}
    windows = {
        "dataWindow": (np.array([10, 20], np.int32), np.array([511, 255], np.int32)),
        "displayWindow": (np.array([0, 0], np.int32), np.array([511, 255], np.int32)),
    }
    back = load_any(write(tmp_path / "m.exr", cut, **windows), half_size=(1536, 1536))
    assert_same_maps(cal, back, (256, 128), 1e-3)


def with_nan(p: Planes) -> Planes:
    u = p["R"].copy()
    u[100, 100] = np.nan
    return {**p, "R": u}


CAL = calibration(0)
GOOD = planes(CAL)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (with_nan, r"NaN or infinity inside the picture, first at column 100, row 100"),
        (lambda p: {**p, "G": np.full_like(p["G"], np.inf)}, "NaN or infinity"),
        (lambda p: {**p, "R": np.full_like(p["R"], 0.3)}, "constant"),
        (lambda p: {k: np.full_like(v, 0.5) for k, v in p.items()}, "constant|next to no"),
        (lambda p: {**p, "A": np.zeros_like(p["A"])}, "next to no positions"),
        (lambda p: {"Y": p["R"]}, "lacks u and v"),
        (lambda p: {k: v for k, v in p.items() if k != "G"}, "lacks u and v"),
        (lambda p: {k: v.astype(np.uint32) for k, v in p.items()}, "integers"),
        (lambda p: {k: v[:, :255].copy() for k, v in p.items()}, "side by side"),
        (lambda p: {k: v[:, :128].copy() for k, v in p.items()}, "side by side"),
        (lambda p: {k: v[:, :4].copy()[:2] for k, v in p.items()}, "side by side"),
        (lambda p: {k: np.hstack([v[:, :256]] * 2) for k, v in p.items()}, "no stereo"),
        (lambda p: {**p, "R": np.hstack([p["R"][:, 255::-1], p["R"][:, 256:]])}, "mirrors"),
        (lambda p: {**p, "R": 0.5 + 0.0001 * p["R"]}, "constant"),
        (lambda p: {**p, "R": np.random.default_rng(0).random((256, 512), np.float32)}, "stereo|mirrors"),
        (lambda p: orthographic_map(bend_px=100.0), "no ST map"),
    ],
)  # fmt: skip
def test_what_is_no_st_map_is_refused_with_words(
    tmp_path: Path, change: Callable[[Planes], Planes], says: str
) -> None:
    path = write(tmp_path / "m.exr", change(GOOD))
    with pytest.raises(CalibrationFileError, match=says) as caught:
        load_any(path, half_size=(1536, 1536))
    assert str(path) in str(caught.value)


def test_a_map_of_one_eye_is_no_calibration(tmp_path: Path) -> None:
    write_st_map(tmp_path / "m.exr", st_map(CAL, (1024, 256), eye="left"), CAL)
    with pytest.raises(CalibrationFileError, match="one eye only"):
        load_any(tmp_path / "m.exr")


def test_a_size_that_contradicts_the_header_is_refused(tmp_path: Path) -> None:
    write_st_map(tmp_path / "m.exr", st_map(CAL, (512, 256)), CAL)
    with pytest.raises(CalibrationFileError, match="3072x1536"):
        load_st_map(tmp_path / "m.exr", source_size=(4096, 2048))


def _valid_bytes(folder: Path) -> bytes:
    path = folder / "valid.exr"
    if not path.exists():
        write(path, {k: v[::4, ::4].copy() for k, v in GOOD.items()})
    return path.read_bytes()


def _lie(data: bytes, attribute: bytes, value: bytes) -> bytes:
    """The file with the value of one header attribute replaced."""
    at = data.index(attribute + b"\0") + len(attribute) + 1
    start = data.index(b"\0", at) + 5
    return data[:start] + value + data[start + len(value) :]


@pytest.mark.parametrize("attribute", [b"dataWindow", b"displayWindow"])
@pytest.mark.parametrize(
    "window", [(0, 0, 2**31 - 1, 2**31 - 1), (0, 0, 60000, 30000), (5, 5, 4, 4), (-(2**31), 0, 0, 9)]
)
def test_a_header_that_claims_gigabytes_is_refused_before_anything_is_allocated(
    tmp_path: Path, attribute: bytes, window: tuple[int, int, int, int]
) -> None:  # fmt: skip
    path = tmp_path / "m.exr"
    path.write_bytes(_lie(_valid_bytes(tmp_path), attribute, struct.pack("<4i", *window)))
    with pytest.raises(CalibrationFileError, match=r"claims|begins"):
        load_any(path, half_size=(1536, 1536))


@pytest.mark.parametrize("size", [-1, 2**31 - 1, 5_000_000])
def test_an_attribute_that_claims_more_than_the_file_holds_is_refused(tmp_path: Path, size: int) -> None:
    data = _valid_bytes(tmp_path)
    at = data.index(b"channels\0chlist\0") + len(b"channels\0chlist\0")
    (tmp_path / "m.exr").write_bytes(data[:at] + struct.pack("<i", size) + data[at + 4 :])
    with pytest.raises(CalibrationFileError, match="does not fit"):
        load_any(tmp_path / "m.exr", half_size=(1536, 1536))


def test_a_window_larger_than_its_data_is_damage(tmp_path: Path) -> None:
    data = _lie(_valid_bytes(tmp_path), b"dataWindow", struct.pack("<4i", 0, 0, 8191, 4095))
    (tmp_path / "m.exr").write_bytes(data)
    with pytest.raises(CalibrationFileError, match=r"m\.exr"):
        load_any(tmp_path / "m.exr", half_size=(1536, 1536))


@pytest.mark.parametrize(
    "data", [b"", b"\x76\x2f\x31\x01", b"\x76\x2f\x31\x01\x02\0\0\0", b"not an exr at all"]
)
def test_what_is_no_exr_is_refused(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "m.exr").write_bytes(data)
    with pytest.raises(CalibrationFileError, match=r"m\.exr"):
        load_any(tmp_path / "m.exr", half_size=(1536, 1536))
    with pytest.raises(CalibrationFileError, match="cannot be read"):
        load_any(tmp_path / "none.exr")


def test_damage_that_the_library_quotes_is_refused_though_it_is_no_text(tmp_path: Path) -> None:
    valid = _valid_bytes(tmp_path)
    (tmp_path / "m.exr").write_bytes(valid[:17] + b"\x80" + valid[18:])  # in the type of the first attribute
    with pytest.raises(CalibrationFileError, match=r"m\.exr"):
        load_any(tmp_path / "m.exr", half_size=(1536, 1536))


def test_an_attribute_that_is_no_text_does_no_harm(tmp_path: Path) -> None:
    cal = calibration(0)
    write_st_map(tmp_path / "m.exr", st_map(cal, (512, 256)), cal)
    written = (tmp_path / "m.exr").read_bytes()
    assert b"ST map of a" in written
    (tmp_path / "m.exr").write_bytes(written.replace(b"ST map of a", b"ST map \xff\xfe a"))
    assert_same_maps(load_any(tmp_path / "m.exr"), cal, (512, 256), 0.01)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_damage_anywhere_is_read_or_refused_never_a_crash(tmp_path: Path, data: st.DataObject) -> None:
    valid = _valid_bytes(tmp_path)
    at = data.draw(st.integers(0, 400) | st.integers(0, len(valid) - 1))
    damage = data.draw(st.binary(max_size=16))
    cut = data.draw(st.just(len(valid)) | st.integers(0, len(valid)))
    path = tmp_path / "m.exr"
    path.write_bytes((valid[:at] + damage + valid[at + len(damage) :])[:cut])
    try:
        back = load_any(path, half_size=(1536, 1536))
    except CalibrationFileError:
        return
    assert isinstance(back.rig.left, Lens)
