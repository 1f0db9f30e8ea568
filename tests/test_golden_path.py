"""From the bundled footage to a film that is checked: every command in its turn, nothing made beforehand."""

from __future__ import annotations

import json
import shutil
import subprocess
from itertools import islice
from pathlib import Path
from typing import Any

import av
import pytest

from tests.command_line import Answer, autocal
from tests.footage_clips import write_video

SAMPLE = Path(__file__).parents[1] / "samples" / "harbour.mp4"
PICTURES = 12

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder for all that is made."""
    return tmp_path_factory.mktemp("golden")


@pytest.fixture(scope="module")
def calibration(place: Path) -> Path:
    """The sample, solved from a third of its frames."""
    answer = autocal(
        "solve", SAMPLE, "--frames", "9", "--out", place / "solved", "--size", "512x256", "--quiet"
    )
    assert (answer.code, answer.err) == (0, "")
    return place / "solved" / "calibration.json"


@pytest.fixture(scope="module")
def film(place: Path, calibration: Path) -> Path:
    """Half a second of it as a small film."""
    out = place / "film.mp4"
    small = ("--size", "2048x1024", "--quality", "14", "--preset", "ultrafast", "--to", "0.5", "--quiet")
    answer = autocal("render", calibration, SAMPLE, "-o", out, *small)
    assert (answer.code, answer.err) == (0, "")
    assert f"{PICTURES} pictures" in answer.out
    return out


def test_the_film_has_the_footages_pictures_and_its_own_size(film: Path) -> None:
    with av.open(str(SAMPLE)) as source, av.open(str(film)) as made:
        times = [frame.time for frame in source.decode(video=0)][:PICTURES]
        frames = list(made.decode(video=0))
    assert [frame.time for frame in frames] == pytest.approx(times, abs=1e-6)
    assert {(frame.width, frame.height) for frame in frames} == {(2048, 1024)}


def test_the_film_is_tagged_and_tagging_again_changes_nothing(film: Path) -> None:
    before = film.read_bytes()
    assert autocal("tag", film) == Answer(0, f"{film}: tagged already, nothing to change\n", "")
    shown = autocal("tag", film, "--show").out
    assert "stereo: left-right; projection: equirectangular; 180 x 180 degrees" in shown
    assert film.read_bytes() == before


def test_a_finished_film_is_no_footage(calibration: Path, film: Path, place: Path) -> None:
    for command in (("solve", film, "--out", place / "no"), ("check", calibration, film)):
        answer = autocal(*command)
        assert (answer.code, "finished film by its own tags" in answer.err) == (2, True)
    answer = autocal("render", calibration, film, "-o", place / "no.mp4")
    assert (answer.code, "finished film by its own tags" in answer.err) == (2, True)


def test_a_film_that_lost_its_tags_on_the_way_is_tagged_again(film: Path, place: Path) -> None:
    bare = place / "bare.mp4"
    with av.open(str(film)) as source, av.open(str(bare), "w") as out:
        stream = source.streams.video[0]
        copy = out.add_stream_from_template(stream)
        for packet in source.demux(stream):
            if packet.dts is not None:
                packet.stream = copy
                out.mux(packet)
    assert "no spatial metadata" in autocal("tag", bare, "--show").out
    assert autocal("tag", bare) == Answer(0, f"{bare}: tagged\n", "")
    assert autocal("tag", bare, "--show").out == autocal("tag", film, "--show").out


@pytest.mark.skipif(shutil.which("ffprobe") is None, reason="ffprobe is not installed")
def test_ffprobe_sees_stereo_and_half_of_the_sphere(film: Path) -> None:
    """FFmpeg's reading of the st3d and sv3d boxes, as an outside witness."""
    asked = ("ffprobe", "-v", "error", "-select_streams", "v", "-show_streams", "-of", "json", str(film))
    stream = json.loads(subprocess.run(asked, capture_output=True, text=True, check=True).stdout)["streams"][
        0
    ]
    said: dict[str, Any] = {}
    for entry in stream["side_data_list"]:
        said |= entry
    assert said["type"] == "side by side"
    assert said["projection"] == "tiled equirectangular"
    # In pixels: as much again as half the picture's width is cut off the whole sphere at either side.
    assert [said["bound_left"], said["bound_right"]] == pytest.approx([1024, 1024], abs=1)
    assert [said["bound_top"], said["bound_bottom"]] == [0, 0]


def test_the_film_holds_when_checked_by_itself(film: Path) -> None:
    """The solved calibration, through the film: as good as it claims to be against the true one."""
    answer = autocal("check", "--rendered", film, "--windows", "2", "--json")
    document = json.loads(answer.out)
    assert (document["verdict"], answer.code) == ("holds", 0)
    assert abs(document["remaining_rotation_deg"]["pitch"]) < 0.01
    assert abs(document["remaining_rotation_deg"]["roll"]) < 0.01
    assert document["vertical_disparity_arcmin"]["median_absolute"] < 1.0
    assert document["comfort"]["grade"] == "excellent"
    assert document["far_plane"]["grade"] == "good"
    assert abs(document["far_plane"]["edge_arcmin"]) < 2.0


def test_two_files_are_checked_like_one(calibration: Path, place: Path) -> None:
    with av.open(str(SAMPLE)) as source:
        lumas = [frame.to_ndarray(format="gray") for frame in islice(source.decode(video=0), 4)]
    middle = lumas[0].shape[1] // 2
    left = write_video(place / "L.mp4", [luma[:, :middle] for luma in lumas], options={"crf": "12"})
    right = write_video(place / "R.mp4", [luma[:, middle:] for luma in lumas], options={"crf": "12"})
    together = autocal(
        "check", calibration, "--left", left, "--right", right, "--json", "--report", place / "two"
    )
    assert json.loads(together.out)["verdict"] == "holds"
    assert "L.mp4, R.mp4" in (place / "two" / "report.html").read_text()
    exchanged = autocal("check", calibration, "--left", right, "--right", left)
    assert (exchanged.code, "other way round" in exchanged.out) == (3, True)
    alone = autocal("check", calibration, "--left", left)
    assert (alone.code, "--right" in alone.err) == (2, True)
    one_eye = autocal("check", calibration, left)
    assert (one_eye.code, "--left and --right" in one_eye.err) == (2, True)
    rendered = autocal("render", calibration, left, "-o", place / "one-eye.mp4")
    assert (rendered.code, "side by side first" in rendered.err) == (2, True)
