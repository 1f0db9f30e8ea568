"""Spatial metadata: written as the open specifications say, without touching pictures or sound."""

from __future__ import annotations

import hashlib
import io
import json
import os
import shutil
import struct
import subprocess
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from autocal.commands.tag import tag
from autocal.errors import AutocalError, FootageError, OutputError
from autocal.tagging import HALF_EQUIRECT_LEFT_RIGHT, read_tags, tag_file
from autocal.tagging.matroska import read_matroska_tags, tag_matroska
from autocal.tagging.mp4 import read_mp4_tags, tag_mp4
from autocal.tagging.patch import Patch

Tagger = Callable[..., list[Patch]]
FLAVOURS = {
    "index behind": ("a.mp4", {}),
    "index in front": ("b.mp4", {"movflags": "faststart"}),
    "quicktime": ("c.mov", {}),
    "matroska": ("d.mkv", {}),
    "matroska, index in front": ("e.mkv", {"cues_to_front": "1", "reserve_index_space": "400"}),
}


def write_film(path: Path, container_options: dict[str, str] | None = None, frames: int = 6) -> Path:
    with av.open(str(path), "w", options=container_options or {}) as container:
        video = container.add_stream("libx264", rate=25)
        video.width, video.height, video.pix_fmt = 64, 32, "yuv420p"
        video.sample_aspect_ratio = Fraction(1, 1)
        sound = container.add_stream("aac", rate=48000)
        for index in range(frames):
            picture = np.full((32, 64, 3), 20 * index, np.uint8)
            container.mux(video.encode(av.VideoFrame.from_ndarray(picture)))
        tone = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), "fltp", "mono")
        tone.sample_rate = 48000
        container.mux(sound.encode(tone))
        container.mux(video.encode(None))
        container.mux(sound.encode(None))
    return path


def packets(path: Path) -> list[tuple[int, int | None, bytes]]:
    with av.open(str(path)) as container:
        return [(p.stream_index, p.pts, bytes(p)) for p in container.demux() if p.size]


@pytest.fixture(scope="module")
def films(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("films")
    return {name: write_film(folder / file, options) for name, (file, options) in FLAVOURS.items()}


@pytest.fixture(params=list(FLAVOURS))
def film(request: pytest.FixtureRequest, films: dict[str, Path], tmp_path: Path) -> Path:
    original = films[request.param]
    return Path(shutil.copy(original, tmp_path / original.name))


def test_tags_are_written_and_read_back(film: Path) -> None:
    assert read_tags(film)[0].stereo in (None, "mono")
    assert tag_file(film)
    assert read_tags(film) == [HALF_EQUIRECT_LEFT_RIGHT]
    assert "180 x 180" in read_tags(film)[0].describe()


def test_pictures_sound_and_times_stay_bit_for_bit(film: Path) -> None:
    before = packets(film)
    tag_file(film)
    assert packets(film) == before
    assert before


def test_seeking_still_works_after_tagging(film: Path) -> None:
    tag_file(film)
    with av.open(str(film)) as container:
        stream = container.streams.video[0]
        container.seek(0, stream=stream)
        assert len(list(container.decode(stream))) == 6


def test_tagging_twice_changes_nothing_more(film: Path) -> None:
    tag_file(film)
    once = film.read_bytes()
    assert not tag_file(film)
    assert film.read_bytes() == once


@pytest.mark.skipif(shutil.which("ffprobe") is None, reason="ffprobe is not installed")
def test_ffprobe_sees_half_equirectangular_side_by_side(film: Path) -> None:
    tag_file(film)
    command = ["ffprobe", "-v", "warning", "-show_streams", "-of", "json", str(film)]
    result = subprocess.run(command, capture_output=True, text=True, check=True)
    assert result.stderr == ""
    stream = next(s for s in json.loads(result.stdout)["streams"] if s["codec_type"] == "video")
    sides = {side["side_data_type"]: side for side in stream["side_data_list"]}
    assert sides["Stereo 3D"]["type"] == "side by side"
    mapping = sides["Spherical Mapping"]
    assert mapping["projection"] == "tiled equirectangular"
    # ffprobe gives the bounds in pixels: half of the picture's width is missing on each side.
    assert mapping["bound_left"] + mapping["bound_right"] == 64
    assert mapping["bound_top"] == mapping["bound_bottom"] == 0
    assert mapping["yaw"] == mapping["pitch"] == mapping["roll"] == 0


def test_boxes_have_the_bytes_of_the_specification_and_precede_pasp(
    films: dict[str, Path], tmp_path: Path
) -> None:
    # Spherical Video V2 RFC: FullBox headers, stereo_mode 2 = left-right, 0.32 bounds.
    film = Path(shutil.copy(films["index behind"], tmp_path / "film.mp4"))
    tag_file(film)
    data = film.read_bytes()
    st3d = bytes.fromhex("0000000d 73743364 00000000 02")
    prhd = bytes.fromhex("00000018 70726864 00000000 00000000 00000000 00000000")
    equi = bytes.fromhex("0000001c 65717569 00000000 00000000 00000000 40000000 40000000")
    proj = struct.pack(">I4s", 8 + len(prhd) + len(equi), b"proj") + prhd + equi
    assert data.index(st3d) < data.index(b"sv3d") < data.index(proj) < data.index(b"pasp")


def test_matroska_payload_is_that_of_rfc_9559(films: dict[str, Path], tmp_path: Path) -> None:
    # RFC 9559: StereoMode (0x53B8) 1, ProjectionType (0x7671) 1, ProjectionPrivate (0x7672) 20 bytes.
    film = Path(shutil.copy(films["matroska"], tmp_path / "film.mkv"))
    tag_file(film)
    data = film.read_bytes()
    private = bytes.fromhex("7672 94 00000000 00000000 00000000 40000000 40000000")
    poses = bytes.fromhex("7673 84 00000000 7674 84 00000000 7675 84 00000000")
    assert bytes.fromhex("53b8 81 01") in data
    assert bytes.fromhex("7670 b0 7671 81 01") + private + poses in data


def test_wrong_tags_are_corrected(films: dict[str, Path], tmp_path: Path) -> None:
    film = Path(shutil.copy(films["index in front"], tmp_path / "film.mp4"))
    tag_file(film)
    data = film.read_bytes()
    film.write_bytes(
        data.replace(bytes.fromhex("73743364 00000000 02"), bytes.fromhex("73743364 00000000 01"))
    )
    assert read_tags(film)[0].stereo == "top-bottom"
    assert tag_file(film)
    assert read_tags(film) == [HALF_EQUIRECT_LEFT_RIGHT]
    assert film.read_bytes() == data


def test_matroska_without_padding_moves_its_tags_to_the_end(films: dict[str, Path], tmp_path: Path) -> None:
    film = Path(shutil.copy(films["matroska"], tmp_path / "film.mkv"))
    squeezed = without_void(film.read_bytes())
    film.write_bytes(squeezed)
    before = packets(film)
    assert tag_file(film)
    assert read_tags(film) == [HALF_EQUIRECT_LEFT_RIGHT]
    assert packets(film) == before
    assert film.read_bytes().rindex(bytes.fromhex("1254c367")) > len(squeezed) - 100


def without_void(data: bytes) -> bytes:
    """The same Matroska bytes, their padding under an identifier that is not known to be padding."""
    at = data.index(b"\xec", 60, 400)
    return data[:at] + b"\x80" + data[at + 1 :]


@pytest.mark.parametrize("name", ["index behind", "index in front", "matroska"])
@pytest.mark.parametrize("kept", [0.3, 0.7, 0.97])
def test_truncated_files_are_refused_and_left_untouched(
    films: dict[str, Path], tmp_path: Path, name: str, kept: float
) -> None:
    data = films[name].read_bytes()
    film = tmp_path / films[name].name
    film.write_bytes(data[: int(kept * len(data))])
    digest = hashlib.sha256(film.read_bytes()).digest()
    with pytest.raises(FootageError, match=r"(damaged|truncated|incomplete).*repair it or export it anew"):
        tag_file(film)
    assert hashlib.sha256(film.read_bytes()).digest() == digest
    assert os.listdir(tmp_path) == [film.name]


def test_fragmented_files_are_refused_with_a_remedy(tmp_path: Path) -> None:
    film = write_film(tmp_path / "f.mp4", {"movflags": "frag_keyframe+empty_moov"})
    with pytest.raises(FootageError, match=r"fragmented.*copy"):
        tag_file(film)


def test_other_files_are_refused(tmp_path: Path) -> None:
    note = tmp_path / "note.txt"
    note.write_text("no film at all")
    with pytest.raises(FootageError, match=r"note\.txt.*neither"):
        tag_file(note)
    with pytest.raises(FootageError, match=r"missing\.mp4 cannot be read.*check the name"):
        tag_file(tmp_path / "missing.mp4")
    empty = tmp_path / "empty.mp4"
    empty.touch()
    with pytest.raises(FootageError, match=r"empty\.mp4: the file is empty.*repair"):
        tag_file(empty)


def test_full_offsets_are_refused_rather_than_wrapped(films: dict[str, Path], tmp_path: Path) -> None:
    # A sparse file past 4 GiB whose 32-bit chunk offsets have no room to grow.
    data = bytearray(films["index in front"].read_bytes())
    at = data.index(b"stco")
    struct.pack_into(">I", data, at + 12, 2**32 - 5)
    film = tmp_path / "big.mp4"
    with open(film, "wb") as stream:
        stream.write(data)
        stream.write(struct.pack(">I4sQ", 1, b"free", 2**32))
        stream.truncate(len(data) + 2**32)
    with pytest.raises(FootageError, match="offsets are full"):
        tag_file(film)


def test_a_full_disk_leaves_the_file_as_it_was(film: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = film.read_bytes()

    def no_space(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", no_space)
    with pytest.raises(OutputError, match="No space left"):
        tag_file(film)
    assert film.read_bytes() == before
    assert os.listdir(film.parent) == [film.name]


def test_command_tags_and_shows(film: Path) -> None:
    shown = CliRunner().invoke(tag, [str(film), "--show"])
    assert shown.exit_code == 0
    assert "no spatial metadata" in shown.output or "mono" in shown.output
    assert CliRunner().invoke(tag, [str(film)]).output.strip().endswith("tagged")
    assert "stereo: left-right" in CliRunner().invoke(tag, [str(film), "--show"]).output


FUZZ = settings(max_examples=150, deadline=2000, suppress_health_check=[HealthCheck.function_scoped_fixture])


@FUZZ
@given(
    choice=st.sampled_from(sorted(FLAVOURS)),
    changes=st.lists(st.tuples(st.floats(0, 1), st.binary(max_size=9))),
)
def test_damaged_files_give_an_answer_or_an_error_for_people(
    films: dict[str, Path], choice: str, changes: list[tuple[float, bytes]]
) -> None:
    data = bytearray(films[choice].read_bytes())
    for place, junk in changes:
        at = int(place * len(data))
        data[at : at + len(junk)] = junk
    read, tagger = (read_matroska_tags, tag_matroska) if "matroska" in choice else (read_mp4_tags, tag_mp4)
    for work in (lambda: read(io.BytesIO(data), len(data)), lambda: patched(bytes(data), tagger)):
        try:
            work()
        except AutocalError:
            continue


def patched(data: bytes, tagger: Tagger) -> None:
    """Whatever a tagger accepted, it must have tagged rightly and shifted nothing."""
    patches = tagger(io.BytesIO(data), len(data), HALF_EQUIRECT_LEFT_RIGHT)
    for patch in reversed(sorted(patches, key=lambda p: p.start)):
        data = data[: patch.start] + patch.replacement + data[patch.end :]
    read = read_matroska_tags if tagger is tag_matroska else read_mp4_tags
    assert all(tags == HALF_EQUIRECT_LEFT_RIGHT for tags in read(io.BytesIO(data), len(data)))


@FUZZ
@given(data=st.binary(max_size=400))
def test_noise_never_passes_for_a_film(data: bytes) -> None:
    for read in (read_mp4_tags, read_matroska_tags):
        with pytest.raises(FootageError):
            read(io.BytesIO(data), len(data))
