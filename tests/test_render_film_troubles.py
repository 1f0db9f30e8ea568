"""Films where something goes wrong: interrupted, damaged, in the way, refused; whole or not there at all."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from click.testing import CliRunner

from autocal.calibration import Calibration
from autocal.commands.render import render
from autocal.errors import AutocalError, FootageError, OutputError
from autocal.geometry import Lens, Rig
from autocal.render.clip import open_clip
from autocal.render.encode import PieceWriter
from autocal.render.film import render_film
from autocal.render.renderer import Look
from autocal.render.settings import Compression
from tests.film_clips import packets
from tests.film_takes import RATE, lumas, order, rig, write_clip


@pytest.fixture
def calibration(tmp_path: Path) -> Path:
    path = tmp_path / "calibration.json"
    Calibration(rig()).save(path)
    return path


def test_an_interrupted_film_goes_on_and_is_the_same_to_the_last_bit(
    calibration: Path, tmp_path: Path
) -> None:
    clip = write_clip(tmp_path / "clip.mp4", 230, sound=True)
    straight = render_film(order(calibration, clip, tmp_path / "straight.mp4")).out

    def interrupt(stage: str, done: int, total: int) -> None:
        if done == 110:
            raise KeyboardInterrupt

    broken = order(calibration, clip, tmp_path / "broken.mp4")
    with pytest.raises(KeyboardInterrupt):
        render_film(broken, progress=interrupt)
    assert not broken.out.exists()
    seen: list[int] = []
    report = render_film(broken, progress=lambda stage, done, total: seen.append(done))
    assert report.resumed == 100
    assert min(seen) == 100
    assert packets(broken.out) == packets(straight)
    assert not list(tmp_path.glob(".*"))


def test_pieces_of_another_order_are_not_joined_in(calibration: Path, tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "clip.mp4", 120)

    def interrupt(stage: str, done: int, total: int) -> None:
        if done == 110:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        render_film(order(calibration, clip, tmp_path / "film.mp4"), progress=interrupt)
    other = order(calibration, clip, tmp_path / "film.mp4", look=Look(size=(192, 96), level_deg=(0, 0, 3)))
    assert render_film(other).resumed == 0


@pytest.mark.parametrize("begin", [0, 50])
def test_a_bad_picture_is_replaced_by_the_one_before_and_named(
    calibration: Path, tmp_path: Path, begin: int
) -> None:
    """Its time is counted from the clip's first picture, as those of --from and --to are."""
    # Pictures that stand alone, so that one can be damaged without its neighbours.
    pts = range(begin, begin + 10)
    clip = write_clip(tmp_path / "clip.mkv", 10, gop=1, options={"g": "1", "bf": "0"}, pts=pts)
    data = bytearray(clip.read_bytes())
    with av.open(str(clip)) as container:
        bad = [p for p in container.demux(video=0) if p.size][6]
        place, size = bad.pos, bad.size
    at = data.index(bytes(bad)[:64], place)
    data[at + 4 : at + size] = b"\xff" * (size - 4)
    clip.write_bytes(data)
    report = render_film(order(calibration, clip, tmp_path / "film.mp4"))
    ((number, seconds),) = report.repeated
    assert number == 6
    assert seconds == pytest.approx(6 / RATE)
    assert not report.is_flawless
    shown = lumas(report.out)
    assert len(shown) == 10
    assert shown[6] == pytest.approx(shown[5], abs=0.7)
    assert shown[7] > shown[6] + 3


def test_a_clip_that_ends_early_gives_what_there_is_and_says_so(calibration: Path, tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "clip.mkv", 50)
    whole = clip.read_bytes()
    clip.write_bytes(whole[: len(whole) // 2])
    report = render_film(order(calibration, clip, tmp_path / "film.mp4"))
    assert 5 <= report.pictures < 50
    assert report.missing_end_s == pytest.approx((50 - report.pictures) / RATE, abs=1.5 / RATE)
    result = CliRunner().invoke(
        render, [str(calibration), str(clip), "-o", str(tmp_path / "b.mp4"), "--size", "192x96", "--quiet"]
    )
    assert result.exit_code == 1
    assert "earlier than it says" in result.output


def test_a_full_disk_is_an_error_for_people_and_keeps_the_pieces(calibration: Path, tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "clip.mp4", 30)
    out = tmp_path / "film.mkv"
    script = """
import resource, signal, sys
from pathlib import Path
from autocal.errors import OutputError
from autocal.render.film import Compression, FilmOrder, Look, render_film

calibration, clip, out = map(Path, sys.argv[1:])
lossless = {"look": Look((192, 96)), "compression": Compression("ffv1"), "device": "cpu"}
render_film(FilmOrder(calibration, clip, out.with_stem("first"), **lossless))
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (4_000, 4_000))  # every further byte fails, as on a full disk
try:
    render_film(FilmOrder(calibration, clip, out, **lossless))
except OutputError as error:
    print("told:", error)
"""
    command = [sys.executable, "-c", script, str(calibration), str(clip), str(out)]
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parent.parent)}
    result = subprocess.run(command, capture_output=True, text=True, env=environment, timeout=120)
    assert "told:" in result.stdout, result.stderr
    assert "make room" in result.stdout
    assert not out.exists()


def test_an_existing_film_is_not_replaced_unasked(calibration: Path, tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "clip.mp4", 2)
    out = tmp_path / "film.mp4"
    out.write_text("precious")
    with pytest.raises(OutputError, match="exists already"):
        render_film(order(calibration, clip, out))
    assert out.read_text() == "precious"
    assert render_film(order(calibration, clip, out), overwrite=True).pictures == 2


@pytest.mark.parametrize("pictures", [1, 2, 3, 12])
def test_decoding_times_are_never_made_up(tmp_path: Path, pictures: int) -> None:
    """x265 leaves those of a piece of one or two pictures to chance, so more than one try."""
    clip = open_clip(write_clip(tmp_path / "clip.mp4", 2))
    for attempt in range(5):
        writer = PieceWriter(tmp_path / f"piece-{attempt}", clip, Compression(quality=20), (256, 128))
        stamps: list[tuple[int, int]] = []

        class Recorder:
            def mux(self, packet: av.Packet, to: list[tuple[int, int]] = stamps) -> None:
                assert packet.dts is not None
                assert packet.pts is not None
                to.append((packet.dts, packet.pts))

        writer._container, container = Recorder(), writer._container
        for number in range(pictures):
            frame = av.VideoFrame(256, 128, "yuv420p")
            for plane in frame.planes:
                plane.update(bytes(plane.buffer_size))
            frame.pts, frame.time_base = 512 * number, clip.time_base
            writer.add(frame)
        writer._mux(None)
        writer._container = container
        writer.abandon()
        decoding = [dts for dts, _ in stamps]
        assert len(decoding) == pictures
        assert decoding == sorted(set(decoding))
        assert all(-6 * 512 <= dts - pts <= 0 for dts, pts in stamps)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"clip": "missing.mp4"}, "no such file"),
        ({"clip": "note.mp4"}, "no video.*repair it or export it anew"),
        ({"out": "film.txt"}, "change the name's ending"),
        ({"compression": Compression("prores")}, "prores goes into"),
        ({"device": "cuda"}, "no CUDA card"),
    ],
)
def test_what_cannot_be_done_is_said(
    calibration: Path, tmp_path: Path, change: dict[str, Any], message: str
) -> None:
    import torch

    if change.get("device") == "cuda" and torch.cuda.is_available():
        pytest.skip("a card is there")
    write_clip(tmp_path / "clip.mp4", 2)
    (tmp_path / "note.mp4").write_text("no film at all" * 100)
    change = {k: tmp_path / v if k in ("clip", "out") else v for k, v in change.items()}
    clip, out = change.pop("clip", tmp_path / "clip.mp4"), change.pop("out", tmp_path / "film.mp4")
    with pytest.raises(AutocalError, match=message):
        render_film(order(calibration, clip, out, **change))
    assert not out.exists()


def test_a_clip_of_another_shape_is_refused(tmp_path: Path) -> None:
    wide = tmp_path / "wide.json"
    lens = Lens((120, 96), 30.0, (59.5, 47.5))
    Calibration(Rig(lens, lens, np.eye(3), np.eye(3))).save(wide)
    clip = write_clip(tmp_path / "clip.mp4", 2)
    with pytest.raises(FootageError, match="another shape"):
        render_film(order(wide, clip, tmp_path / "film.mp4"))


def test_senseless_settings_are_refused() -> None:
    with pytest.raises(OutputError, match="not both"):
        Compression(bitrate=10_000_000, quality=20)
    with pytest.raises(OutputError, match="lossless"):
        Compression("ffv1", quality=3)
    with pytest.raises(OutputError, match="multiple of 4"):
        Look(size=(101, 50))
