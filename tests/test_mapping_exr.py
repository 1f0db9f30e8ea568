"""The map as a file: read back by a second library, applied by one, refused, never half-written."""

from __future__ import annotations

import resource
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from autocal.calibration import Calibration, FarPlane
from autocal.errors import CalibrationFileError, OutputError
from autocal.geometry import ImageCircle, Rig, matrix_from_yaw_pitch_roll, nominal_lens
from autocal.mapping import StMap, geometry_digest, read_st_map, remap_frame, st_map, write_st_map
from autocal.mapping.exr import header_of

HALF = (240, 200)
SIZE = (256, 100)


def calibration(swapped: bool = False) -> Calibration:
    lens = nominal_lens(HALF, ImageCircle(120.0, 98.0, 90.0), fov_deg=160)
    turn = matrix_from_yaw_pitch_roll(*np.deg2rad([0.5, -0.4, 1.0]))
    return Calibration(Rig(lens, lens, turn.T, turn), swapped=swapped, far=FarPlane(shift_deg=0.3))


def smooth_frame() -> np.ndarray:
    """A side-by-side frame without symmetry, (200, 480, 3) float32: any flip or swap shows."""
    y, x = np.mgrid[0 : HALF[1], 0 : 2 * HALF[0]].astype(np.float32)
    channels = [x / 480, y / 200, 0.5 + 0.5 * np.sin(x / 17.0 + y / 31.0)]
    return np.ascontiguousarray(np.stack(channels, axis=-1).astype(np.float32))


@pytest.mark.parametrize("v_origin", ["bottom", "top"])
@pytest.mark.parametrize("eye", ["both", "right"])
def test_second_library_reads_the_same_pixels(tmp_path: Path, v_origin: Any, eye: Any) -> None:
    import OpenEXR

    made = st_map(calibration(), SIZE, eye=eye, v_origin=v_origin)
    write_st_map(tmp_path / "map.exr", made, calibration())
    with OpenEXR.File(str(tmp_path / "map.exr"), separate_channels=True) as file:
        channels = {name: channel.pixels for name, channel in file.channels().items()}
        assert file.header()["compression"] == OpenEXR.PIZ_COMPRESSION
    assert set(channels) == {"R", "G", "B", "A"}
    assert all(pixels.dtype == np.float32 for pixels in channels.values())
    assert_array_equal(channels["R"], made.u)
    assert_array_equal(channels["G"], made.v)
    assert_array_equal(channels["A"], made.valid.astype(np.float32))
    assert not channels["B"].any()
    assert 0 < made.valid.mean() < 1


@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="ffmpeg is not installed")
def test_ffmpeg_reads_the_same_pixels(tmp_path: Path) -> None:
    """Outside reference: the EXR decoder of the installed FFmpeg, which may be an old one."""
    made = st_map(calibration(), SIZE)
    write_st_map(tmp_path / "map.exr", made, calibration())
    command = ["ffmpeg", "-v", "error", "-i", str(tmp_path / "map.exr"), "-f", "rawvideo"]
    read = subprocess.run([*command, "-pix_fmt", "gbrapf32le", "-"], capture_output=True, check=True)
    assert read.stderr == b""
    g, b, r, a = np.frombuffer(read.stdout, dtype="<f4").reshape(4, SIZE[1], SIZE[0])
    assert_array_equal(r, made.u)
    assert_array_equal(g, made.v)
    assert_array_equal(a, made.valid.astype(np.float32))
    assert not b.any()


@pytest.mark.parametrize("v_origin", ["bottom", "top"])
@pytest.mark.parametrize("eye", ["both", "left", "right"])
def test_no_text_in_the_header_is_too_long_for_older_readers(v_origin: Any, eye: Any) -> None:
    """FFmpeg 5.1 finds no compression in a header that holds a longer one (tried, no source)."""
    texts = header_of(st_map(calibration(), SIZE, eye=eye, v_origin=v_origin), calibration()).values()
    assert max(len(text) for text in texts if isinstance(text, str)) < 256


def test_a_map_in_scanlines_is_read_as_well(tmp_path: Path) -> None:
    """As maps were written before they were tiled."""
    import OpenEXR

    made = st_map(calibration(), (300, 150))
    channels = {"R": made.u, "G": made.v, "B": np.zeros_like(made.u), "A": made.valid.astype(np.float32)}
    layout = {"compression": OpenEXR.PIZ_COMPRESSION, "type": OpenEXR.scanlineimage}
    OpenEXR.File({**layout, **header_of(made, calibration())}, channels).write(str(tmp_path / "map.exr"))
    back = read_st_map(tmp_path / "map.exr")
    for name in ("u", "v", "valid"):
        assert_array_equal(getattr(back, name), getattr(made, name))


def test_header_says_what_the_numbers_mean(tmp_path: Path) -> None:
    import OpenEXR

    made = st_map(calibration(swapped=True), SIZE)
    write_st_map(tmp_path / "map.exr", made, calibration(swapped=True))
    with OpenEXR.File(str(tmp_path / "map.exr"), header_only=True) as file:
        header = dict(file.header())  # emptied when the file closes
    assert header["autocal:vOrigin"] == "bottom"
    assert header["autocal:u"].startswith("(x + 0.5) / sourceWidth")
    assert header["autocal:v"].startswith("1 - (y + 0.5) / sourceHeight")
    assert "u = v = 0" in header["autocal:alpha"]
    assert (header["autocal:sourceWidth"], header["autocal:sourceHeight"]) == (480, 200)
    assert (header["autocal:outputWidth"], header["autocal:outputHeight"]) == SIZE
    assert header["autocal:eye"] == "both"
    assert header["autocal:leftEyeInSource"] == "right half"
    assert header["autocal:source"] == "whole side-by-side frame"
    assert "half-equirectangular" in header["autocal:projection"]
    assert header["autocal:convergenceDeg"] == pytest.approx(0.3)
    assert header["autocal:calibrationDigest"] == geometry_digest(calibration(swapped=True))
    assert header["Software"].startswith("autocal ")
    assert "ST map" in header["comments"]


def test_header_of_a_map_from_the_top_into_one_eyes_own_picture_says_so(tmp_path: Path) -> None:
    import OpenEXR

    made = st_map(calibration(), SIZE, eye="left", source="eye", v_origin="top")
    write_st_map(tmp_path / "left.exr", made, calibration())
    with OpenEXR.File(str(tmp_path / "left.exr"), header_only=True) as file:
        header = dict(file.header())  # emptied when the file closes
    assert header["autocal:vOrigin"] == "top"
    assert header["autocal:v"].startswith("(y + 0.5) / sourceHeight")
    assert (header["autocal:sourceWidth"], header["autocal:sourceHeight"]) == HALF
    assert header["autocal:source"] == "the eye's own picture"
    assert "autocal:leftEyeInSource" not in header


def test_digest_changes_with_every_part_of_the_geometry() -> None:
    plain = calibration()
    others = [
        replace(plain, swapped=True),
        replace(plain, far=FarPlane(shift_deg=0.31)),
        replace(plain, rig=replace(plain.rig, left=replace(plain.rig.left, focal_px=70.0))),
        replace(plain, rig=replace(plain.rig, R_right=np.eye(3))),
    ]
    assert geometry_digest(calibration()) == geometry_digest(plain)
    assert len({geometry_digest(c) for c in [plain, *others]}) == 5


@pytest.mark.parametrize("v_origin", ["bottom", "top"])
@pytest.mark.parametrize("swapped", [False, True])
def test_openimageio_applies_the_map_as_we_do_the_right_way_up(
    tmp_path: Path, v_origin: Any, swapped: bool
) -> None:
    """Outside reference: ImageBufAlgo.st_warp of OpenImageIO, its t counted from the top."""
    import OpenImageIO as oiio

    cal, frame = calibration(swapped), smooth_frame()
    made = st_map(cal, SIZE, v_origin=v_origin)
    write_st_map(tmp_path / "map.exr", made, cal)
    warped = oiio.ImageBufAlgo.st_warp(
        oiio.ImageBuf(frame),
        oiio.ImageBuf(str(tmp_path / "map.exr")),
        "triangle",
        0.0,
        0,
        1,
        False,
        v_origin == "bottom",
        oiio.ROI(0, SIZE[0], 0, SIZE[1], 0, 1, 0, 3),
    ).get_pixels(oiio.FLOAT)[..., :3]
    ours = remap_frame(frame, made)
    # Their triangle filter widens where the map shrinks the source: leave the last pixels at the rim out.
    inner = made.valid.copy()
    for axis in (0, 1):
        for step in (-2, -1, 1, 2):
            inner &= np.roll(made.valid, step, axis)
    assert inner.mean() > 0.5
    # The ramps change by 1/480 and 1/200 a source px, the wave by 1/34: a tenth of a pixel shows.
    assert_allclose(warped[inner][:, 0], ours[inner][:, 0], atol=0.1 / 480)
    assert_allclose(warped[inner][:, 1], ours[inner][:, 1], atol=0.1 / 200)
    assert np.sqrt(np.mean((warped[inner] - ours[inner]) ** 2)) < 2e-3
    # The right way up and the right eye on the left, without either map: up is y = 0 in the frame.
    assert warped[10, 64, 1] < 0.3 < 0.7 < warped[90, 64, 1]
    assert (warped[50, 64, 0] > 0.5) == swapped


def test_our_reader_gives_back_the_map(tmp_path: Path) -> None:
    for case in (
        st_map(calibration(), SIZE),
        st_map(calibration(), (1030, 600), eye="left", source="eye", v_origin="top"),
    ):
        write_st_map(tmp_path / "map.exr", case, calibration(), overwrite=True)
        back = read_st_map(tmp_path / "map.exr")
        for name in ("u", "v", "valid"):
            assert_array_equal(getattr(back, name), getattr(case, name))
        assert (back.source_size, back.eye, back.source, back.v_origin, back.size) == (
            case.source_size, case.eye, case.source, case.v_origin, case.size,
        )  # fmt: skip


def test_reader_refuses_what_is_no_map_of_ours(tmp_path: Path) -> None:
    import OpenEXR

    with pytest.raises(CalibrationFileError, match="no readable OpenEXR"):
        read_st_map(tmp_path / "absent.exr")
    (tmp_path / "text.exr").write_text("no picture")
    with pytest.raises(CalibrationFileError, match=r"text\.exr"):
        read_st_map(tmp_path / "text.exr")
    pixels = np.zeros((8, 8), np.float32)
    foreign = OpenEXR.File({}, {name: pixels for name in "RGBA"})
    foreign.write(str(tmp_path / "foreign.exr"))
    with pytest.raises(CalibrationFileError, match="its header lacks"):
        read_st_map(tmp_path / "foreign.exr")
    OpenEXR.File({}, {name: pixels for name in "RG"}).write(str(tmp_path / "two.exr"))
    with pytest.raises(CalibrationFileError, match="2 channels"):
        read_st_map(tmp_path / "two.exr")


def test_truncated_map_is_refused(tmp_path: Path) -> None:
    write_st_map(tmp_path / "map.exr", st_map(calibration(), (1200, 600)), calibration())
    whole = (tmp_path / "map.exr").read_bytes()
    (tmp_path / "cut.exr").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(CalibrationFileError, match=r"cut\.exr"):
        read_st_map(tmp_path / "cut.exr")


def test_existing_file_is_kept_unless_told(tmp_path: Path) -> None:
    target = tmp_path / "map.exr"
    target.write_text("precious")
    made = st_map(calibration(), SIZE)
    with pytest.raises(OutputError, match="exists already"):
        write_st_map(target, made, calibration())
    assert target.read_text() == "precious"
    write_st_map(target, made, calibration(), overwrite=True)
    assert read_st_map(target).size == SIZE
    assert [path.name for path in tmp_path.iterdir()] == ["map.exr"]


def test_name_without_exr_and_missing_folder_are_refused(tmp_path: Path) -> None:
    made = st_map(calibration(), SIZE)
    with pytest.raises(OutputError, match=r"ends in \.exr"):
        write_st_map(tmp_path / "map.png", made, calibration())
    with pytest.raises(OutputError, match="folder exists"):
        write_st_map(tmp_path / "nowhere" / "map.exr", made, calibration())
    assert list(tmp_path.iterdir()) == []


@contextmanager
def room_for(size: int) -> Iterator[None]:
    """No file of this process can grow past `size` bytes: what a full disk does to a writer."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def noisy_map() -> StMap:
    """A map that does not compress: its file is larger than any writer's buffer."""
    u = np.random.default_rng(1).random((400, 400), dtype=np.float32)
    return StMap(u, u.copy(), np.ones(u.shape, np.bool_), (480, 200))


def test_full_disk_leaves_nothing_behind_and_the_old_file_as_it_was(tmp_path: Path) -> None:
    target = tmp_path / "map.exr"
    target.write_text("precious")
    with room_for(100_000), pytest.raises(OutputError, match=r"map\.exr could not be written"):
        write_st_map(target, noisy_map(), calibration(), overwrite=True)
    assert target.read_text() == "precious"
    assert [path.name for path in tmp_path.iterdir()] == ["map.exr"]


def test_interruption_leaves_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("autocal.mapping.exr._channels", interrupted)
    with pytest.raises(KeyboardInterrupt):
        write_st_map(tmp_path / "map.exr", st_map(calibration(), SIZE), calibration())
    assert list(tmp_path.iterdir()) == []
