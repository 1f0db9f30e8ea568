"""What every command says of what it cannot use: exit code 2, one sentence with the name and a remedy, no
traceback, and nothing left behind. (`autocal solve` has a file of its own.)"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path

import cv2
import numpy as np
import pytest

from autocal.calibration import Calibration
from autocal.mapping import st_map, write_st_map
from tests.command_line import autocal, halves_of
from tests.film_clips import save_calibration, write_take
from tests.footage_clips import write_video


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A calibration and a clip that go together."""
    folder = tmp_path_factory.mktemp("good")
    save_calibration(folder / "calibration.json")
    write_take(folder / "take.mp4", 6)
    return folder


@pytest.fixture
def here(tmp_path: Path, good: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """An empty working folder; what lies in it when the test begins must be all at its end."""
    monkeypatch.chdir(tmp_path)
    for file in good.iterdir():
        (tmp_path / file.name).write_bytes(file.read_bytes())
    (tmp_path / "there").write_text("mine")
    (tmp_path / "folder").mkdir()
    yield tmp_path
    assert (tmp_path / "there").read_text() == "mine"
    assert list((tmp_path / "folder").iterdir()) == []


def refused(command: str, here: Path) -> str:
    """The message of a command that must be refused and leave everything as it was."""
    before = {path: path.stat().st_mtime_ns for path in here.rglob("*")}
    answer = autocal(*command.split())
    assert answer.code == 2, answer
    assert answer.out == ""
    assert "Traceback" not in answer.err
    said = [line for line in answer.err.splitlines() if line.startswith(("autocal: ", "Error: "))]
    assert len(said) == 1, answer.err
    assert {path: path.stat().st_mtime_ns for path in here.rglob("*")} == before
    return said[0]


def test_a_calibration_named_after_its_footage_is_told_where_it_goes(here: Path) -> None:
    said = refused("check take.mp4 calibration.json", here)
    assert "calibration.json: a calibration comes first" in said


#: Every command that takes a calibration, CAL where it goes.
WITH_CALIBRATION = (
    "check CAL take.mp4",
    "stmap CAL --out new.exr",
    "render CAL take.mp4 -o new.mp4",
    "render CAL take.mp4 -o new.%04d.png",
    "compare CAL calibration.json",
    "compare calibration.json CAL",
    "convert CAL --to new.yml",
    "convert CAL --to new.json",
    "history calibration.json CAL",
    "solve take.mp4 --start CAL --out new",
)


def edited(change: Callable[[dict[str, dict[str, object]]], object]) -> Callable[[Path], None]:
    def write(path: Path) -> None:
        document = json.loads((path.parent / "calibration.json").read_text())
        change(document)
        path.write_text(json.dumps(document))

    return write


def huge(path: Path) -> None:
    with path.open("wb") as file:
        file.truncate(3 << 30)  # sparse: takes no room


DAMAGED: dict[str, tuple[Callable[[Path], object], str]] = {
    "none.json": (lambda path: None, "No such file"),
    "folder.json": (lambda path: path.mkdir(), "Is a directory"),
    "empty.json": (lambda path: path.touch(), "not a calibration.json"),
    "empty.exr": (lambda path: path.touch(), "no OpenEXR file"),
    "empty.yml": (lambda path: path.touch(), "no OpenCV fisheye calibration"),
    "damaged.json": (lambda path: path.write_text('{"format": "autocal cal'), "Invalid JSON"),
    "list.json": (lambda path: path.write_text("[1, 2]"), "not a calibration.json"),
    "nan.json": (edited(lambda d: d["left"].update(focal_px=float("nan"))), "finite"),
    "negative.json": (edited(lambda d: d["right"].update(focal_px=-5.0)), "positive"),
    "huge.json": (huge, "larger than 16 MB"),
    "notes.txt": (lambda path: path.write_text("shot 3: the good one"), "no calibration"),
}


@pytest.mark.parametrize("name", DAMAGED)
@pytest.mark.parametrize("command", WITH_CALIBRATION)
def test_a_calibration_that_is_none(here: Path, command: str, name: str) -> None:
    make, words = DAMAGED[name]
    make(here / name)
    message = refused(command.replace("CAL", name), here)
    assert name in message
    assert words in message


@pytest.mark.parametrize(
    "command",
    [
        "check calibration.json take.mp4",
        "check --rendered take.mp4",
        "compare calibration.json calibration.json --on take.mp4",
        "chart take.mp4 --board 10x7 --out new",
        "solve take.mp4 --out new",
        "batch take.mp4 --do check --cal calibration.json --out new",
    ],
)
def test_a_seed_below_zero(here: Path, command: str) -> None:
    assert "--seed" in refused(f"{command} --seed -1", here)


@pytest.mark.parametrize("value", ["nan", "inf", "0", "-60", "wide"])
@pytest.mark.parametrize(
    "command",
    [
        "check calibration.json take.mp4",
        "compare calibration.json calibration.json",
        "convert calibration.json --to new.yml",
        "solve take.mp4 --out new",
        "batch take.mp4 --do solve --out new",
    ],
)
def test_a_baseline_that_is_no_distance(here: Path, command: str, value: str) -> None:
    assert "--baseline-mm" in refused(f"{command} --baseline-mm {value}", here)


@pytest.mark.parametrize("size", ["big", "0x0", "-5x3", "512", "999998x999998", "512x256x3"])
@pytest.mark.parametrize(
    "command",
    [
        "stmap calibration.json --out new.exr --size",
        "render calibration.json take.mp4 -o new.mp4 --size",
        "solve take.mp4 --out new --size",
        "batch take.mp4 --do solve --out new --size",
        "convert calibration.json --to new.yml --frame-size",
        "compare calibration.json calibration.json --frame-size",
    ],
)
def test_a_size_that_is_none_or_that_no_memory_holds(here: Path, command: str, size: str) -> None:
    assert "size" in refused(f"{command} {size}", here)


@pytest.mark.parametrize(
    "command",
    [
        "check calibration.json take.mp4 --report there",
        "check calibration.json take.mp4 --report there/report",
        "check --rendered take.mp4 --report there",
        "compare calibration.json calibration.json --report there",
        "history calibration.json --report there",
        "solve take.mp4 --out new --report there",
        "chart take.mp4 --board 10x7 --out new --report there",
        "chart take.mp4 --board 10x7 --out there",
    ],
)
def test_a_file_where_a_folder_is_to_be_is_said_before_the_work(here: Path, command: str) -> None:
    message = refused(command, here)
    assert "there is a file, not a folder: choose another name" in message


@pytest.mark.parametrize(
    "command",
    [
        "compare calibration.json calibration.json --report /proc/new",
        "history calibration.json --report /proc/new",
        "batch take.mp4 --do solve --out /proc/new",
    ],
)
def test_a_folder_that_cannot_be_made(here: Path, command: str) -> None:
    """/proc takes no folders, not even from root."""
    message = refused(command, here)
    assert "/proc/new" in message
    assert "choose another place" in message


@pytest.mark.parametrize(
    "command",
    [
        "stmap calibration.json --size 64x32 --out",
        "convert calibration.json --to",
        "render calibration.json take.mp4 --size 64x32 -o",
    ],
)
def test_a_file_that_is_there_is_left_alone(here: Path, command: str) -> None:
    ending = {"stmap": ".exr", "convert": ".yml", "render": ".mp4"}[command.split()[0]]
    (here / f"mine{ending}").write_text("mine")
    message = refused(f"{command} mine{ending}", here)
    assert f"mine{ending} exists already" in message
    assert "--force" in message


def test_a_film_never_takes_the_place_of_its_clip(here: Path) -> None:
    (here / "other-name.mp4").hardlink_to(here / "take.mp4")
    for out in ("take.mp4", "folder/../take.mp4", "other-name.mp4"):
        message = refused(f"render calibration.json take.mp4 --size 64x32 --force -o {out}", here)
        assert f"{out} is the clip itself: choose another name" in message


@pytest.mark.parametrize("out", ["new.mp4", "new.%04d.png"])
@pytest.mark.parametrize(
    ("part", "words"),
    [
        ("--from 5 --to 1", "--from 5 s does not come before --to 1 s"),
        ("--from 1:00 --to 60", "--from 60 s does not come before --to 60 s"),
        ("--from 100", "no picture of take.mp4 lies in the part asked for"),
        ("--from -1", "write it like 12.5"),
        ("--to soon", "write it like 12.5"),
    ],
)
def test_a_part_of_the_clip_in_which_nothing_lies(here: Path, out: str, part: str, words: str) -> None:
    assert words in refused(f"render calibration.json take.mp4 --size 64x32 -o {out} {part}", here)


@pytest.mark.parametrize(
    "command",
    [
        "stmap calibration.json --size 64x32 --out none/new.exr",
        "convert calibration.json --to none/new.yml",
        "convert calibration.json --to none/new.json",
        "render calibration.json take.mp4 --size 64x32 -o none/new.mp4",
        "render calibration.json take.mp4 --size 64x32 -o none/new.%04d.png",
    ],
)
def test_a_file_in_a_folder_that_is_not_there(here: Path, command: str) -> None:
    message = refused(command, here)
    assert "none" in message
    assert "folder" in message


@pytest.mark.parametrize(
    ("clip", "out"),
    [("flat.mp4", "new.mp4"), ("flat.mp4", "new.%04d.png"), ("flat.%04d.png", "new.%04d.png")],
)
def test_a_clip_of_another_shape_than_the_calibration(here: Path, clip: str, out: str) -> None:
    flat = np.full((90, 160), 90, np.uint8)
    write_video(here / "flat.mp4", [flat] * 2)
    assert cv2.imwrite(str(here / "flat.0001.png"), flat)
    message = refused(f"render calibration.json {clip} --size 64x32 -o {out}", here)
    assert "halves of 128x128 px, the clip's are 80x90 px" in message


def test_calibrations_are_not_compared_on_a_clip_of_another_shape(here: Path) -> None:
    write_video(here / "flat.mp4", [np.full((90, 160), 90, np.uint8)] * 2)
    message = refused("compare calibration.json calibration.json --on flat.mp4", here)
    assert "calibration.json and flat.mp4: this calibration is for pictures of 128x128 px an eye" in message


def test_a_card_that_is_not_there(here: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr("autocal.cores._DRIVER", tmp_path / "no driver")
    for command in ("solve take.mp4 --out new", "render calibration.json take.mp4 -o new.mp4 --size 64x32"):
        assert "no CUDA card is there" in refused(f"{command} --device cuda", here)


def test_a_map_in_half_precision_is_read_with_a_warning(here: Path) -> None:
    import OpenImageIO as oiio

    calibration = Calibration.load("calibration.json")
    write_st_map(here / "full.exr", st_map(calibration, (512, 256)), calibration)
    picture = oiio.ImageBuf(str(here / "full.exr"))
    picture.set_write_format("half")
    assert picture.write(str(here / "half.exr"))
    for command in ("stmap half.exr --out new.exr --size 64x32", "convert half.exr --to new.json"):
        answer = autocal(*command.split())
        assert answer.code == 0, answer.err
        assert "mind: the map is in half precision" in answer.out


def test_a_film_is_rendered_by_a_calibration_in_any_form(here: Path) -> None:
    assert autocal("convert", "calibration.json", "--to", "rig.yml").code == 0
    assert autocal("stmap", "calibration.json", "--out", "map.exr", "--size", "512x256").code == 0
    for form in ("calibration.json", "rig.yml", "map.exr"):
        out = Path(form).with_suffix(".mkv")
        command = f"render {form} take.mp4 -o {out} --size 64x32 --codec ffv1"
        answer = autocal(*command.split())
        assert answer.code == 0, answer.err
    # The lens is a polynomial of one term, which every form holds: the films differ by rounding alone.
    first, *others = (halves_of(Path(f"{name}.mkv"))[0] for name in ("calibration", "rig", "map"))
    for other in others:
        assert np.abs(np.array(first).astype(int) - np.array(other)).max() <= 1


#: Every command that reads a clip or film, CLIP where it goes.
WITH_CLIP = (
    "solve CLIP --out new",
    "check calibration.json CLIP",
    "check --rendered CLIP",
    "chart CLIP --board 10x7 --out new",
    "compare calibration.json calibration.json --on CLIP",
    "render calibration.json CLIP -o new.mp4",
    "render calibration.json CLIP -o new.mp4 --for headset",
    "render calibration.json CLIP -o new.%04d.png",
    "tag CLIP",
    "tag CLIP --show",
)


@pytest.mark.parametrize("command", WITH_CLIP)
def test_a_recording_without_its_index(here: Path, command: str) -> None:
    """Cut off before the index was written, as after a power loss."""
    whole = (here / "take.mp4").read_bytes()
    (here / "cut-off.mp4").write_bytes(whole[: len(whole) // 2])
    message = refused(command.replace("CLIP", "cut-off.mp4"), here)
    assert "cut-off.mp4: " in message
    assert "may have lost its index: repair it or export it anew" in message


@pytest.mark.parametrize("command", WITH_CLIP)
@pytest.mark.parametrize("name", ["none.mp4", "folder", "empty.mp4", "notes.mp4"])
def test_a_clip_that_is_none(here: Path, command: str, name: str) -> None:
    (here / "empty.mp4").touch()
    (here / "notes.mp4").write_text("shot 3: the good one\n" * 99)
    assert name in refused(command.replace("CLIP", name), here)


def test_a_batch_says_of_each_clip_what_its_command_says(here: Path) -> None:
    whole = (here / "take.mp4").read_bytes()
    (here / "cut-off.mp4").write_bytes(whole[: len(whole) // 2])
    command = "batch cut-off.mp4 --do check --cal calibration.json --out new --workers 1 --quiet --json"
    answer = autocal(*command.split())
    assert answer.code == 1
    (row,) = json.loads(answer.out)["clips"]
    assert "cut-off.mp4: " in row["message"]
    assert "may have lost its index: repair it or export it anew" in row["message"]
