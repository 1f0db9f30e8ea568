"""Reading clips and stills: the right frames, at the right time, in full depth, the right way up."""

from __future__ import annotations

import gc
import hashlib
from pathlib import Path
from threading import Event

import av
import numpy as np
import OpenImageIO as oiio
import pytest

from autocal.footage import Footage, StereoFrame, open_footage
from autocal.footage.orientation import Orientation, orientation_of_frame
from tests.footage_clips import HALF, number_of, numbered, scene, write_video

FRAMES = 12


def bursts_read(footage: Footage, n_frames: int) -> list[list[StereoFrame]]:
    return [list(burst) for burst in footage.bursts(footage.choose(n_frames))]


def numbers_read(footage: Footage, n_frames: int, burst: int = 3) -> list[int]:
    """Read what is chosen, check that every frame is the one it claims to be, return the numbers."""
    read = []
    for frames in footage.bursts(footage.choose(n_frames, burst=burst)):
        for frame in frames:
            assert number_of(frame.halves[0]) == number_of(frame.halves[1]) == frame.index
            read.append(frame.index)
    return read


@pytest.mark.parametrize(
    ("name", "codec", "pix_fmt", "dtype"),
    [
        ("clip.mp4", "libx264", "yuv420p", np.uint8),
        ("clip.mp4", "libx265", "yuv420p10le", np.uint16),
        ("clip.mov", "prores_ks", "yuv422p10le", np.uint16),
        ("clip.mkv", "ffv1", "yuv444p", np.uint8),
        ("clip.mkv", "libx264", "yuv420p", np.uint8),
        ("clip.ts", "libx264", "yuv420p", np.uint8),
        ("clip.avi", "mjpeg", "yuvj420p", np.uint8),
    ],
)
def test_every_codec_gives_the_frames_asked_for(
    tmp_path: Path, name: str, codec: str, pix_fmt: str, dtype: type
) -> None:
    """Every frame of a short clip, then single bursts of it, each known by its own number."""
    depth = 4 if dtype is np.uint16 else 1
    frames = [numbered(i).astype(dtype) * dtype(depth) for i in range(FRAMES)]
    clip = write_video(tmp_path / name, frames, codec, pix_fmt)
    with open_footage([clip]) as footage:
        assert footage.half_size == (HALF, HALF)
        assert footage.frame_count == FRAMES
        assert footage.frame_rate == pytest.approx(25.0, rel=1e-3)
        assert numbers_read(footage, 24) == list(range(FRAMES))
        survey = footage.choose(6)
        frames_read = [frame for burst in footage.bursts(survey) for frame in burst]
        assert len(frames_read) == 6
        assert all(number_of(frame.halves[1]) == frame.index for frame in frames_read)
        assert all(frame.halves[0].dtype == dtype for frame in frames_read)
        assert frames_read[-1].time_s == pytest.approx(frames_read[-1].index / 25, abs=1e-3)


def test_reordered_frames_come_in_display_order(tmp_path: Path) -> None:
    """B frames and open groups of pictures, where the key frame is not shown first."""
    options = {"x265-params": "crf=6:keyint=8:min-keyint=8:bframes=3:b-adapt=0:open-gop=1:log-level=error"}
    clip = write_video(
        tmp_path / "b.mp4", [numbered(i) for i in range(40)], "libx265", gop=8, options=options
    )
    with open_footage([clip]) as footage:
        assert len(numbers_read(footage, 12)) >= 9
        assert numbers_read(footage, 40) == list(range(40))


def decoders() -> int:
    """How many there are; each holds the frames it decoded last, hundreds of megabytes at full size."""
    gc.collect()
    return sum(type(thing) is av.VideoCodecContext for thing in gc.get_objects())


def test_closed_footage_lets_go_of_its_decoders(tmp_path: Path) -> None:
    before = decoders()
    footage = open_footage([write_video(tmp_path / "clip.mp4", [numbered(i) for i in range(6)])])
    next(iter(next(footage.bursts(footage.choose(3)))))
    assert decoders() > before
    footage.close()
    assert decoders() == before


def test_a_clip_read_from_its_beginning_is_decoded_once(tmp_path: Path) -> None:
    """By the one decoder that showed its first frame, and with it the image circles."""
    before = decoders()
    clip = write_video(tmp_path / "clip.mp4", [numbered(i) for i in range(12)], gop=3)
    with open_footage([clip]) as footage:
        assert numbers_read(footage, 12) == list(range(12))
        assert decoders() == before + 1
        assert numbers_read(footage, 12) == list(range(12))  # and once more, by going back


def test_luma_is_the_decoder_s_own(tmp_path: Path) -> None:
    """Bit for bit the samples written, through a lossless codec."""
    frames = [scene(seed) for seed in (1, 1, 1)]
    clip = write_video(tmp_path / "lossless.mkv", frames, "ffv1", "yuv420p")
    with open_footage([clip]) as footage:
        (burst,) = bursts_read(footage, 3)
    for frame, written in zip(burst, frames, strict=True):
        np.testing.assert_array_equal(np.hstack(frame.halves), written)


def test_ten_bits_fill_sixteen(tmp_path: Path) -> None:
    """Ten bits stand on top of the sixteen, as in the P010 layout; none is lost."""
    written = np.random.default_rng(3).integers(0, 1024, size=(HALF, 2 * HALF)).astype(np.uint16)
    clip = write_video(tmp_path / "deep.mkv", [written], "ffv1", "yuv420p10le")
    with open_footage([clip]) as footage:
        ((frame,),) = bursts_read(footage, 1)
    read = np.hstack(frame.halves)
    assert read.dtype == np.uint16
    np.testing.assert_array_equal(read, written * 64)


@pytest.mark.parametrize("pix_fmt", ["bgr0", "gbrp10le", "yuv420p16le", "gray"])
def test_other_pixel_formats_give_luma(tmp_path: Path, pix_fmt: str) -> None:
    """RGB is turned into luma, whatever its packing; 16 bits stay 16 bits."""
    clip = tmp_path / "clip.mkv"
    source = av.VideoFrame.from_ndarray(scene(), format="gray")
    with av.open(str(clip), "w") as out:
        stream = out.add_stream("ffv1", rate=25)
        stream.width, stream.height, stream.pix_fmt = 2 * HALF, HALF, pix_fmt
        out.mux(stream.encode(source.reformat(format=pix_fmt)))
        out.mux(stream.encode(None))
    with open_footage([clip]) as footage:
        ((frame,),) = bursts_read(footage, 1)
    read = np.hstack(frame.halves).astype(float)
    # A studio-range copy differs by a straight line, so compare as a correlation.
    assert np.corrcoef(read.ravel(), scene().ravel())[0, 1] > 0.999


@pytest.mark.parametrize(("rotation", "turns"), [(180, 2), (90, 1), (-90, 3)])
def test_rotation_metadata_is_applied_and_noted(tmp_path: Path, rotation: int, turns: int) -> None:
    """A clip stored turned comes out as displayed, for matching and for people alike."""
    stored = np.rot90(numbered(3), -turns)
    clip = write_video(
        tmp_path / "turned.mp4", [np.ascontiguousarray(stored)] * 3, options={"crf": "1"}, rotation=rotation
    )
    with open_footage([clip]) as footage:
        assert footage.half_size == (HALF, HALF)
        assert any("rotation" in note for note in footage.notes)
        (burst,) = bursts_read(footage, 3)
        shown = footage.picture(0, 1)
        assert footage.as_seen(0, 1, burst[1].halves) is burst[1].halves
    assert np.abs(np.hstack(burst[0].halves).astype(float) - numbered(3)).mean() < 3.0
    np.testing.assert_array_equal(np.hstack(shown), np.hstack(burst[1].halves))


def test_variable_frame_rate_keeps_each_time(tmp_path: Path) -> None:
    """Frames keep the times they were taken at, and the person is told."""
    stamps = [0, 40, 80, 200, 240, 400, 440, 480]
    clip = write_video(tmp_path / "vfr.mkv", [numbered(i) for i in range(8)], stamps=stamps)
    with open_footage([clip]) as footage:
        frames = [frame for burst in footage.bursts(footage.choose(8)) for frame in burst]
        assert any("variable frame rate" in note for note in footage.notes)
    assert [round(frame.time_s * 1000) for frame in frames] == stamps
    assert [number_of(frame.halves[0]) for frame in frames] == list(range(8))


@pytest.mark.parametrize("name", ["cut.mp4", "cut.mkv", "cut.ts"])
def test_truncated_video_gives_what_decodes(tmp_path: Path, name: str) -> None:
    """The first part of a clip whose end is missing is used; the loss is noted where the file tells of it."""
    options = {"movflags": "faststart"} if name.endswith("mp4") else {}
    whole = write_video(
        tmp_path / f"whole-{name}", [numbered(i) for i in range(40)], container_options=options
    )
    data = whole.read_bytes()
    clip = tmp_path / name
    clip.write_bytes(data[: int(len(data) * 0.6)])
    with open_footage([clip]) as footage:
        read = numbers_read(footage, 40)
        assert 12 <= len(read) <= 30
        assert read == list(range(len(read)))
        if not name.endswith("ts"):  # which promises no length
            assert any("ends early" in note for note in footage.notes)


def test_damage_in_the_middle_is_passed_over(tmp_path: Path) -> None:
    """Frames around a damaged stretch are read, and those that are read are right."""
    clip = write_video(tmp_path / "hurt.mp4", [numbered(i) for i in range(24)], "libx264", gop=6)
    data = bytearray(clip.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 400] = bytes(400)
    clip.write_bytes(bytes(data))
    with open_footage([clip]) as footage:
        frames = [frame for burst in footage.bursts(footage.choose(24)) for frame in burst]
    right = [frame.index for frame in frames if number_of(frame.halves[0]) == frame.index]
    assert {0, 1, 2, 3, 4, 5, 18, 19, 20, 21, 22, 23} <= set(right)


def write_still(path: Path, samples: np.ndarray, orientation: int = 1, kind: str | None = None) -> Path:
    """One picture through OpenImageIO. kind: sample type of the file, where it differs from the array's."""
    height, width, channels = samples.shape
    spec = oiio.ImageSpec(width, height, channels, kind or str(samples.dtype).replace("float32", "float"))
    spec.attribute("compression", "jpeg:100" if path.suffix == ".jpg" else "zip")
    if orientation != 1:
        spec.attribute("Orientation", orientation)
    out = oiio.ImageOutput.create(str(path))
    assert out.open(str(path), spec), out.geterror()
    assert out.write_image(np.ascontiguousarray(samples)), out.geterror()
    out.close()
    return path


@pytest.mark.parametrize(
    ("name", "kind", "dtype"),
    [
        ("a.png", "uint8", np.uint8),
        ("a.png", "uint16", np.uint16),
        ("a.tif", "uint16", np.uint16),
        ("a.dpx", "uint10", np.uint16),
        ("a.jpg", "uint8", np.uint8),
        ("a.exr", "half", np.uint16),
        ("a.exr", "float", np.uint16),
    ],
)
def test_stills_of_every_kind(tmp_path: Path, name: str, kind: str, dtype: type) -> None:
    """JPEG, PNG, 16-bit TIFF, DPX and EXR come as luma of their own depth."""
    grey = scene()
    rgb = np.repeat(grey[..., None], 3, axis=2)
    if kind in ("half", "float"):
        samples = (rgb / np.float32(255)).astype(np.float32)
    elif kind == "uint8":
        samples = rgb
    else:
        samples = rgb.astype(np.uint16) * 257
    still = write_still(tmp_path / name, samples, kind=kind)
    with open_footage([still]) as footage:
        assert footage.frame_rate is None
        assert any("one frame only" in note for note in footage.notes)
        ((frame,),) = bursts_read(footage, 24)
        shown = np.hstack(footage.picture(0, 0))
        np.testing.assert_array_equal(np.hstack(footage.as_seen(0, 0, frame.halves)), shown)
    assert frame.halves[0].dtype == dtype
    read = np.hstack(frame.halves)
    if kind in ("half", "float"):
        # Rising brightness stays rising: ranks agree.
        order = np.argsort(grey.ravel(), kind="stable")
        assert np.all(np.diff(read.ravel()[order].astype(int)) >= -64)
        # For people through the power curve of a display: half as bright is 73 % as high.
        dim, bright = (shown[np.abs(grey - level) <= 1].mean() for level in (60.0, 120.0))
        assert dim / bright == pytest.approx(0.5 ** (1 / 2.2), abs=0.01)
    else:
        scale = 257 if dtype is np.uint16 else 1
        assert np.abs(read.astype(float) / scale - grey).max() <= (3.0 if name.endswith("jpg") else 0.51)
        np.testing.assert_array_equal(shown, read)


def test_scene_linear_values_far_apart_keep_their_contrast(tmp_path: Path) -> None:
    """The same picture four stops brighter is the same code pattern moved: exposure is no contrast."""
    base = (scene() / np.float32(255) + np.float32(0.5))[..., None].astype(np.float32)
    dim, bright = (
        write_still(tmp_path / name, np.repeat(base * gain, 3, axis=2))
        for name, gain in (("dim.exr", 1.0), ("bright.exr", 16.0))
    )
    codes = []
    for path in (dim, bright):
        with open_footage([path]) as footage:
            ((frame,),) = bursts_read(footage, 1)
            codes.append(np.hstack(frame.halves).astype(float))
    step = codes[1] - codes[0]
    assert np.ptp(step) < 0.01 * np.ptp(codes[0]) + 4
    assert step.mean() == pytest.approx(4 * 65535 / 24, rel=0.01)


def test_exif_orientation_is_applied(tmp_path: Path) -> None:
    """Tag 274, value 3 (TIFF 6.0, p. 36): stored upside down."""
    rgb = np.repeat(scene()[..., None], 3, axis=2)
    still = write_still(tmp_path / "turned.tif", rgb[::-1, ::-1], orientation=3)
    with open_footage([still]) as footage:
        ((frame,),) = bursts_read(footage, 1)
    np.testing.assert_array_equal(np.hstack(frame.halves), scene())


def test_numbered_sequences_by_list_folder_and_pattern(tmp_path: Path) -> None:
    """Frame 10 comes after frame 9, however the sequence is named; its frames are bursts."""
    for index in range(8, 13):
        write_still(tmp_path / f"shot.{index}.png", np.repeat(numbered(index)[..., None], 3, axis=2))
    listed = [tmp_path / f"shot.{index}.png" for index in range(8, 13)]
    for named in (listed, [tmp_path], [tmp_path / "shot.####.png"], [tmp_path / "shot.%04d.png"]):
        with open_footage(named) as footage:
            bursts = bursts_read(footage, 24)
            assert footage.files == tuple(listed)
        numbers = [number_of(frame.halves[0]) for burst in bursts for frame in burst]
        assert numbers == list(range(8, 13))
        assert max(len(burst) for burst in bursts) > 1


def test_two_files_are_joined(tmp_path: Path) -> None:
    """--left and --right of equal timing: the first half is the left file's picture."""
    frames = [numbered(i) for i in range(6)]
    left = write_video(tmp_path / "l.mp4", [frame[:, :HALF].copy() for frame in frames])
    right = write_video(tmp_path / "r.mp4", [frame[:, HALF:].copy() for frame in frames])
    with open_footage([], left=left, right=right) as footage:
        assert footage.half_size == (HALF, HALF)
        assert footage.files == (left, right)
        assert numbers_read(footage, 24) == list(range(6))
        one, other = footage.picture(0, 2)
    assert np.abs(one.astype(float) - other).mean() > 10


def test_two_files_with_key_frames_of_their_own(tmp_path: Path) -> None:
    """Two recorders do not start their groups of pictures together."""
    frames = [numbered(i) for i in range(40)]
    left = write_video(tmp_path / "l.mp4", [frame[:, :HALF].copy() for frame in frames], gop=6)
    right = write_video(tmp_path / "r.mp4", [frame[:, HALF:].copy() for frame in frames], gop=7)
    with open_footage([], left=left, right=right) as footage:
        read = numbers_read(footage, 12)
    assert len(read) == 12
    assert read[-1] > 25


def test_several_clips_share_the_frames(tmp_path: Path) -> None:
    """Each clip gives frames in proportion to its length."""
    short = write_video(tmp_path / "short.mp4", [numbered(i) for i in range(8)])
    long = write_video(tmp_path / "long.mp4", [numbered(i, seed=1) for i in range(40)])
    with open_footage([short, long]) as footage:
        assert footage.frame_count == 48
        bursts = bursts_read(footage, 18)
    counts = [sum(len(burst) for burst in bursts if burst[0].clip == clip) for clip in (0, 1)]
    assert counts == [3, 15]


def test_digest_is_sha256_of_the_files(tmp_path: Path) -> None:
    """FIPS 180-4, by the standard library."""
    clip = write_video(tmp_path / "a.mp4", [numbered(i) for i in range(2)])
    with open_footage([clip]) as footage:
        assert footage.digest() == hashlib.sha256(clip.read_bytes()).hexdigest()
        nobody_waits = Event()
        nobody_waits.set()
        assert footage.digest(nobody_waits) == ""


class _FrameWithUnknownSideData:
    """A frame as PyAV gives it where it has no name for the kind of its side data."""

    def __init__(self, rotation: int) -> None:
        self.rotation = rotation

    @property
    def side_data(self) -> object:
        raise ValueError("27 is not a valid Type")


@pytest.mark.parametrize(("rotation", "mirrored"), [(0, False), (180, True), (-180, True)])
def test_side_data_of_an_unknown_kind_is_passed_over(rotation: int, mirrored: bool) -> None:
    found = orientation_of_frame(_FrameWithUnknownSideData(rotation))
    assert found == Orientation(mirror_x=mirrored, mirror_y=mirrored)
