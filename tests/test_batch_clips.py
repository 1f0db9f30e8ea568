"""Which clips a shoot day stands for, and names that keep their results apart."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from autocal.batch.clips import distinct_names, find_clips
from autocal.errors import FootageError


def touch(*paths: Path) -> None:
    for path in paths:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()


def test_a_folder_stands_for_the_clips_anywhere_in_it(tmp_path: Path) -> None:
    day = tmp_path / "day"
    touch(day / "b.MOV", day / "card" / "deep" / "a.mp4", day / "notes.txt", day / "card" / "still.jpg")
    found = find_clips([day], tmp_path / "out")
    assert [(clip.path, clip.name) for clip in found] == [
        (day / "b.MOV", "b"),
        (day / "card/deep/a.mp4", "a"),
    ]


def test_hidden_files_and_earlier_results_are_passed_over(tmp_path: Path) -> None:
    # Some systems lay a hidden "._take.mp4" of their own beside each file of a card.
    touch(
        tmp_path / "take.mp4",
        tmp_path / "._take.mp4",
        tmp_path / ".trash" / "x.mp4",
        tmp_path / "out/film.mp4",
    )
    assert [clip.name for clip in find_clips([tmp_path], tmp_path / "out")] == ["take"]


def test_a_clip_named_twice_comes_once(tmp_path: Path) -> None:
    touch(tmp_path / "take.mp4")
    assert len(find_clips([tmp_path / "take.mp4", tmp_path], tmp_path / "out")) == 1


def test_a_folder_of_pictures_and_numbered_pictures_are_one_clip(tmp_path: Path) -> None:
    touch(tmp_path / "shot" / "0001.png", tmp_path / "shot" / "0002.png")
    assert [c.name for c in find_clips([tmp_path / "shot"], tmp_path / "out")] == ["shot"]
    touch(tmp_path / "exr" / "scene_0001.exr")
    assert [c.name for c in find_clips([tmp_path / "exr" / "scene_%04d.exr"], tmp_path / "out")] == ["scene"]


@pytest.mark.parametrize("name", ["missing.mp4", "empty"])
def test_a_name_that_stands_for_nothing_is_refused(tmp_path: Path, name: str) -> None:
    (tmp_path / "empty").mkdir()
    with pytest.raises(FootageError, match=name):
        find_clips([tmp_path / name], tmp_path / "out")


def test_clips_of_one_name_are_told_apart_by_their_folders() -> None:
    paths = [Path(p) for p in ("/day/a/take.mp4", "/day/b/take.mp4", "/day/b/other.mp4", "/eve/b/take.mp4")]
    assert distinct_names(paths) == ["a-take", "day-b-take", "other", "eve-b-take"]
    assert distinct_names([Path("/x/a/take.mp4"), Path("/x/a/TAKE.mov")]) == ["take-mp4", "TAKE-mov"]


def test_clips_that_differ_in_their_ending_alone_are_told_apart_by_it(tmp_path: Path) -> None:
    touch(tmp_path / "a.mp4", tmp_path / "a.mov", tmp_path / "b.mp4")
    assert [c.name for c in find_clips([tmp_path], tmp_path / "out")] == ["a-mov", "a-mp4", "b"]


def test_no_clip_has_the_name_of_the_table_or_the_index(tmp_path: Path) -> None:
    """Each clip's folder lies beside results.csv and index.html."""
    touch(tmp_path / "index.html.mp4", tmp_path / "Results.CSV.mov", tmp_path / "index.mp4")
    named = {c.path.name: c.name for c in find_clips([tmp_path], tmp_path / "out")}
    assert named == {
        "index.html.mp4": "index.html-2",
        "Results.CSV.mov": "Results.CSV-2",
        "index.mp4": "index",
    }


def test_no_clips_folder_is_hidden_or_outside(tmp_path: Path) -> None:
    touch(tmp_path / ".take.mp4", tmp_path / "...mp4")
    assert Path("...mp4").stem == ".."
    named = [tmp_path / ".take.mp4", tmp_path / "...mp4"]
    assert [c.name for c in find_clips(named, tmp_path / "out")] == ["take", "pictures"]


FOLDERS = st.lists(st.sampled_from(["a", "b", "a-b", "B"]), max_size=3)
PATHS = st.lists(
    st.builds(
        lambda folders, stem, ending: Path("/", *folders, stem + ending),
        FOLDERS,
        st.sampled_from(["take", "Take", "b-take", "take-2", ".take", "index.html"]),
        st.sampled_from([".mp4", ".mov"]),
    ),
    unique=True,
    max_size=12,
)


@given(PATHS)
def test_no_two_names_are_the_same_even_without_capitals(paths: list[Path]) -> None:
    names = distinct_names(paths, taken=["index.html"])
    assert len({name.casefold() for name in [*names, "index.html"]}) == len(paths) + 1
    assert all("/" not in name and not name.startswith(".") for name in names)
