"""A clip in, numbered pictures out: the film's pictures in red, green and blue, no depth lost; resumed."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import OpenImageIO as oiio
import pytest
from numpy.typing import NDArray

from autocal.errors import FootageError, OutputError
from autocal.render.clip import ColourTags
from autocal.render.clip_pictures import PicturesOrder, render_pictures
from autocal.render.formats import planar_format, plane_array
from autocal.render.renderer import Look
from autocal.render.rgb import rgb_picture
from autocal.render.sequence import as_sequence
from tests.command_line import autocal
from tests.film_clips import save_calibration, write_take
from tests.footage_clips import HALF

LOOK = Look(size=(2 * HALF, HALF))
BT709 = (1, 1, 1)


@pytest.fixture(scope="module")
def calibration(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Equidistant lenses that fill the halves."""
    return save_calibration(tmp_path_factory.mktemp("calibration") / "calibration.json")


def write_clip(
    path: Path, codes: list[tuple[int, int, int]], pixel_format: str = "yuv420p10le", matrix: int = 1
) -> Path:
    """Lossless; every picture of one colour, given in code values."""
    format_ = planar_format(pixel_format)
    with av.open(str(path), "w") as container:
        stream: Any = container.add_stream("ffv1", rate=25)
        stream.width, stream.height, stream.pix_fmt = 2 * HALF, HALF, pixel_format
        context = stream.codec_context
        context.color_primaries = context.color_trc = 1
        context.colorspace = matrix
        for number, values in enumerate(codes):
            frame = av.VideoFrame(2 * HALF, HALF, pixel_format)
            for plane, value in enumerate(values[: format_.planes]):
                plane_array(frame, plane, format_)[...] = value
            frame.pts, frame.time_base = number, Fraction(1, 25)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def read(path: Path) -> NDArray[Any]:
    """A picture, by a library that is not asked to convert anything."""
    file: Any = oiio.ImageInput.open(str(path))
    spec = file.spec()
    samples = np.asarray(file.read_image(0, 0, 0, spec.nchannels, spec.format))
    return samples.reshape(spec.height, spec.width, spec.nchannels)


def middle(picture: NDArray[Any]) -> NDArray[np.float64]:
    """Its value in the middle of the left view."""
    return picture[HALF // 2, HALF // 2].astype(np.float64)


def pictures(calibration: Path, clip: Path, out: Path, **more: Any) -> PicturesOrder:
    target = as_sequence(out)
    assert target is not None
    out.parent.mkdir(exist_ok=True)
    return PicturesOrder(calibration, clip, target, LOOK, device="cpu", **more)


@pytest.mark.parametrize(
    ("suffix", "dtype", "scale"),
    [
        (".png", np.uint16, 65535),
        (".tif", np.uint16, 65535),
        (".dpx", np.uint16, 65535),
        (".exr", np.float16, 1),
    ],
)
def test_ten_bits_stay_ten_bits(
    calibration: Path, tmp_path: Path, suffix: str, dtype: type, scale: int
) -> None:
    """Neighbouring codes of a 10-bit clip stay apart: code c of limited range is (c - 64) / 876."""
    codes = [500, 501, 502, 503]
    clip = write_clip(tmp_path / "clip.mkv", [(code, 512, 512) for code in codes])
    report = render_pictures(pictures(calibration, clip, tmp_path / f"out/film_%05d{suffix}"))
    assert report.numbers == range(4)
    assert report.is_flawless
    names = sorted(path.name for path in (tmp_path / "out").iterdir())
    assert names == [f"film_{number:05d}{suffix}" for number in range(4)]
    for code, name in zip(codes, names, strict=True):
        picture = read(tmp_path / "out" / name)
        assert picture.dtype == dtype
        assert picture.shape == (HALF, 2 * HALF, 3)
        # Half precision between one half and one: steps of 2^-11.
        step = 0.5 if scale > 1 else 2.0**-11
        assert middle(picture) == pytest.approx(np.full(3, (code - 64) / 876 * scale), abs=step)


def test_eight_bits_are_eight_bits_and_twelve_need_single_precision(
    calibration: Path, tmp_path: Path
) -> None:
    shallow = write_clip(tmp_path / "shallow.mkv", [(126, 128, 128)], "yuv420p")
    deep = write_clip(tmp_path / "deep.mkv", [(2001, 2048, 2048)], "yuv422p12le")
    render_pictures(pictures(calibration, shallow, tmp_path / "out/shallow_%02d.png"))
    render_pictures(pictures(calibration, deep, tmp_path / "out/deep_%02d.exr"))
    assert read(tmp_path / "out/shallow_00.png").dtype == np.uint8
    exact = read(tmp_path / "out/deep_00.exr")
    assert exact.dtype == np.float32
    assert middle(exact) == pytest.approx(np.full(3, (2001 - 256) / 3504), abs=1e-6)


@pytest.mark.parametrize("matrix", [1, 5, 9])
@pytest.mark.parametrize("pixel_format", ["yuv444p10le", "yuv420p"])
def test_colours_are_those_of_ffmpegs_conversion(matrix: int, pixel_format: str) -> None:
    """libswscale as the outside witness, whose own rounding is to less than an 8-bit step."""
    format_ = planar_format(pixel_format)
    unsubsampled = planar_format(pixel_format.replace("420", "444"))
    rng = np.random.default_rng(matrix)
    unit = 1 << (format_.bits - 8)
    frame = av.VideoFrame(64, 64, unsubsampled.name)
    planes = []
    for plane in range(3):
        low, high = (90, 160) if plane == 0 else (100, 156)  # such that nothing is cut off
        values = rng.integers(low * unit, high * unit, (64, 64))
        plane_array(frame, plane, unsubsampled)[...] = values
        planes.append(values.astype(unsubsampled.dtype))
    frame.colorspace, frame.color_range = matrix, 1
    theirs = frame.reformat(format="gbrpf32le" if format_.bits > 8 else "rgb24", src_colorspace=matrix)
    ours = rgb_picture(tuple(planes), unsubsampled, ColourTags(1, 1, matrix, 1), np.float32)
    expected = theirs.to_ndarray() if format_.bits > 8 else theirs.to_ndarray() / 255.0
    assert np.abs(ours - expected).max() < 1 / 255


def test_full_range_and_what_lies_beyond_black_and_white() -> None:
    grey = tuple(np.full((4, 4), value, np.uint16) for value in (1023, 512, 512))
    deep = planar_format("yuv444p10le")
    full, limited = ColourTags(1, 1, 1, 2), ColourTags(1, 1, 1, 1)
    assert rgb_picture(grey, deep, full, np.float32)[0, 0] == pytest.approx(np.ones(3), abs=1e-6)
    # 1023 of limited range is (1023 - 64) / 876: kept where numbers hold it, cut off where they do not.
    assert rgb_picture(grey, deep, limited, np.float32)[0, 0, 1] == pytest.approx(959 / 876, abs=1e-6)
    assert rgb_picture(grey, deep, limited, np.uint16)[0, 0, 1] == 65535


def test_a_matrix_that_is_not_known_is_refused_and_an_unstated_one_is_bt709() -> None:
    colours = tuple(np.full((4, 4), value, np.uint8) for value in (100, 90, 160))
    shallow = planar_format("yuv444p")
    stated, unstated = (
        rgb_picture(colours, shallow, ColourTags(1, 1, matrix, 1), np.float32) for matrix in (1, 2)
    )
    np.testing.assert_array_equal(stated, unstated)
    with pytest.raises(FootageError, match="matrix"):
        rgb_picture(colours, shallow, ColourTags(1, 1, 14, 1), np.float32)


def test_grey_clips_give_grey_pictures(calibration: Path, tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "clip.mkv", [(500, 0, 0)], "gray10le")
    render_pictures(pictures(calibration, clip, tmp_path / "out/film_%03d.png"))
    assert read(tmp_path / "out/film_000.png").shape == (HALF, 2 * HALF, 1)


def test_an_interrupted_run_goes_on_and_the_pictures_are_the_same(calibration: Path, tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "clip.mkv", [(400 + 10 * n, 512, 512) for n in range(6)])
    whole = pictures(calibration, clip, tmp_path / "whole/film_%03d.png")
    render_pictures(whole)

    def interrupt(stage: str, done: int, total: int) -> None:
        if done == 2:
            raise KeyboardInterrupt

    order = pictures(calibration, clip, tmp_path / "out/film_%03d.png")
    with pytest.raises(KeyboardInterrupt):
        render_pictures(order, progress=interrupt)
    assert {path.name for path in (tmp_path / "out").glob("film*")} == {"film_000.png", "film_001.png"}
    assert render_pictures(order).resumed == 2
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == [
        f"film_{n:03d}.png" for n in range(6)
    ]
    for number in range(6):
        np.testing.assert_array_equal(read(order.target.path(number)), read(whole.target.path(number)))
    with pytest.raises(OutputError, match="exists already"):
        render_pictures(order)
    assert render_pictures(order, overwrite=True).resumed == 0


def test_an_interrupted_replacement_does_not_take_old_pictures_for_its_own(
    calibration: Path, tmp_path: Path
) -> None:
    old = write_clip(tmp_path / "old.mkv", [(400, 512, 512)] * 4)
    new = write_clip(tmp_path / "new.mkv", [(700, 512, 512)] * 4)
    out = tmp_path / "out/film_%03d.png"
    render_pictures(pictures(calibration, old, out))

    def interrupt(stage: str, done: int, total: int) -> None:
        if done == 1:
            raise KeyboardInterrupt

    order = pictures(calibration, new, out)
    with pytest.raises(KeyboardInterrupt):
        render_pictures(order, overwrite=True, progress=interrupt)
    assert render_pictures(order, overwrite=True).resumed == 1
    for number in range(4):
        assert middle(read(order.target.path(number)))[0] == pytest.approx((700 - 64) / 876 * 65535, abs=0.5)


def test_pictures_of_another_order_are_not_taken_over(calibration: Path, tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "clip.mkv", [(500, 512, 512)] * 3)
    order = pictures(calibration, clip, tmp_path / "out/film_%03d.png")

    def interrupt(stage: str, done: int, total: int) -> None:
        if done == 1:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        render_pictures(order, progress=interrupt)
    other = PicturesOrder(
        calibration, clip, order.target, Look((256, 128), level_deg=(5, 0, 0)), device="cpu"
    )
    with pytest.raises(OutputError, match="exists already"):
        render_pictures(other)


def test_a_part_keeps_the_numbers_that_its_pictures_have_in_the_clip(
    calibration: Path, tmp_path: Path
) -> None:
    clip = write_clip(tmp_path / "clip.mkv", [(400 + 10 * n, 512, 512) for n in range(6)])
    out = tmp_path / "out"
    out.mkdir()
    size = ("--size", f"{2 * HALF}x{HALF}", "--device", "cpu", "--quiet")
    answer = autocal(
        "render", calibration, clip, "-o", out / "film_%03d.tif", "--from", "0.08", "--to", "0.16", *size
    )
    assert (answer.code, answer.err) == (0, "")
    assert "2 pictures, numbers 2 to 3" in answer.out
    assert sorted(path.name for path in out.iterdir()) == ["film_002.tif", "film_003.tif"]
    assert middle(read(out / "film_003.tif"))[0] == pytest.approx((430 - 64) / 876 * 65535, abs=0.5)


def test_a_bad_picture_is_replaced_named_and_remembered_over_an_interruption(
    calibration: Path, tmp_path: Path
) -> None:
    # Pictures that stand alone, so that one can be damaged without its neighbours.
    clip = write_take(tmp_path / "clip.mkv", 5, gop=1, options={"g": "1", "bf": "0"})
    data = bytearray(clip.read_bytes())
    with av.open(str(clip)) as container:
        bad = [packet for packet in container.demux(video=0) if packet.size][2]
        place, size = bad.pos, bad.size
    at = data.index(bytes(bad)[:64], place)
    data[at + 4 : at + size] = b"\xff" * (size - 4)
    clip.write_bytes(data)
    out = tmp_path / "out"
    out.mkdir()
    order = pictures(calibration, clip, out / "film_%03d.png")

    def interrupt(stage: str, done: int, total: int) -> None:
        if done == 4:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        render_pictures(order, progress=interrupt)
    answer = autocal(
        *("render", calibration, clip, "-o", out / "film_%03d.png", "--size", f"{2 * HALF}x{HALF}"),
        *("--device", "cpu", "--quiet"),
    )
    assert answer.code == 1
    assert "picture 2 at 0.080 s was bad" in answer.err
    assert "went on after 4 pictures" in answer.out
    np.testing.assert_array_equal(read(out / "film_002.png"), read(out / "film_001.png"))


@pytest.mark.parametrize("option", [("--anaglyph",), ("--bitrate", "10M"), ("--for", "headset")])
def test_what_only_films_take_is_refused_for_pictures(
    calibration: Path, tmp_path: Path, option: tuple[str, ...]
) -> None:
    clip = write_clip(tmp_path / "clip.mkv", [(500, 512, 512)])
    answer = autocal("render", calibration, clip, "-o", tmp_path / "film_%03d.png", *option)
    assert answer.code == 2
    assert option[0] in answer.err
    assert not list(tmp_path.glob("film*"))
