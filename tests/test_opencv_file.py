"""OpenCV's FileStorage form: what cv2 writes is read, what is written cv2 reads, damage is refused."""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from autocal.calibration import Calibration, FarPlane
from autocal.errors import CalibrationFileError, OutputError
from autocal.exchange.opencv_file import load_opencv, save_opencv
from autocal.exchange.opencv_model import calibration_from_opencv
from autocal.exchange.opencv_tree import parse_tree
from tests.simulation import random_rig

SIZE = (1280, 960)
K1 = np.array([[392.15, 0.39, 631.78], [0, 393.11, 493.19], [0, 0, 1]])
K2 = np.array([[391.97, 0.0, 620.62], [0, 392.77, 489.22], [0, 0, 1]])
D1 = np.array([[-0.028105], [0.000275], [-0.007671], [0.002430]])
D2 = np.array([[-0.031501], [0.003315], [-0.008129], [0.002204]])
R = cv2.Rodrigues(np.deg2rad([-0.330, 0.178, 0.230]))[0]
T = np.array([[-124.88], [0.03], [0.36]])


def storage(path: Path, nodes: dict[str, object]) -> Path:
    """A file written by cv2.FileStorage itself; dictionaries become maps, tuples sequences."""
    file = cv2.FileStorage(str(path), cv2.FILE_STORAGE_WRITE)

    def write(values: dict[str, object]) -> None:
        for name, value in values.items():
            if isinstance(value, dict):
                file.startWriteStruct(name, cv2.FileNode_MAP)
                write(value)
                file.endWriteStruct()
            elif isinstance(value, tuple):
                file.startWriteStruct(name, cv2.FileNode_SEQ)
                for part in value:
                    file.write("", part)
                file.endWriteStruct()
            else:
                file.write(name, value)

    write(nodes)
    file.release()
    return path


BETWEEN = {"R": R, "T": T}
SIZED = {"image_width": 1280, "image_height": 960}
NODES = {"K1": K1, "D1": D1, "K2": K2, "D2": D2, **BETWEEN, **SIZED}


def assert_same_rig(calibration: Calibration, expected: Calibration, tolerance: float = 1e-12) -> None:
    for eye in (0, 1):
        a, b = calibration.rig.lens(eye), expected.rig.lens(eye)
        assert a.size == b.size
        for one, other in (
            (a.focal_px, b.focal_px),
            (a.principal_point, b.principal_point),
            (a.k, b.k),
            (a.aspect, b.aspect),
            (a.skew, b.skew),
        ):
            np.testing.assert_allclose(one, other, rtol=tolerance, atol=tolerance)
        np.testing.assert_allclose(calibration.rig.rotation(eye), expected.rig.rotation(eye), atol=tolerance)
    assert calibration.rig.baseline_mm == pytest.approx(expected.rig.baseline_mm, rel=tolerance)


EXPECTED = calibration_from_opencv(K1, D1, K2, D2, R, T, SIZE)


@pytest.mark.parametrize("ending", [".yml", ".xml", ".yaml"])
@pytest.mark.parametrize(
    "nodes",
    [
        NODES,
        {"cameraMatrix1": K1, "distCoeffs1": D1, "cameraMatrix2": K2, "distCoeffs2": D2, **BETWEEN, **SIZED},
        {"M1": K1, "D1": D1.T, "M2": K2, "D2": D2.T, **BETWEEN, **SIZED},
        {"K_left": K1, "D_left": D1, "K_right": K2, "D_right": D2, **BETWEEN, "image_size": SIZE},
        {"left": {"K": K1, "D": D1}, "right": {"K": K2, "D": D2}, **BETWEEN, "imageSize": SIZE},
        {"camera1": {"camera_matrix": K1, "distortion_coefficients": D1},
         "camera2": {"camera_matrix": K2, "distortion_coefficients": D2}, **BETWEEN, **SIZED},
        {"K0": K1, "D0": D1, "K1": K2, "D1": D2, **BETWEEN, **SIZED},
        {**NODES, "R1": np.eye(3), "R2": np.eye(3), "P1": np.eye(3, 4), "k1": 0.1},
        {**NODES, "R": cv2.Rodrigues(R)[0]},
        {**NODES, "T": T / 1000},
        {**NODES, "T": T / 10, "T_unit": "cm"},
    ],
)  # fmt: skip
def test_what_opencv_writes_is_read(tmp_path: Path, nodes: dict[str, object], ending: str) -> None:
    assert_same_rig(load_opencv(storage(tmp_path / f"c{ending}", nodes)), EXPECTED)


def test_x_right_is_R_x_left_plus_T(tmp_path: Path) -> None:
    # Source: OpenCV documentation of stereoCalibrate; a point's two pixels by cv2.fisheye itself.
    rig = load_opencv(storage(tmp_path / "c.yml", NODES)).rig
    point_left = np.array([[[300.0, -200.0, 900.0]]])
    # skew: cv2.fisheye calls it alpha, K[0, 1] / fx
    seen_left, _ = cv2.fisheye.projectPoints(
        point_left, np.zeros(3), np.zeros(3), K1, D1, None, 0.39 / 392.15
    )
    seen_right, _ = cv2.fisheye.projectPoints(point_left, cv2.Rodrigues(R)[0], T, K2, D2)
    half = np.array([rig.baseline_mm / 2, 0, 0])
    in_rig = rig.R_left.T @ point_left[0, 0] - half  # the left eye is at -half
    np.testing.assert_allclose(rig.pixels(0, in_rig + half), seen_left[0, 0], atol=1e-6)
    np.testing.assert_allclose(rig.pixels(1, in_rig - half), seen_right[0, 0], atol=1e-6)


@pytest.mark.parametrize("ending", [".yml", ".xml"])
def test_what_is_written_opencv_reads_and_it_comes_back(tmp_path: Path, ending: str) -> None:
    calibration = Calibration(random_rig(np.random.default_rng(3)))
    save_opencv(calibration, tmp_path / f"c{ending}")
    assert_same_rig(load_opencv(tmp_path / f"c{ending}"), calibration)
    file = cv2.FileStorage(str(tmp_path / f"c{ending}"), cv2.FILE_STORAGE_READ)
    lens = calibration.rig.left
    assert file.getNode("K1").mat()[0, 0] == lens.focal_px
    np.testing.assert_array_equal(file.getNode("D1").mat().ravel(), lens.k)
    np.testing.assert_allclose(file.getNode("R").mat(), calibration.rig.relative_rotation, atol=1e-15)
    file.release()


def test_what_the_form_cannot_hold_is_named(tmp_path: Path) -> None:
    rig = random_rig(np.random.default_rng(4))
    rig = replace(rig, left=replace(rig.left, decentring=(1e-3, 0.0)))
    calibration = Calibration(rig, far=FarPlane(shift_deg=0.2), covariance=np.eye(25), swapped=True)
    lost = " ".join(save_opencv(calibration, tmp_path / "c.yml"))
    for word in ("decentring of the left", "covariance", "convergence", "circles", "right half"):
        assert word in lost
    assert "decentring of the right" not in lost


def test_an_existing_file_is_not_replaced_silently(tmp_path: Path) -> None:
    (tmp_path / "c.yml").write_text("mine")
    with pytest.raises(OutputError, match="exists"):
        save_opencv(EXPECTED, tmp_path / "c.yml")
    assert (tmp_path / "c.yml").read_text() == "mine"


def test_a_missing_size_comes_from_the_caller_or_is_assumed_and_said(tmp_path: Path) -> None:
    path = storage(tmp_path / "c.yml", {k: v for k, v in NODES.items() if k not in SIZED})
    assert load_opencv(path, half_size=SIZE).rig.left.size == SIZE
    guessed = load_opencv(path)
    assert guessed.rig.left.size == (1253, 983)  # twice the mean principal point, plus one
    assert any("1253x983" in words for words in guessed.assumed)
    with pytest.raises(CalibrationFileError, match="asked for"):
        load_opencv(storage(tmp_path / "d.yml", NODES), half_size=(1000, 1000))


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"K1": None}, "camera matrices"),
        ({"D2": None}, "distortion"),
        ({"R": None}, "rotation"),
        ({"T": None}, "translation"),
        ({"T": np.zeros((3, 1))}, "T must be"),
        ({"T": np.ones((2, 1))}, "T must be"),
        ({"R": np.eye(3) * 2}, "no rotation"),
        ({"R": np.diag([1.0, 1.0, -1.0])}, "no rotation"),
        ({"D1": np.zeros((5, 1))}, "pinhole"),
        ({"D1": np.zeros((14, 1))}, "pinhole"),
        ({"K1": np.eye(3, 4)}, "camera matrices"),
        ({"K1": -K1}, "camera matrix"),
        ({"K1": K1 * [[np.nan], [1], [1]]}, "finite"),
        ({"K1": K1 * [[100], [100], [1]]}, "left camera"),
        ({"D1": D1 * 1e3}, "folds back"),
        ({"camera_model": "pinhole"}, "pinhole"),
        ({"xi1": 1.2}, "omnidirectional"),
        ({"image_width": -4}, "image of"),
    ],
)
def test_what_is_no_fisheye_calibration_is_refused_with_words(
    tmp_path: Path, change: dict[str, object], says: str
) -> None:
    nodes = {k: v for k, v in {**NODES, **change}.items() if v is not None}
    with pytest.raises(CalibrationFileError, match=says) as caught:
        load_opencv(storage(tmp_path / "c.yml", nodes))
    assert str(tmp_path / "c.yml") in str(caught.value)


BOMB = "%YAML:1.0\na: &a [x,x,x,x,x,x,x,x,x]\n" + "".join(
    f"{chr(98 + i)}: &{chr(98 + i)} [{','.join(['*' + chr(97 + i)] * 9)}]\n" for i in range(12)
)


@pytest.mark.parametrize(
    "text",
    [
        BOMB,
        "%YAML:1.0\nK1: &x [*x]\n",
        "%YAML:1.0\n<<: {a: 1}\nK1: 3\n",
        "K1: !!python/object/apply:os.system ['true']\n",
        "K1: !!opencv-matrix 3\n",
        "K1: !!opencv-matrix\n  rows: 3\n  cols: 3\n  data: [1, 2]\n",
        "K1: !!opencv-matrix\n  rows: 99999999999\n  cols: 99999999999\n  data: [1]\n",
        "K1: !!opencv-matrix\n  rows: x\n  cols: []\n  data: {}\n",
        "[" * 100_000,
        "{a: " * 60_000,
        "- " * 60_000,
        "? " * 60_000,
        "K1: " + "9" * 200_000,
        "%YAML:1.0\n---\nK1: 2026-13-45\n",
        "K1: !!binary '&&&'\n",
        "K1: !!timestamp x\n",
        "\t\t\x00",
        "",
        "<",
        "<opencv_storage></opencv_storage>",
        "<other/>",
        "<opencv_storage>" + "<a>" * 40_000,
        "<opencv_storage>" + "<a>" * 40 + "</a>" * 40 + "</opencv_storage>",
        '<!DOCTYPE a [<!ENTITY a "aa"><!ENTITY b "&a;&a;">]><opencv_storage>&b;</opencv_storage>',
        "<opencv_storage><K1 type_id='opencv-matrix'><rows>3</rows></K1></opencv_storage>",
        "\x00" * 1000,
        "x" * 300_000,
    ],
)
@pytest.mark.timeout(10)
def test_text_made_to_hurt_is_refused(tmp_path: Path, text: str) -> None:
    (tmp_path / "c.yml").write_text(text)
    with pytest.raises(CalibrationFileError, match=r"c\.yml"):
        load_opencv(tmp_path / "c.yml")


_TEXTS = {
    kind: cv2.FileStorage(kind, cv2.FILE_STORAGE_WRITE | cv2.FILE_STORAGE_MEMORY) for kind in (".yml", ".xml")
}
for _file in _TEXTS.values():
    for _name, _value in NODES.items():
        _file.write(_name, _value)
VALID = [_file.releaseAndGetString().encode() for _file in _TEXTS.values()]


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_damage_anywhere_is_read_or_refused_never_a_crash(tmp_path: Path, data: st.DataObject) -> None:
    text = data.draw(st.sampled_from(VALID))
    at = data.draw(st.integers(0, len(text) - 1))
    length = data.draw(st.integers(0, 30))
    damage = data.draw(st.binary(max_size=30) | st.text("[]{}:-&*!<>%,.0123 \n", max_size=20).map(str.encode))
    (tmp_path / "c.yml").write_bytes(text[:at] + damage + text[at + length :])
    try:
        calibration = load_opencv(tmp_path / "c.yml")
    except CalibrationFileError:
        return
    assert np.all(np.isfinite(calibration.rig.R_left))


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=200) | st.text("[]{}:-&*!?|>%,.'\"#@ab01 \n", max_size=80).map(str.encode))
def test_any_bytes_make_a_tree_or_are_refused(data: bytes) -> None:
    try:
        tree = parse_tree(data)
    except CalibrationFileError:
        return
    assert isinstance(tree, dict)
