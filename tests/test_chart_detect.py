"""Finding boards in pictures of exact truth, and the chart command from files to calibration."""

import json
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result

from autocal.calibration import Calibration
from autocal.chart.board import Board, board_of
from autocal.chart.detect import find_board
from autocal.commands.chart import chart
from autocal.errors import FootageError, OutputError
from autocal.geometry import ImageCircle, Lens, Rig, matrix_from_rotation_vector
from autocal.geometry.lens import Array
from autocal.geometry.rig import rig_from_relative

SIZE = (640, 640)
BOARD = Board(8, 5, 40.0)
_RIG_A = Path(__file__).parents[2] / "shared" / "real" / "rig_a"


def rig() -> Rig:
    def lens(x: float, y: float, f: float) -> Lens:
        return Lens(SIZE, f, (x, y), (-0.03, 0.002, 0.0, 0.0), circle=ImageCircle(x, y, 312.0))

    turn = matrix_from_rotation_vector(np.deg2rad([0.3, -0.5, 0.4]))
    return rig_from_relative(
        lens(318.2, 321.7, 205.0), lens(321.9, 317.4, 204.0), turn, [1, 0.01, -0.01], 60.0
    )


def pose(theta_deg: float, phi_deg: float, distance: float, turn: list[float]) -> tuple[Array, Array]:
    """Board to rig: its middle `theta_deg` off axis towards `phi_deg`, facing the rig but for a turn."""
    theta, phi = np.deg2rad([theta_deg, phi_deg])
    facing = matrix_from_rotation_vector([-np.sin(phi) * theta, np.cos(phi) * theta, 0])
    return facing @ matrix_from_rotation_vector(turn), facing @ [0, 0, distance]


_SUB = 3  # 3 x 3 places a pixel


@cache
def rays(eye: int) -> Array:
    """Where every place of an eye's picture looks, in the rig frame."""
    axis = (np.arange(SIZE[0] * _SUB) + 0.5) / _SUB - 0.5
    return rig().lens(eye).unproject(np.stack(np.meshgrid(axis, axis), axis=-1)) @ rig().rotation(eye)


def painted(eye: int, board: Board, R: Array, t: Array, texture: Array | None = None) -> Array:
    """What an eye of `rig` sees: its rays met with the board's plane. uint8."""
    centre = np.array([(-0.5, 0.5)[eye] * rig().baseline_mm, 0, 0])
    with np.errstate(invalid="ignore", divide="ignore"):
        depth = ((t - centre) @ R[:, 2]) / (rays(eye) @ R[:, 2])
        place = (centre + depth[..., None] * rays(eye) - t) @ R  # mm from the board's middle
    x = place[..., 0] / board.square_mm + (board.columns + 1) / 2
    y = place[..., 1] / board.square_mm + (board.rows + 1) / 2
    margin = 0.6
    on_paper = (depth > 0) & (x > -margin) & (x < board.columns + 1 + margin)
    on_paper &= (y > -margin) & (y < board.rows + 1 + margin)
    on_board = on_paper & (x > 0) & (x < board.columns + 1) & (y > 0) & (y < board.rows + 1)
    if texture is None:
        squares = np.where((np.floor(x) + np.floor(y)) % 2 == 1, 225.0, 30.0)
    else:
        scale = texture.shape[1] / (board.columns + 1)
        column, row = (
            np.clip(np.nan_to_num(v) * scale, 0, side - 1).astype(int)
            for v, side in ((x, texture.shape[1]), (y, texture.shape[0]))
        )
        squares = texture[row, column].astype(np.float64)
    value = np.where(on_board, squares, np.where(on_paper, 225.0, 90.0))
    value = np.where(np.isfinite(rays(eye)[..., 2]), value, 0.0)
    return value.reshape(SIZE[1], _SUB, SIZE[0], _SUB).mean(axis=(1, 3)).astype(np.uint8)


def true_corners(rig: Rig, eye: int, board: Board, R: Array, t: Array) -> Array:
    points = board.points_mm - board.points_mm.mean(axis=0)
    centre = np.array([(-0.5, 0.5)[eye] * rig.baseline_mm, 0, 0])
    return rig.pixels(eye, points @ R.T + t - centre)


PLACES = [
    (0, 0, 300, [0.2, 0.1, 0.1]),
    (45, 30, 330, [0.1, -0.2, 0.6]),
    (60, 160, 300, [-0.2, 0.3, -0.3]),
    (65, 270, 300, [0.2, 0.2, 0.2]),
]


@pytest.mark.parametrize("place", PLACES)
def test_corners_of_a_painted_board_are_found_where_they_are(place: tuple) -> None:
    R, t = pose(*place)
    for eye in (0, 1):
        view = find_board(painted(eye, BOARD, R, t), BOARD, 3, eye)
        assert view is not None
        assert (view.frame, view.eye) == (3, eye)
        error = view.pixel - true_corners(rig(), eye, BOARD, R, t)[view.corner]
        assert np.sqrt(np.mean(np.sum(error**2, axis=1))) < 0.12
        assert np.abs(error.mean(axis=0)).max() < 0.05  # half a pixel off would show here


def test_corners_keep_their_numbers_when_the_board_is_turned_upside_down() -> None:
    R, t = pose(20, 0, 300, [0.1, 0.0, np.pi - 0.1])
    view = find_board(painted(0, BOARD, R, t), BOARD, 0, 0)
    assert view is not None
    truth = true_corners(rig(), 0, BOARD, R, t)[view.corner]
    np.testing.assert_allclose(view.pixel, truth, atol=0.6)


def test_a_picture_without_a_board_has_none() -> None:
    noise = np.random.default_rng(0).integers(0, 255, (400, 400), dtype=np.uint8)
    for picture in (noise, np.zeros((300, 300), np.uint8), np.full((300, 300), 200, np.uint8)):
        assert find_board(picture, BOARD, 0, 0) is None


def test_another_number_of_corners_is_another_board() -> None:
    picture = painted(0, BOARD, *pose(*PLACES[0]))
    assert find_board(picture, Board(9, 7), 0, 0) is None


def test_a_charuco_board_is_found_in_part_with_its_corners_numbered() -> None:
    board = Board(8, 5, 40.0, "5X5_100", 0.75)
    charuco = cv2.aruco.CharucoBoard(
        (9, 6), 40.0, 30.0, cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_100)
    )
    texture = charuco.generateImage((1800, 1200))
    R, t = pose(30, 180, 260, [0.1, 0.2, 0.3])
    picture = painted(0, board, R, t, texture)
    whole = find_board(picture, board, 0, 0)
    assert whole is not None
    assert len(whole) > 30
    error = whole.pixel - true_corners(rig(), 0, board, R, t)[whole.corner]
    assert np.sqrt(np.mean(np.sum(error**2, axis=1))) < 0.25
    picture[:, : int(np.median(whole.pixel[:, 0]))] = 90  # half of it covered
    part = find_board(picture, board, 0, 0)
    assert part is not None
    assert 8 <= len(part) < len(whole)


def test_an_unknown_dictionary_is_refused() -> None:
    with pytest.raises(FootageError, match="dictionary"):
        find_board(np.zeros((100, 100), np.uint8), Board(8, 5, 40.0, "9X9_1"), 0, 0)


@pytest.mark.parametrize("text", ["10", "2x7", "axb", "10x", "-3x4", "10x7x3"])
def test_what_is_no_board_is_refused(text: str) -> None:
    with pytest.raises(FootageError, match="inner corners"):
        board_of(text, 30.0, None, 0.75)


def run(*arguments: object) -> Result:
    return CliRunner().invoke(chart, [str(a) for a in arguments])


@pytest.fixture(scope="module")
def frames(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("frames")
    more = [
        (50, 90, 320, [0.3, 0.1, 0.0]),
        (30, 200, 280, [0.1, -0.4, 0.2]),
        (55, 330, 300, [-0.2, 0.1, -0.4]),
    ]
    paths = []
    for i, place in enumerate([*PLACES, *more]):
        R, t = pose(*place)
        both = np.hstack([painted(eye, BOARD, R, t) for eye in (0, 1)])
        paths.append(folder / f"chart-{i}.png")
        assert cv2.imwrite(str(paths[-1]), both)
    blank = folder / "chart-9.png"
    assert cv2.imwrite(str(blank), np.hstack([painted(0, BOARD, *pose(170, 0, 300, [0, 0, 0]))] * 2))
    return [*paths, blank]


def test_the_command_calibrates_and_explains_what_it_did_not_use(frames: list[Path], tmp_path: Path) -> None:
    out = tmp_path / "out"
    result = run(*frames, "--board", "8x5", "--square-mm", 40, "--out", out, "--unit", "demo 3", "--json")
    assert result.exception is None
    document = json.loads(result.output)
    assert document["frames_used"] == 7
    assert [(r["frame"], r["eye"]) for r in document["rejected"]] == [
        ("chart-9.png", "left"),
        ("chart-9.png", "right"),
    ]
    calibration = Calibration.load(out / "calibration.json")
    assert calibration.unit == "demo 3"
    assert calibration.made is not None
    truth = rig()
    error = calibration.rig.yaw_pitch_roll_deg - truth.yaw_pitch_roll_deg
    assert np.all(np.abs(error) < 0.1)
    assert calibration.rig.baseline_mm == pytest.approx(60.0, abs=0.5)
    assert calibration.rig.left.focal_px == pytest.approx(205.0, rel=0.01)
    assert (out / "coverage.png").read_bytes().startswith(b"\x89PNG")
    again = run(*frames, "--board", "8x5", "--out", out)
    assert isinstance(again.exception, OutputError)


def test_crossed_eyes_are_found_out_and_put_right(frames: list[Path], tmp_path: Path) -> None:
    crossed = []
    for path in frames[:-1]:
        picture = cv2.imread(str(path))
        crossed.append(tmp_path / path.name)
        assert cv2.imwrite(str(crossed[-1]), np.hstack([picture[:, SIZE[0] :], picture[:, : SIZE[0]]]))
    for files, name in ((frames[:-1], "plain"), (crossed, "crossed")):
        result = run(*files, "--board", "8x5", "--square-mm", 40, "--out", tmp_path / name)
        assert result.exception is None
    plain, other = (Calibration.load(tmp_path / n / "calibration.json") for n in ("plain", "crossed"))
    assert (plain.swapped, other.swapped) == (False, True)
    np.testing.assert_allclose(other.rig.yaw_pitch_roll_deg, plain.rig.yaw_pitch_roll_deg, atol=1e-6)
    assert other.rig.left.focal_px == pytest.approx(plain.rig.left.focal_px, rel=1e-6)


def test_no_board_in_any_frame_is_an_error_and_leaves_nothing(frames: list[Path], tmp_path: Path) -> None:
    result = run(frames[-1], "--board", "8x5", "--out", tmp_path / "out")
    assert isinstance(result.exception, FootageError)
    assert "check --board" in str(result.exception)
    assert not (tmp_path / "out").exists()


@pytest.mark.slow
@pytest.mark.skipif(not _RIG_A.is_dir(), reason="the real chart frames are not beside the checkout")
def test_real_chart_frames_meet_the_bar(tmp_path: Path) -> None:
    files = sorted(_RIG_A.glob("chart-*.jpg"))
    result = run(*files, "--board", "10x7", "--square-mm", 25, "--out", tmp_path / "out", "--json")
    assert result.exception is None
    document = json.loads(result.output)
    assert max(document["reprojection_rms_px"].values()) <= 0.25
    explained = {r["frame"] for r in document["rejected"]}
    assert document["frames_used"] + len(explained) >= len(files)
    # Published chart calibration of the rig (its README): 392.15 and 391.97 px, baseline 124.88 mm.
    assert document["focal_px"]["left"] == pytest.approx(392.15, rel=0.01)
    assert document["focal_px"]["right"] == pytest.approx(391.97, rel=0.01)
    assert document["baseline_mm"] == pytest.approx(124.88, rel=0.01)
    # OpenCV's own calibration of these frames moves by 0.28 degree between halves.
    assert max(document["split_halves"]["largest_difference_deg"].values()) < 0.28
