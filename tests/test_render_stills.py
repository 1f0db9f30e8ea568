"""Numbered pictures: every depth kept, half and float included; whole pictures only; resumed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import OpenImageIO as oiio
import pytest
from click.testing import CliRunner
from numpy.typing import NDArray

from autocal.calibration import Calibration
from autocal.commands.render import render
from autocal.errors import FootageError, OutputError
from autocal.geometry import Lens, Rig
from autocal.render.clip import open_clip
from autocal.render.film import FilmOrder, render_film
from autocal.render.renderer import Look
from autocal.render.sequence import Sequence, as_sequence
from autocal.render.settings import Compression
from autocal.render.stills import render_stills

HALF = 64
LOOK = Look(size=(128, 64), fill=(0.0, 0.0, 1.0))
_KINDS = {"uint8": oiio.UINT8, "uint16": oiio.UINT16, "float16": oiio.HALF, "float32": oiio.FLOAT}


@pytest.fixture
def calibration(tmp_path: Path) -> Path:
    lens = Lens((HALF, HALF), HALF / np.pi, ((HALF - 1) / 2, (HALF - 1) / 2))
    Calibration(Rig(lens, lens, np.eye(3), np.eye(3))).save(tmp_path / "calibration.json")
    return tmp_path / "calibration.json"


def write(path: Path, samples: NDArray[Any], **notes: Any) -> None:
    spec = oiio.ImageSpec(samples.shape[1], samples.shape[0], samples.shape[2], _KINDS[samples.dtype.name])
    for name, value in notes.items():
        spec.attribute(name, value)
    file: Any = oiio.ImageOutput.create(str(path))
    assert file.open(str(path), spec)
    assert file.write_image(samples)
    file.close()


def read(path: Path) -> tuple[Any, NDArray[Any]]:
    file: Any = oiio.ImageInput.open(str(path))
    spec = file.spec()
    samples = np.asarray(file.read_image(0, 0, 0, spec.nchannels, spec.format))
    return spec, samples.reshape(spec.height, spec.width, spec.nchannels)


def shot(folder: Path, suffix: str, dtype: str, value: float, count: int = 3, **notes: Any) -> Sequence:
    """Pictures of one colour: `value` in red, half of it in green, none in blue."""
    folder.mkdir(exist_ok=True)
    sequence = Sequence(folder, "shot.", 4, suffix)
    for number in range(7, 7 + count):
        picture = np.zeros((HALF, 2 * HALF, 3), dtype)
        picture[..., 0], picture[..., 1] = value, value / 2
        write(sequence.path(number), picture, **notes)
    return sequence


@pytest.mark.parametrize(
    ("suffix", "dtype", "value"),
    [
        (".exr", "float16", 12.5),
        (".exr", "float32", 1234.5),
        (".tif", "uint16", 54321),
        (".tif", "float32", 3.25),
        (".png", "uint8", 200),
        (".png", "uint16", 40001),
        (".dpx", "uint16", 30000),
    ],
)
def test_pictures_keep_their_kind_and_their_values(
    calibration: Path, tmp_path: Path, suffix: str, dtype: str, value: float
) -> None:
    source = shot(tmp_path / "in", suffix, dtype, value)
    (tmp_path / "out").mkdir()
    target = Sequence(tmp_path / "out", "film.", 4, suffix)
    report = render_stills(calibration, source, target, LOOK)
    assert report.pictures == 3
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == [
        f"film.{n:04d}{suffix}" for n in (7, 8, 9)
    ]
    spec, picture = read(target.path(8))
    assert picture.dtype == np.dtype(dtype)
    assert (spec.width, spec.height) == LOOK.size
    middle = picture[16:48, 16:48].astype(np.float64)
    rounding = 1e-6 * value if dtype == "float32" else 0.0  # weights are in single precision
    assert np.abs(middle[..., 0] - value).max() <= rounding
    assert np.abs(middle[..., 1] - float(np.dtype(dtype).type(value / 2))).max() <= rounding
    assert np.all(middle[..., 2] == 0)


def test_notes_of_the_pictures_are_carried_over(calibration: Path, tmp_path: Path) -> None:
    source = shot(tmp_path / "in", ".exr", "float16", 1.0, 1, camera="invented", **{"oiio:ColorSpace": "log"})
    (tmp_path / "out").mkdir()
    target = Sequence(tmp_path / "out", "film.", 4, ".exr")
    render_stills(calibration, source, target, LOOK)
    assert read(target.path(7))[0].get_string_attribute("camera") == "invented"


def test_an_interrupted_sequence_goes_on(calibration: Path, tmp_path: Path) -> None:
    source = shot(tmp_path / "in", ".png", "uint8", 100, 5)
    (tmp_path / "out").mkdir()
    target = Sequence(tmp_path / "out", "film.", 4, ".png")

    def interrupt(stage: str, done: int, total: int) -> None:
        if done == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        render_stills(calibration, source, target, LOOK, progress=interrupt)
    assert render_stills(calibration, source, target, LOOK).resumed == 2
    with pytest.raises(OutputError, match="exists already"):
        render_stills(calibration, source, target, LOOK)


def test_what_cannot_be_done_with_pictures_is_said(calibration: Path, tmp_path: Path) -> None:
    source = shot(tmp_path / "in", ".exr", "float16", 1.0)
    with pytest.raises(OutputError, match="decision about colour"):
        render_stills(calibration, source, Sequence(tmp_path, "film.", 4, ".png"), LOOK)
    with pytest.raises(OutputError, match="their own source"):
        render_stills(calibration, source, source, LOOK)
    source.path(8).unlink()
    with pytest.raises(FootageError, match=r"shot\.0008\.exr is missing"):
        source.numbers()
    with pytest.raises(FootageError, match="no such pictures"):
        Sequence(tmp_path, "nothing.", 4, ".exr").numbers()
    source.path(9).unlink()
    source.path(7).write_bytes(source.path(7).read_bytes()[:300])
    with pytest.raises(FootageError, match=r"damaged|cannot be read"):
        render_stills(calibration, source, Sequence(tmp_path, "film.", 4, ".exr"), LOOK)


def test_names_with_a_place_for_a_number_are_sequences() -> None:
    assert (
        as_sequence(Path("a/shot.%04d.exr"))
        == as_sequence(Path("a/shot.####.exr"))
        == Sequence(Path("a"), "shot.", 4, ".exr")
    )
    assert as_sequence(Path("film.mp4")) is None
    assert as_sequence(Path("100%.mp4")) is None


def test_a_film_can_be_made_from_pictures(calibration: Path, tmp_path: Path) -> None:
    shot(tmp_path / "in", ".png", "uint16", 40001, 6)
    order = FilmOrder(
        calibration, tmp_path / "in/shot.%04d.png", tmp_path / "film.mov", LOOK, Compression("prores")
    )
    out = render_film(order).out
    clip = open_clip(out)
    assert len(clip.pts) == 6
    assert clip.rate == 30
    assert clip.format.bits == 10


def test_command_takes_pictures(calibration: Path, tmp_path: Path) -> None:
    shot(tmp_path / "in", ".tif", "uint16", 1000)
    arguments = [
        str(calibration),
        str(tmp_path / "in/shot.####.tif"),
        "-o",
        str(tmp_path / "film.####.tif"),
        "--size",
        "128x64",
        "--quiet",
    ]
    result = CliRunner().invoke(render, arguments)
    assert result.exit_code == 0, result.output
    assert (tmp_path / "film.0009.tif").exists()
    assert CliRunner().invoke(render, [*arguments, "--anaglyph"]).exit_code == 2
