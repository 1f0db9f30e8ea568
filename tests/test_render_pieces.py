"""Pieces of a film can be made in any order, apart from each other: the film is the same to the last bit."""

from __future__ import annotations

import pickle
from dataclasses import replace
from pathlib import Path

import av
import pytest

from autocal.errors import OutputError
from autocal.render.film import finish_film, plan_film, render_film, render_pieces
from tests.film_clips import film_order, packets, save_calibration, write_take


@pytest.fixture
def calibration(tmp_path: Path) -> Path:
    return save_calibration(tmp_path / "calibration.json")


def in_one_go_and_apart(calibration: Path, clip: Path, folder: Path) -> tuple[Path, Path]:
    straight = render_film(film_order(calibration, clip, folder / "straight.mkv"))
    plan = plan_film(film_order(calibration, clip, folder / "apart.mkv"))
    for piece in reversed(plan.pieces):
        elsewhere = pickle.loads(pickle.dumps(plan))
        render_pieces(elsewhere, (piece,))
    apart = finish_film(plan)
    assert apart.repeated == straight.repeated
    return straight.out, apart.out


def test_pieces_made_apart_in_any_order_give_the_same_film(calibration: Path, tmp_path: Path) -> None:
    clip = write_take(tmp_path / "clip.mp4", 230)
    straight, apart = in_one_go_and_apart(calibration, clip, tmp_path)
    assert len(packets(straight)) == 230
    assert packets(apart) == packets(straight)
    assert not list(tmp_path.glob(".*"))


def test_a_damaged_stretch_across_two_pieces_is_filled_with_the_same_picture(
    calibration: Path, tmp_path: Path
) -> None:
    # Pictures that stand alone, so that the last good one lies many key pictures before the second piece.
    clip = write_take(tmp_path / "clip.mov", 130, bits=10, codec="prores_ks", pix_fmt="yuv422p10le")
    data = bytearray(clip.read_bytes())
    with av.open(str(clip)) as container:
        coded = [(packet.pos, bytes(packet)) for packet in container.demux(video=0) if packet.size]
    for position, content in coded[96:106]:
        at = data.index(content[:64], position)
        data[at + 4 : at + len(content)] = b"\xff" * (len(content) - 4)
    clip.write_bytes(data)
    straight, apart = in_one_go_and_apart(calibration, clip, tmp_path)
    assert packets(apart) == packets(straight)
    report = render_film(film_order(calibration, clip, tmp_path / "again.mkv"))
    assert [number for number, _ in report.repeated] == list(range(96, 106))


def test_a_piece_that_is_there_is_not_made_again(calibration: Path, tmp_path: Path) -> None:
    clip = write_take(tmp_path / "clip.mp4", 30)
    plan = plan_film(film_order(calibration, clip, tmp_path / "film.mp4"))
    render_pieces(plan, plan.pieces)
    made = plan.pieces[0].path.stat()
    seen: list[str] = []
    render_pieces(plan, plan.pieces, progress=lambda stage, done, total: seen.append(stage))
    assert seen == []
    assert plan.pieces[0].path.stat() == made


def test_pieces_are_not_made_for_another_version_of_the_program(calibration: Path, tmp_path: Path) -> None:
    clip = write_take(tmp_path / "clip.mp4", 4)
    plan = replace(plan_film(film_order(calibration, clip, tmp_path / "film.mp4")), program="0.0.1")
    with pytest.raises(OutputError, match=r"autocal 0\.0\.1.*same version"):
        render_pieces(plan, plan.pieces)
