"""How fast a CUDA card remaps 8192x4096 frames of 10-bit 4:2:0, and whether the pixels are the processor's.

    python -m benchmarks.bench_render_cuda remap    frames on the card; see below
    python -m benchmarks.bench_render_cuda film     decode + remap + encode against decode + encode alone

"remap" measures, one after the other: a copy, which tells the bandwidth of the card's memory; our
remapping; torch's grid_sample of the three planes, the obvious way. Then the agreement with the processor's
path, and whole frames there and back.
Prints Markdown tables that name the card, the bars last; exits with 3 if one is missed.
"""

from __future__ import annotations

import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import av
import numpy as np
import torch
from numpy.typing import NDArray

from autocal.calibration import Calibration
from autocal.geometry import ImageCircle
from autocal.matches import LEFT, RIGHT
from autocal.render.clip import open_clip
from autocal.render.film import FilmOrder, render_film
from autocal.render.formats import fill_values, plane_array, yuv_format
from autocal.render.remap_torch import FrameRemap, PlainFrameRemap
from autocal.render.remap_triton import TritonFrameRemap
from autocal.render.renderer import Look, Renderer, make_plans
from autocal.render.renderer_torch import TorchRenderer
from autocal.render.settings import Compression
from autocal.render.view import eye_view, plane_positions, view_rig
from benchmarks.bench_render import FULL, KEPT_BAR, example, make_clip, plain_transcode
from benchmarks.row import Row, print_rows

FORMAT = yuv_format(10, (2, 2))
FLOOR_BAR, OBVIOUS_BAR, AGREEMENT_BAR = 2.5, 4.0, 1  # times the floor; times as fast; code values
FILM_PICTURES = 36
FRAMES, BATCHES = 4, 25  # each frame of 100 MB is larger than the card's cache

Pair = tuple[torch.Tensor, torch.Tensor]


def with_circle(calibration: Calibration) -> Calibration:
    """The same rig with image circles that end inside the view."""
    half = FULL[0] // 2
    disc = ImageCircle(half * 0.5, half * 0.5, half * 0.44)
    left, right = (replace(lens, circle=disc) for lens in (calibration.rig.left, calibration.rig.right))
    return replace(calibration, rig=replace(calibration.rig, left=left, right=right))


def bandwidth() -> float:
    """Bytes read and written a second by a copy of a gigabyte."""
    source = torch.randint(256, (1 << 30,), dtype=torch.uint8, device="cuda")
    target = torch.empty_like(source)
    return 2 * source.numel() / milliseconds([lambda: target.copy_(source)]) * 1e3


def milliseconds(works: Sequence[Callable[[], object]], batches: int = BATCHES) -> float:
    """The time of one of the works on the card, done in turn: median over batches."""
    found = []
    for batch in range(batches + 3):
        start, end = (torch.cuda.Event(enable_timing=True) for _ in range(2))
        start.record()
        for _ in range(2):
            for work in works:
                work()
        end.record()
        end.synchronize()
        if batch >= 3:
            found.append(start.elapsed_time(end) / (2 * len(works)))
    return statistics.median(found)


def random_planes(count: int, subsampling: tuple[int, int]) -> torch.Tensor:
    """[count, h, w] int16: random 10-bit codes. Content costs nothing; zeros might be dealt with faster."""
    shape = (count, FULL[1] // subsampling[1], FULL[0] // subsampling[0])
    return torch.randint(1024, shape, dtype=torch.int16, device="cuda")


def remap_group(remap: FrameRemap, there: Pair, back: Pair, group: int) -> Callable[[], None]:
    return lambda: remap.remap(there[group], back[group])


def grids(calibration: Calibration) -> Pair:
    """What grid_sample takes, [1, H, W, 2] float32, of luma and of chroma: positions in the whole frame."""
    half = (FULL[0] // 2, FULL[1])
    rig = view_rig(calibration, half, (0.0, 0.0, 0.0))
    views = [eye_view(rig, eye, half, swapped=False) for eye in (LEFT, RIGHT)]

    def grid(subsampling: tuple[int, int]) -> torch.Tensor:
        across, down = (half[0] // subsampling[0], half[1] // subsampling[1])
        parts = []
        for eye, view in enumerate(views):
            x, y, _ = plane_positions(view, subsampling, subsampling)
            parts.append(np.stack([(x + eye * across + 0.5) / across - 1, (y + 0.5) * 2 / down - 1], axis=-1))
        return torch.from_numpy(np.nan_to_num(np.hstack(parts), nan=-3.0)[None]).to("cuda")

    return grid((1, 1)), grid((2, 2))


def sampled(planes: torch.Tensor, grid: torch.Tensor) -> torch.Tensor:
    """One plane after the other, as float32 [1, 1, H, W]."""
    return torch.nn.functional.grid_sample(planes, grid, "bicubic", "border", align_corners=False)


def sampled_codes(planes: torch.Tensor, grid: torch.Tensor) -> torch.Tensor:
    """The same from codes to codes."""
    return (sampled(planes.float()[None, None], grid) + 0.5).clamp(0, 1023).to(torch.int16)


def random_frame(seed: int) -> av.VideoFrame:
    """Smooth texture with noise on it, over the whole range of codes."""
    random = np.random.default_rng(seed)
    frame = av.VideoFrame(*FULL, FORMAT.name)
    for plane in range(FORMAT.planes):
        target = plane_array(frame, plane, FORMAT)
        coarse = random.integers(0, 960, (target.shape[0] // 16, target.shape[1] // 16))
        target[...] = np.kron(coarse, np.ones((16, 16), np.uint16))
        target += random.integers(0, 64, target.shape, dtype=np.uint16)
    return frame


def largest_difference(first: av.VideoFrame, second: av.VideoFrame) -> tuple[int, float]:
    """Code values; and how many samples in a million differ at all."""
    planes = [[plane_array(f, p, FORMAT).astype(np.int32) for f in (first, second)] for p in range(3)]
    differences: list[NDArray[np.int32]] = [np.abs(a - b) for a, b in planes]
    count = sum(int(np.count_nonzero(d)) for d in differences)
    return max(int(d.max()) for d in differences), 1e6 * count / sum(d.size for d in differences)


def bench_kernel() -> tuple[Row, ...]:
    """Device to device."""
    calibration, look = example(FULL[0]), Look(FULL)
    half = (FULL[0] // 2, FULL[1])
    plans = make_plans(calibration, look, FORMAT, FORMAT, half)
    fills = fill_values(FORMAT, look.fill, full_range=False)
    card = torch.device("cuda")
    groups = [
        TritonFrameRemap(plans[0], (0, 1), fills[:1], 10, card),
        TritonFrameRemap(plans[1], (0, 1), fills[1:], 10, card),
    ]
    sources = [(random_planes(1, (1, 1)), random_planes(2, (2, 2))) for _ in range(FRAMES)]
    targets = [(torch.empty_like(luma), torch.empty_like(chroma)) for luma, chroma in sources]
    works = [
        [remap_group(groups[g], there, back, g) for there, back in zip(sources, targets, strict=True)]
        for g in (0, 1)
    ]
    both = [work for pair in zip(*works, strict=True) for work in pair]
    luma, chroma, ours = milliseconds(works[0]), milliseconds(works[1]), 2 * milliseconds(both)
    again = 2 * milliseconds(both)

    plain = [PlainFrameRemap(plans[p], (0, 1), fills[p : 2 * p + 1], 10, card) for p in (0, 1)]
    twin = sum(milliseconds([remap_group(plain[g], sources[0], targets[0], g)], batches=3) for g in (0, 1))

    luma_grid, chroma_grid = grids(calibration)
    planes = [(plane, grid) for s in sources for plane, grid in _three(s, luma_grid, chroma_grid)]
    floats = [(plane.float()[None, None], grid) for plane, grid in planes]
    obvious = 3 * milliseconds([lambda p=p, g=g: sampled(p, g) for p, g in floats])  # type: ignore[misc]
    from_codes = 3 * milliseconds([lambda p=p, g=g: sampled_codes(p, g) for p, g in planes])  # type: ignore[misc]

    speed = bandwidth()
    samples = sum(plane.numel() for plane in sources[0])
    places = luma_grid.numel() // 2 + chroma_grid.numel() // 2
    moved = samples * 2 * 2 + places * 8
    floor = moved / speed * 1e3
    return (
        Row("memory bandwidth of a copy, read and written", f"{speed / 1e12:.2f} TB/s"),
        Row(f"floor: {moved / 1e6:.0f} MB once over, the map included", f"{floor:.3f} ms a frame"),
        Row("remap, 8192x4096, 10 bit 4:2:0, cubic, device to device", f"{ours:.3f} ms (again: {again:.3f})"),
        Row("of it luma, chroma", f"{luma:.3f} ms, {chroma:.3f} ms"),
        Row("the same by the plain torch twin, on the card", f"{twin:.0f} ms"),
        Row("grid_sample of three float planes, bicubic", f"{obvious:.3f} ms"),
        Row("the same from codes to codes", f"{from_codes:.3f} ms"),
        Row(
            "remap against the floor",
            f"{ours / floor:.2f} x",
            f"at most {FLOOR_BAR:g} x",
            ours <= FLOOR_BAR * floor,
        ),
        Row(
            "times as fast as grid_sample of float planes",
            f"{obvious / ours:.1f} x",
            f"at least {OBVIOUS_BAR:g} x",
            obvious >= OBVIOUS_BAR * ours,
        ),
    )


def _three(source: Pair, luma_grid: torch.Tensor, chroma_grid: torch.Tensor) -> list[Pair]:
    luma, chroma = source
    return [(luma[0], luma_grid), (chroma[0], chroma_grid), (chroma[1], chroma_grid)]


def bench_frames() -> list[Row]:
    """Whole frames there and back, and the processor's pixels beside the card's."""
    rows = []
    frame = random_frame(1)
    looks = {
        "every sample in the picture": (example(FULL[0]), Look(FULL)),
        "circle, feathered rim, grey fill, turned": (
            with_circle(example(FULL[0])),
            Look(FULL, feather_deg=4.0, fill=(0.4, 0.4, 0.4), level_deg=(2.0, -3.0, 5.0)),
        ),
        "proxy of a quarter the width (a halved source)": (
            example(FULL[0]),
            Look((FULL[0] // 4, FULL[1] // 4)),
        ),
    }
    for name, (calibration, look) in looks.items():
        arguments = (calibration, look, FORMAT, FORMAT, FULL)
        there = TorchRenderer(*arguments, device="cuda")
        film = there.render(frame)
        here = Renderer(*arguments).render(frame)
        largest, share = largest_difference(here, film)
        rows.append(
            Row(
                f"largest difference from the processor: {name}",
                f"{largest} ({share:.0f} samples in a million differ)",
                f"at most {AGREEMENT_BAR} code value",
                largest <= AGREEMENT_BAR,
            )
        )
        if len(rows) == 1:
            spent = []
            for _ in range(12):
                start = time.monotonic()
                there.render(frame)
                spent.append(time.monotonic() - start)
            rows.append(
                Row("a frame there and back, copies included", f"{1e3 * statistics.median(spent):.1f} ms")
            )
    return rows


def bench_film(preset: str = "ultrafast") -> list[Row]:
    """A film of full size; wall time a picture from the first picture on. A quick preset hides least."""
    compression = Compression(bitrate=80_000_000, preset=preset)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path, calibration, film = folder / "clip.mp4", folder / "calibration.json", folder / "film.mp4"
        make_clip(path, FILM_PICTURES, FORMAT.bits)
        example(FULL[0]).save(calibration)
        moments: dict[str, float] = {}
        order = FilmOrder(calibration, path, film, Look(FULL), compression, device="cuda")
        render_film(order, progress=lambda stage, done, total: moments.update({stage: time.monotonic()}))
        # The film's own pictures again: to encode them costs what it cost in making it.
        start = time.monotonic()
        plain_transcode(open_clip(film), folder / "plain.piece", compression)
        alone = (time.monotonic() - start) / FILM_PICTURES
    whole = (moments["join"] - moments["planned"]) / FILM_PICTURES
    return [
        Row(f"film, 8192x4096, 10 bit, {preset}: decode + remap + encode", f"{1e3 * whole:.0f} ms a picture"),
        Row("decode + encode alone", f"{1e3 * alone:.0f} ms a picture"),
        Row(
            "throughput kept",
            f"{100 * alone / whole:.0f} %",
            f"at least {KEPT_BAR:g} %",
            alone >= KEPT_BAR / 100 * whole,
        ),
    ]


def main(arguments: list[str]) -> int:
    if arguments not in (["remap"], ["film"]):
        sys.exit(__doc__)
    if not torch.cuda.is_available():
        sys.exit("no CUDA card is here")
    print(f"{torch.cuda.get_device_name()}, {os.cpu_count()} cores; torch {torch.__version__}\n")
    return print_rows(bench_film() if arguments == ["film"] else [*bench_kernel(), *bench_frames()])


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
