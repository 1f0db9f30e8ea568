"""Films: every picture, time stamp, tag and sound of the clip; whole or not there at all."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from click.testing import CliRunner
from numpy.typing import NDArray

from autocal.calibration import Calibration
from autocal.commands.render import render
from autocal.errors import AutocalError, FootageError, OutputError
from autocal.geometry import ImageCircle, Lens, Rig
from autocal.render.clip import open_clip
from autocal.render.film import FilmOrder, render_film
from autocal.render.formats import planar_format, plane_array
from autocal.render.renderer import Look
from autocal.render.settings import Compression
from autocal.tagging import HALF_EQUIRECT_LEFT_RIGHT, read_tags

HALF = 96
RATE = 25
LOOK = Look(size=(192, 96))


def rig(circle: ImageCircle | None = None) -> Rig:
    lens = Lens((HALF, HALF), HALF / np.pi, ((HALF - 1) / 2, (HALF - 1) / 2), circle=circle)
    return Rig(lens, lens, np.eye(3), np.eye(3))


@pytest.fixture
def calibration(tmp_path: Path) -> Path:
    path = tmp_path / "calibration.json"
    Calibration(rig()).save(path)
    return path


def picture(number: int, width: int = 2 * HALF, height: int = HALF) -> NDArray[np.uint8]:
    """A picture that tells its number by its brightness, and its eyes by their colour."""
    rgb = np.full((height, width, 3), 30 + 5 * (number % 40), np.uint8)
    rgb[:, : width // 2, 2] //= 2
    return rgb


def write_clip(
    path: Path,
    frames: int = 12,
    *,
    codec: str = "libx264",
    pixel_format: str = "yuv420p",
    pts: Sequence[int] | None = None,
    time_base: Fraction = Fraction(1, RATE),
    sound: bool = False,
    options: dict[str, str] | None = None,
    metadata: dict[str, str] | None = None,
    colour: tuple[int, int, int] = (9, 16, 9),
    gop: int = 4,
) -> Path:
    with av.open(str(path), "w") as container:
        container.metadata.update(metadata or {})
        stream: Any = container.add_stream(codec, rate=RATE)
        stream.width, stream.height, stream.pix_fmt = 2 * HALF, HALF, pixel_format
        stream.codec_context.time_base = time_base
        stream.codec_context.gop_size = gop
        stream.codec_context.options = options or {}
        context = stream.codec_context
        context.color_primaries, context.color_trc, context.colorspace = colour
        track: Any = container.add_stream("aac", rate=48000) if sound else None
        for number in range(frames):
            frame = av.VideoFrame.from_ndarray(picture(number)).reformat(format=pixel_format)
            frame.pts = pts[number] if pts else number
            frame.time_base = time_base
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
        if sound:
            noise = np.random.default_rng(0).normal(0, 0.1, (1, 48000 * frames // RATE)).astype(np.float32)
            for start in range(0, noise.shape[1], 1024):
                block = av.AudioFrame.from_ndarray(noise[:, start : start + 1024], "fltp", "mono")
                block.sample_rate, block.pts, block.time_base = 48000, start, Fraction(1, 48000)
                container.mux(track.encode(block))
            container.mux(track.encode(None))
    return path


def times(path: Path) -> list[Fraction]:
    with av.open(str(path)) as container:
        decoded: Iterator[Any] = container.decode(video=0)
        return [f.pts * f.time_base for f in decoded]


def lumas(path: Path) -> list[float]:
    """Mean luma code of each picture's middle, in 8-bit steps."""
    means = []
    with av.open(str(path)) as container:
        for frame in container.decode(video=0):
            format_ = planar_format(frame.format.name)
            luma = plane_array(frame, 0, format_)
            middle = luma[luma.shape[0] // 3 : -luma.shape[0] // 3]
            means.append(float(middle.mean()) / (1 << (format_.bits - 8)))
    return means


def sound_packets(path: Path) -> list[tuple[Fraction, bytes]]:
    with av.open(str(path)) as container:
        sound: Iterator[Any] = container.demux(audio=0)
        return [(p.pts * p.time_base, bytes(p)) for p in sound if p.size]


def order(calibration: Path, clip: Path, out: Path, **more: Any) -> FilmOrder:
    return FilmOrder(calibration, clip, out, **{"look": LOOK, "compression": Compression(quality=12), **more})


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


def packets(path: Path) -> list[tuple[int, int | None, int | None, bytes]]:
    with av.open(str(path)) as container:
        return [(p.stream_index, p.pts, p.dts, bytes(p)) for p in container.demux() if p.size]


def test_pieces_of_another_order_are_not_joined_in(calibration: Path, tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "clip.mp4", 120)

    def interrupt(stage: str, done: int, total: int) -> None:
        if done == 110:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        render_film(order(calibration, clip, tmp_path / "film.mp4"), progress=interrupt)
    other = order(calibration, clip, tmp_path / "film.mp4", look=Look(size=(192, 96), level_deg=(0, 0, 3)))
    assert render_film(other).resumed == 0


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


def test_a_bad_picture_is_replaced_by_the_one_before_and_named(calibration: Path, tmp_path: Path) -> None:
    # Pictures that stand alone, so that one can be damaged without its neighbours.
    clip = write_clip(tmp_path / "clip.mkv", 10, gop=1, options={"g": "1", "bf": "0"})
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


def test_an_existing_film_is_not_replaced_unasked(calibration: Path, tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "clip.mp4", 2)
    out = tmp_path / "film.mp4"
    out.write_text("precious")
    with pytest.raises(OutputError, match="exists already"):
        render_film(order(calibration, clip, out))
    assert out.read_text() == "precious"
    assert render_film(order(calibration, clip, out), overwrite=True).pictures == 2


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"clip": "missing.mp4"}, "no such file"),
        ({"clip": "note.mp4"}, "not a film"),
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


@pytest.mark.skipif(shutil.which("ffprobe") is None, reason="ffprobe is not installed")
def test_ffprobe_finds_nothing_to_complain_about(calibration: Path, tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "clip.mp4", 60, sound=True)
    out = render_film(order(calibration, clip, tmp_path / "film.mp4")).out
    command = ["ffprobe", "-v", "warning", "-show_frames", "-of", "csv", str(out)]
    assert subprocess.run(command, capture_output=True, text=True, check=True).stderr == ""
