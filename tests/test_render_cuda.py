"""Rendering on a CUDA card: the same pixels as on the processor, to one code value.

The kernels also run without a card, slowly, in Triton's interpreter: TRITON_INTERPRET=1.
"""

from __future__ import annotations

import os
import sys
from concurrent.futures import ThreadPoolExecutor
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
import torch
from numpy.typing import NDArray

import autocal.render
from autocal.calibration import Calibration
from autocal.errors import OutputError
from autocal.geometry import ImageCircle, Lens, Rig
from autocal.render.clip import open_clip
from autocal.render.device import Device, make_renderer
from autocal.render.film import FilmOrder, render_film
from autocal.render.filters import FilterName, named_filter
from autocal.render.formats import planar_format, plane_array
from autocal.render.plan import Plan, make_plan
from autocal.render.remap import remap_plane
from autocal.render.remap_torch import PlainFrameRemap
from autocal.render.remap_triton import TritonFrameRemap, kernels_work, packed_places
from autocal.render.renderer import Look, Renderer
from autocal.render.renderer_torch import TorchRenderer
from autocal.render.runs import NOT_HERE
from autocal.render.settings import Compression

INTERPRETED = os.environ.get("TRITON_INTERPRET") == "1"
CARD = torch.device("cpu" if INTERPRETED else "cuda")
with_kernels = pytest.mark.skipif(
    find_spec("triton") is None or not (INTERPRETED or torch.cuda.is_available()),
    reason="no CUDA card here, and Triton's interpreter not asked for",
)
on_a_card = pytest.mark.skipif(not torch.cuda.is_available(), reason="no CUDA card here")

Size = tuple[int, int]

HALF = (97, 83)
VIEW = (46, 37)


def plans_of_two_eyes(name: FilterName, scale: float, half: Size = HALF) -> list[Plan]:
    """Views turned differently, over the source's edges, with a soft rim at the left and none above."""
    plans = []
    for turn in (0.3, -0.4):
        v, u = np.mgrid[: VIEW[1], : VIEW[0]] - (np.array(VIEW[::-1])[:, None, None] - 1) / 2
        if scale > 3:  # finer in the middle: samples of several levels
            u, v = u * (0.2 + np.abs(u) / VIEW[0]), v * (0.2 + np.abs(v) / VIEW[1])
        x = half[0] / 2 + scale * (np.cos(turn) * u + np.sin(turn) * v)
        y = half[1] / 2 + scale * (np.cos(turn) * v - np.sin(turn) * u)
        outside = (x < -0.5) | (y < -0.5) | (x > half[0] - 0.5) | (y > half[1] - 0.5)
        x[outside] = y[outside] = np.nan
        share = np.clip((np.arange(VIEW[0]) - 1) / 7, 0, 1) * np.ones((VIEW[1], 1))
        maps = (x.astype(np.float32), y.astype(np.float32))
        plans.append(make_plan(*maps, half, named_filter(name), share.astype(np.float32)))
    return plans


def frame_planes(bits: int, planes: int, half: Size = HALF) -> NDArray[Any]:
    """Random texture over the whole range, blurred as a lens does; [planes, h, w]."""
    import cv2

    random = np.random.default_rng(3)
    kind = np.uint8 if bits <= 8 else np.uint16
    made = []
    for _ in range(planes):
        noise = cv2.GaussianBlur(random.random((half[1], 2 * half[0])), (0, 0), 0.7)
        made.append(((noise - noise.min()) / np.ptp(noise) * ((1 << bits) - 1)).astype(kind))
    return np.stack(made)


def on_the_processor(
    planes: NDArray[Any], plans: list[Plan], halves: tuple[int, int], fills: list[float], bits: int
) -> NDArray[Any]:
    out = np.empty((len(planes), VIEW[1], 2 * VIEW[0]), planes.dtype)
    for source, target, fill in zip(planes, out, fills, strict=True):
        for eye, (plan, half) in enumerate(zip(plans, halves, strict=True)):
            part = np.hsplit(source, 2)[half]
            remap_plane(part, plan, target[:, eye * VIEW[0] : (eye + 1) * VIEW[0]], bits=bits, fill=fill)
    return out


def on_the_card(remap: Any, planes: NDArray[Any]) -> NDArray[Any]:
    signed = planes.view(np.int16) if planes.dtype == np.uint16 else planes
    source = torch.from_numpy(signed).to(CARD)
    out = torch.full((len(planes), VIEW[1], 2 * VIEW[0]), 77, dtype=source.dtype, device=CARD)
    remap.remap(source, out)
    return out.cpu().numpy().view(planes.dtype)


@with_kernels
@pytest.mark.parametrize("name", ["cubic", "lanczos", "linear"])
@pytest.mark.parametrize("scale", [0.4, 1.6, 5.0])
@pytest.mark.parametrize(("bits", "count", "width"), [(8, 1, 97), (8, 2, 98), (10, 2, 97), (16, 3, 97)])
def test_kernels_make_the_pixels_of_the_processor(
    name: FilterName, scale: float, bits: int, count: int, width: int
) -> None:
    half = (width, HALF[1])  # with 97, rows of bytes are no whole number of words
    plans = plans_of_two_eyes(name, scale, half)
    if scale > 3:
        assert len({layer.level for plan in plans for layer in plan.layers}) > 1
    planes = frame_planes(bits, count, half)
    fills = [float(round(part * ((1 << bits) - 1))) for part in (0.75, 0.25, 1.0)][:count]
    halves = (1, 0)
    expected = on_the_processor(planes, plans, halves, fills, bits)
    arguments = (plans, halves, fills, bits, CARD)
    for remap in (TritonFrameRemap(*arguments), PlainFrameRemap(*arguments)):
        result = on_the_card(remap, planes)
        assert np.abs(result.astype(int) - expected).max() <= 1
    assert np.ptp(expected.astype(int)) > (1 << bits) // 3


@with_kernels
def test_a_view_of_nothing_is_all_fill() -> None:
    nowhere = np.full(VIEW[::-1], np.nan, np.float32)
    plans = [make_plan(nowhere, nowhere, HALF, named_filter("cubic"))] * 2
    result = on_the_card(TritonFrameRemap(plans, (0, 1), [60000.0, 5.0], 16, CARD), frame_planes(16, 2))
    assert np.all(result[0] == 60000)
    assert np.all(result[1] == 5)


@with_kernels
def test_a_source_smaller_than_the_filter_is_all_border() -> None:
    y, x = np.mgrid[: VIEW[1], : VIEW[0]].astype(np.float32)
    plan = make_plan(x / 30, y / 30, (3, 2), named_filter("cubic"))
    source = torch.arange(12, dtype=torch.uint8).reshape(1, 2, 6).to(CARD)
    out = torch.full((1, VIEW[1], 2 * VIEW[0]), 77, dtype=torch.uint8, device=CARD)
    TritonFrameRemap([plan, plan], (0, 1), [99.0], 8, CARD).remap(source, out)
    expected = np.empty(VIEW[::-1], np.uint8)
    remap_plane(source[0, :, :3].cpu().numpy(), plan, expected, bits=8, fill=99)
    assert np.abs(out[0, :, : VIEW[0]].cpu().numpy().astype(int) - expected).max() <= 1


def test_what_a_kernel_reads_holds_the_whole_plan() -> None:
    (layer,) = plans_of_two_eyes("cubic", 1.6)[0].layers
    packed = packed_places(layer, 70_000, torch.device("cpu")).numpy()
    places = layer.runs.places()
    here = places.first_x != NOT_HERE
    assert np.all(packed[~here] == -1)
    code_x, code_y = (packed[here] & 0xFFFFFFFF), (packed[here].view(np.uint64) >> 32).astype(np.int64)
    assert np.array_equal(code_x >> 15, places.first_x[here].astype(np.int64) + 70_000)
    assert np.array_equal(code_y >> 15, places.first_y[here])
    assert np.array_equal(code_x & 0x7FFF, places.row_x[here])
    assert np.array_equal(code_y & 0x7FFF, places.row_y[here])


@with_kernels
def test_kernels_are_tried_before_they_are_relied_on() -> None:
    assert kernels_work(CARD)


def test_without_triton_plain_torch_serves_and_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "triton", None)
    monkeypatch.delitem(sys.modules, "autocal.render.kernel_triton", raising=False)
    monkeypatch.delattr(autocal.render, "kernel_triton", raising=False)
    with pytest.warns(UserWarning, match="plain torch"):
        assert not kernels_work(torch.device("cpu"))


def small_calibration() -> Calibration:
    """Lenses whose image circles end inside the frame; crossed halves."""
    disc = ImageCircle(63.5, 63.5, 60.0)
    left, right = (
        Lens((128, 128), focal, (62.0, 65.0), k=(-0.02, 0.0, 0.0, 0.0), circle=disc) for focal in (41.0, 40.5)
    )
    return Calibration(Rig(left, right, np.eye(3), np.eye(3)), swapped=True)


def random_frame(name: str) -> av.VideoFrame:
    format_ = planar_format(name)
    frame = av.VideoFrame(256, 128, name)
    random = np.random.default_rng(1)
    for plane in range(format_.planes):
        target = plane_array(frame, plane, format_)
        target[...] = random.integers(0, 1 << format_.bits, target.shape)
    return frame


def written_clip(path: Path) -> Path:
    """Three pictures, lossless."""
    with av.open(str(path), "w") as container:
        stream: Any = container.add_stream("ffv1", rate=25)
        stream.width, stream.height, stream.pix_fmt = 256, 128, "yuv420p"
        for number in range(3):
            frame = random_frame("yuv420p")
            frame.pts = number
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


@on_a_card
def test_a_film_from_the_card_is_the_processors(tmp_path: Path) -> None:
    clip, calibration = written_clip(tmp_path / "clip.mkv"), tmp_path / "calibration.json"
    small_calibration().save(calibration)
    films = []
    devices: tuple[Device, ...] = ("cpu", "cuda")
    for device in devices:
        out = tmp_path / f"{device}.mkv"
        look, lossless = Look((256, 128), feather_deg=6.0), Compression(codec="ffv1")
        render_film(FilmOrder(calibration, clip, out, look, lossless, device=device))
        with av.open(str(out)) as container:
            films.append([frame.to_ndarray().astype(int) for frame in container.decode(video=0)])
    assert len(films[0]) == len(films[1]) == 3
    assert max(np.abs(a - b).max() for a, b in zip(*films, strict=True)) <= 1


@on_a_card
def test_a_full_card_leaves_it_to_the_processor_or_says_what_to_do(tmp_path: Path) -> None:
    clip = open_clip(written_clip(tmp_path / "clip.mkv"))
    arguments = (small_calibration(), Look((256, 128)), clip, clip.format)
    torch.cuda.empty_cache()
    torch.cuda.set_per_process_memory_fraction(1e-5)
    try:
        with ThreadPoolExecutor(1) as pool:
            assert not make_renderer("auto", *arguments, pool).is_on_card
            with pytest.raises(OutputError, match="--device cpu"):
                make_renderer("cuda", *arguments, pool)
    finally:
        torch.cuda.set_per_process_memory_fraction(1.0)


@on_a_card
@pytest.mark.parametrize("name", ["yuv420p", "yuv420p10le", "yuv422p10le", "yuv444p12le", "gbrp10le", "gray"])
@pytest.mark.parametrize("plain", [False, True])
def test_a_card_renders_what_the_processor_renders(name: str, plain: bool) -> None:
    format_ = planar_format(name)
    look = Look((256, 128), feather_deg=6.0, fill=(0.5, 0.25, 0.0), level_deg=(1.0, -2.0, 3.0))
    frame = random_frame(name)
    arguments = (small_calibration(), look, format_, format_, (256, 128))
    here = Renderer(*arguments).render(frame)
    there = TorchRenderer(*arguments, device="cuda", plain=plain)
    for result in (there.render(frame), there.render(frame)):  # its buffers are used again
        for plane in range(format_.planes):
            first, second = (plane_array(f, plane, format_).astype(int) for f in (here, result))
            assert np.abs(first - second).max() <= 1
            assert np.ptp(first) > 20
