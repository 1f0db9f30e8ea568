"""Films: every picture, time stamp, tag and sound of the clip."""

from __future__ import annotations

import shutil
import subprocess
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from click.testing import CliRunner

from autocal.calibration import Calibration
from autocal.commands.render import render
from autocal.errors import OutputError
from autocal.render.clip import open_clip
from autocal.render.film import render_film
from autocal.render.settings import Compression
from autocal.tagging import HALF_EQUIRECT_LEFT_RIGHT, read_tags
from tests.film_takes import (
    lumas,
    order,
    rig,
    sound_packets,
    times,
    write_clip,
)


@pytest.fixture
def calibration(tmp_path: Path) -> Path:
    path = tmp_path / "calibration.json"
    Calibration(rig()).save(path)
    return path


def test_film_has_every_picture_and_time_and_the_sound_bit_for_bit(calibration: Path, tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "clip.mp4", 30, sound=True)
    report = render_film(order(calibration, clip, tmp_path / "film.mp4"))
    assert report.is_flawless
    assert report.pictures == 30
    assert times(report.out) == times(clip)
    assert np.allclose(lumas(report.out), lumas(clip), atol=2)
    assert sound_packets(report.out) == sound_packets(clip)
    assert read_tags(report.out) == [HALF_EQUIRECT_LEFT_RIGHT]
    assert sorted(p.name for p in tmp_path.iterdir()) == ["calibration.json", "clip.mp4", "film.mp4"]


@pytest.mark.parametrize(
    ("codec", "ending"),
    [("hevc", "mp4"), ("hevc", "mkv"), ("h264", "mov"), ("prores", "mov"), ("ffv1", "mkv")],
)
def test_variable_frame_rates_stay_exact(calibration: Path, tmp_path: Path, codec: Any, ending: str) -> None:
    # Milliseconds, so that Matroska can hold them too.
    pts = [0, 40, 90, 120, 121, 200, 333, 334, 400, 2000, 2040, 2081]
    clip = write_clip(tmp_path / "clip.mkv", pts=pts, time_base=Fraction(1, 1000))
    compression = Compression(codec, quality=None if codec in ("prores", "ffv1") else 15)
    report = render_film(order(calibration, clip, tmp_path / f"film.{ending}", compression=compression))
    assert times(report.out) == times(clip) == [Fraction(p, 1000) for p in pts]
    assert np.allclose(lumas(report.out), lumas(clip), atol=2)


@pytest.mark.parametrize("pixel_format", ["yuv420p", "yuv420p10le", "yuv422p10le"])
def test_depth_chroma_and_colour_tags_are_kept(calibration: Path, tmp_path: Path, pixel_format: str) -> None:
    clip = write_clip(
        tmp_path / "clip.mp4",
        3,
        codec="libx265",
        pixel_format=pixel_format,
        options={"x265-params": "log-level=none"},
    )
    out = render_film(order(calibration, clip, tmp_path / "film.mp4")).out
    with av.open(str(out)) as container:
        context = container.streams.video[0].codec_context
        assert context.pix_fmt == pixel_format
        # ITU-T H.273: 9 is BT.2020, 16 is SMPTE ST 2084.
        assert (context.color_primaries, context.color_trc, context.colorspace) == (9, 16, 9)
        assert context.codec_tag == "hvc1"


def test_timecode_is_carried_over(calibration: Path, tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "clip.mov", 4, metadata={"timecode": "10:11:12:13"})
    out = render_film(order(calibration, clip, tmp_path / "film.mov")).out
    assert open_clip(clip).timecode == open_clip(out).timecode == "10:11:12:13"


def test_part_of_a_clip_starts_at_zero_with_its_own_sound(calibration: Path, tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "clip.mp4", 60, sound=True)
    report = render_film(order(calibration, clip, tmp_path / "film.mp4", start_s=0.8, end_s=1.6))
    assert report.pictures == 20
    assert times(report.out)[0] == 0
    assert np.allclose(lumas(report.out), lumas(clip)[20:40], atol=2)
    start, end = Fraction(4, 5), Fraction(8, 5)
    original = [(at - start, data) for at, data in sound_packets(clip) if start <= at < end]
    assert sound_packets(report.out) == original
    with pytest.raises(OutputError, match="no picture"):
        render_film(order(calibration, clip, tmp_path / "other.mp4", start_s=10.0))


def test_rotated_footage_is_rendered_as_it_is_displayed(calibration: Path, tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "plain.mp4", 3)
    upright = render_film(
        order(calibration, clip, tmp_path / "upright.mkv", compression=Compression("ffv1"))
    ).out
    turned = tmp_path / "turned.mp4"
    with av.open(str(clip)) as source, av.open(str(turned), "w") as target:
        stream = target.add_stream_from_template(source.streams.video[0])
        stream.set_display_rotation(180)
        for packet in source.demux(video=0):
            if packet.size:
                packet.stream = stream
                target.mux(packet)
    film = render_film(order(calibration, turned, tmp_path / "film.mkv", compression=Compression("ffv1"))).out
    first, second = (
        next(av.open(str(p)).decode(video=0)).to_ndarray(format="rgb24") for p in (upright, film)
    )
    # Upright, the left eye is yellowish; upside down the halves change places.
    assert first[48, 48, 2] < first[48, 144, 2] - 5
    assert second[48, 48, 2] > second[48, 144, 2] + 5


def test_swapped_eyes_end_on_their_own_sides(tmp_path: Path) -> None:
    path = tmp_path / "swapped.json"
    Calibration(rig(), swapped=True).save(path)
    clip = write_clip(tmp_path / "clip.mp4", 2)
    film = render_film(order(path, clip, tmp_path / "film.mkv", compression=Compression("ffv1"))).out
    rgb = next(av.open(str(film)).decode(video=0)).to_ndarray(format="rgb24")
    assert rgb[48, 48, 2] > rgb[48, 144, 2] + 5


def test_anaglyph_is_named_for_what_it_is_and_not_tagged(calibration: Path, tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "clip.mp4", 2)
    arguments = [
        str(calibration),
        str(clip),
        "-o",
        str(tmp_path / "film.mp4"),
        "--size",
        "192x96",
        "--anaglyph",
        "--quiet",
    ]
    result = CliRunner().invoke(render, arguments)
    assert result.exit_code == 0, result.output
    film = tmp_path / "film_ANAGLYPH-CHECK-ONLY.mp4"
    assert open_clip(film).size == (96, 96)
    assert read_tags(film)[0].projection is None
    rgb = next(av.open(str(film)).decode(video=0)).to_ndarray(format="rgb24")
    assert abs(int(rgb[48, 48, 1]) - int(rgb[48, 48, 2])) < 6  # the right eye's luma in green and blue alike


def test_headset_film_gets_its_ending_in_a_folder(calibration: Path, tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "take.mp4", 2)
    (tmp_path / "films").mkdir()
    base = [
        str(calibration),
        str(clip),
        "-o",
        str(tmp_path / "films"),
        "--size",
        "192x96",
        "--for",
        "headset",
        "--quiet",
    ]
    result = CliRunner().invoke(render, base)
    assert result.exit_code == 0, result.output
    assert "80 Mbit/s" in result.output
    assert CliRunner().invoke(render, [*base, "--ending", "_LR_180"]).exit_code == 0
    assert sorted(p.name for p in (tmp_path / "films").iterdir()) == ["take_180_LR.mp4", "take_LR_180.mp4"]


@pytest.mark.skipif(shutil.which("ffprobe") is None, reason="ffprobe is not installed")
def test_ffprobe_finds_nothing_to_complain_about(calibration: Path, tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "clip.mp4", 60, sound=True)
    out = render_film(order(calibration, clip, tmp_path / "film.mp4")).out
    command = ["ffprobe", "-v", "warning", "-show_frames", "-of", "csv", str(out)]
    assert subprocess.run(command, capture_output=True, text=True, check=True).stderr == ""
