"""One function for every form; carrying a calibration to a proxy's size; the convert command."""

from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result

from autocal.calibration import Calibration
from autocal.commands.convert import convert
from autocal.errors import AutocalError, CalibrationFileError, OutputError
from autocal.exchange.any_file import carried_over, load_any
from autocal.exchange.opencv_file import save_opencv
from autocal.geometry.parameters import NAMES
from autocal.mapping import st_map, write_st_map
from tests.simulation import random_rig
from tests.test_calibration_file import full_calibration


def every_form(folder: Path, calibration: Calibration) -> list[Path]:
    paths = [folder / name for name in ("c.json", "c.yml", "c.xml", "c.exr")]
    calibration.save(paths[0])
    save_opencv(calibration, paths[1])
    save_opencv(calibration, paths[2])
    write_st_map(paths[3], st_map(calibration, (512, 256)), calibration)
    return paths


def test_every_form_gives_the_same_rig(tmp_path: Path) -> None:
    calibration = Calibration(random_rig(np.random.default_rng(8)))
    for path in every_form(tmp_path, calibration):
        rig = load_any(path).rig
        np.testing.assert_allclose(rig.yaw_pitch_roll_deg, calibration.rig.yaw_pitch_roll_deg, atol=1e-5)
        assert rig.left.focal_px == pytest.approx(calibration.rig.left.focal_px, abs=1e-4)


def test_the_form_is_told_by_the_content_not_only_the_ending(tmp_path: Path) -> None:
    calibration = Calibration(random_rig(np.random.default_rng(8)))
    for path in every_form(tmp_path, calibration):
        other = path.rename(path.with_name(path.stem + path.suffix[1:] + ".txt"))
        assert load_any(other).rig.left.size == (1536, 1536)


@pytest.mark.parametrize("content", [b"", b"hello", b"\x89PNG", b"\0" * 100])
def test_an_unknown_form_is_refused(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "c.dat").write_bytes(content)
    with pytest.raises(CalibrationFileError, match=r"expected a calibration\.json"):
        load_any(tmp_path / "c.dat")


def test_a_missing_file_is_refused(tmp_path: Path) -> None:
    for name in ("c.json", "c.yml", "c.exr", "c"):
        with pytest.raises(CalibrationFileError, match="cannot be read"):
            load_any(tmp_path / name)


def test_a_proxy_sees_every_direction_at_the_scaled_pixel() -> None:
    # A picture scaled by s moves the point at x to (x + 0.5) s - 0.5: edges scale, centres sit half inside.
    calibration = full_calibration()
    half = carried_over(calibration, (768, 768))
    directions = np.random.default_rng(0).normal(size=(100, 3)) + np.array([0, 0, 2])
    for eye in (0, 1):
        expected = (calibration.rig.pixels(eye, directions) + 0.5) / 2 - 0.5
        np.testing.assert_allclose(half.rig.pixels(eye, directions), expected, atol=1e-9)
    for name, scale in (("centre_x", 0.5), ("centre_y_difference", 0.5), ("focal", 1), ("rotation_x", 1)):
        assert half.sigma[name] == pytest.approx(scale * calibration.sigma[name])
    cross = NAMES.index("centre_x"), NAMES.index("rotation_y")
    assert half.covariance[cross] == pytest.approx(0.5 * calibration.covariance[cross])


def test_another_aspect_is_refused_with_the_file_named(tmp_path: Path) -> None:
    full_calibration().save(tmp_path / "c.json")
    with pytest.raises(CalibrationFileError, match=r"c\.json.*another aspect"):
        load_any(tmp_path / "c.json", half_size=(1920, 1536))


def run(*arguments: object) -> Result:
    return CliRunner().invoke(convert, [str(a) for a in arguments])


def test_convert_writes_what_opencv_reads_and_says_what_is_lost(tmp_path: Path) -> None:
    calibration = full_calibration()
    calibration.save(tmp_path / "c.json")
    result = run(tmp_path / "c.json", "--to", tmp_path / "c.yml")
    assert result.exit_code == 0
    assert "left out: decentring of the left lens" in result.output
    file = cv2.FileStorage(str(tmp_path / "c.yml"), cv2.FILE_STORAGE_READ)
    np.testing.assert_allclose(file.getNode("R").mat(), calibration.rig.relative_rotation, atol=1e-15)
    file.release()


def test_convert_brings_every_form_into_ours(tmp_path: Path) -> None:
    calibration = Calibration(random_rig(np.random.default_rng(9)))
    for path in every_form(tmp_path, calibration):
        target = tmp_path / f"{path.suffix[1:]}-out.json"
        assert run(path, "--to", target).exit_code == 0
        rig = Calibration.load(target).rig
        np.testing.assert_allclose(rig.yaw_pitch_roll_deg, calibration.rig.yaw_pitch_roll_deg, atol=1e-5)


def test_convert_replaces_only_with_force(tmp_path: Path) -> None:
    full_calibration().save(tmp_path / "c.json")
    (tmp_path / "out.json").write_text("mine")
    result = run(tmp_path / "c.json", "--to", tmp_path / "out.json")
    assert isinstance(result.exception, OutputError)
    assert (tmp_path / "out.json").read_text() == "mine"
    assert run(tmp_path / "c.json", "--to", tmp_path / "out.json", "--force").exit_code == 0
    assert Calibration.load(tmp_path / "out.json").unit == "demo unit 7"


def test_convert_refuses_an_ending_without_a_form(tmp_path: Path) -> None:
    full_calibration().save(tmp_path / "c.json")
    result = run(tmp_path / "c.json", "--to", tmp_path / "c.png")
    assert isinstance(result.exception, AutocalError)
    assert not (tmp_path / "c.png").exists()


@pytest.mark.parametrize("size", ["8192", "0x5", "axb", "4095x2048"])
def test_a_frame_size_that_is_none_is_refused(tmp_path: Path, size: str) -> None:
    full_calibration().save(tmp_path / "c.json")
    result = run(tmp_path / "c.json", "--to", tmp_path / "d.json", "--frame-size", size)
    assert result.exit_code == 2
