"""How fast and how well pictures are remapped, and how much that costs a film.

    python -m benchmarks.bench_render remap     per core: ours, cv2.remap, OpenImageIO's st_warp
    python -m benchmarks.bench_render film [PRESET [8|10]]
                                                decode + remap + encode against decode + encode alone

Prints Markdown tables, the bars last; exits with 3 if one is missed. Times are processor time, so that
other work on the machine counts little.
"""

from __future__ import annotations

import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from fractions import Fraction
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
import OpenImageIO as oiio
import psutil
from numpy.typing import NDArray

from autocal.calibration import Calibration
from autocal.geometry import Lens, Rig, direction_of_longitude_latitude, view_angles
from autocal.mapping.stmap import st_map
from autocal.matches import LEFT, RIGHT
from autocal.render.clip import Clip, Repairs, frames, open_clip
from autocal.render.encode import encode_piece
from autocal.render.film import FilmOrder, render_film
from autocal.render.filters import FilterName
from autocal.render.formats import planar_format, plane_array, yuv_format
from autocal.render.overlap import ahead
from autocal.render.renderer import Look, Renderer
from autocal.render.settings import Compression
from benchmarks.row import Row, print_rows

FULL = (8192, 4096)
SMALL = (2048, 1024)
CODES_10_BIT = 1023
CV2_BAR, ST_WARP_BAR = 1.8, 3.0  # times as fast, a core
KEPT_BAR, MEMORY_BAR = 90.0, 3.0  # per cent, GiB
FILM_PICTURES = 12
FILTERS: tuple[FilterName, ...] = ("cubic", "lanczos", "linear")

Picture = NDArray[np.float64]


def example(width: int) -> Calibration:
    """A rig of invented equisolid-like lenses of about 190 degrees, in a frame of `width` px."""
    half = width // 2
    lens = Lens((half, half), half * 0.338, (half * 0.501, half * 0.499), k=(-0.042, 0.0006, 0.0, 0.0))
    other = replace(lens, focal_px=lens.focal_px * 1.003, principal_point=(half * 0.4985, half * 0.5012))
    return Calibration(Rig(lens, other, np.eye(3), np.eye(3)))


def scene(directions: Picture) -> Picture:
    """Brightness of directions (..., 3): waves in three directions, up to the finest that the frame holds."""
    x, y, z = np.moveaxis(directions, -1, 0)
    sum_of_waves = np.zeros(x.shape)
    for frequency, (a, b, c) in zip(
        (40, 90, 160, 260, 360), np.random.default_rng(4).normal(size=(5, 3)), strict=True
    ):
        norm = np.sqrt(a * a + b * b + c * c)
        sum_of_waves += np.cos(frequency * (a * x + b * y + c * z) / norm)
    return CODES_10_BIT * (0.5 + 0.45 * sum_of_waves / 5)


def sampled_source(calibration: Calibration, size: tuple[int, int], fine: int) -> Picture:
    """The scene through the rig, each source pixel the mean of fine x fine rays."""
    half, height = size[0] // 2, size[1]
    looks = (partial(calibration.rig.directions, eye) for eye in (LEFT, RIGHT))
    return np.hstack([_area_mean(look, half, height, fine) for look in looks])


def _area_mean(look: Callable[[Picture], Picture], width: int, height: int, fine: int) -> Picture:
    total = np.zeros((height, width))
    for j in range(fine):
        for i in range(fine):
            y, x = np.mgrid[:height, :width].astype(np.float64)
            shift = (np.array([i, j]) + 0.5) / fine - 0.5
            total += np.nan_to_num(scene(look(np.stack([x + shift[0], y + shift[1]], axis=-1))))
    return total / fine**2


def reference(size: tuple[int, int], fine: int) -> Picture:
    """What the film should show: the scene itself, sampled `fine` times as densely each way."""
    width, height = size[0] // 2, size[1]
    longitude, latitude = view_angles(width * fine, height * fine)
    total = np.zeros((height, width))
    for row in range(fine):
        values = scene(direction_of_longitude_latitude(longitude[None], latitude[row::fine, None]))
        total += values.reshape(height, width, fine).mean(axis=2)
    return np.hstack([total / fine] * 2)


def psnr(picture: NDArray[Any], truth: Picture, where: NDArray[np.bool_]) -> float:
    """Peak signal to noise ratio, dB, at 10 bit."""
    return float(10 * np.log10(CODES_10_BIT**2 / np.mean((picture.astype(np.float64) - truth)[where] ** 2)))


def processor_time(work: Callable[[], object], repeats: int = 3) -> float:
    """The least processor time, s, of this thread, over a few runs."""
    best = np.inf
    for _ in range(repeats):
        start = time.thread_time()
        work()
        best = min(best, time.thread_time() - start)
    return best


def gray_frame(picture: NDArray[np.uint16]) -> av.VideoFrame:
    frame = av.VideoFrame(picture.shape[1], picture.shape[0], "gray10le")
    plane_array(frame, 0, planar_format("gray10le"))[...] = picture
    return frame


def maps_of(
    calibration: Calibration, size: tuple[int, int]
) -> tuple[NDArray[np.float32], NDArray[np.float32], Any]:
    table = st_map(calibration, size, v_origin="top")
    x = table.u * np.float32(table.source_size[0]) - np.float32(0.5)
    y = table.v * np.float32(table.source_size[1]) - np.float32(0.5)
    return x, y, table


def bench_quality() -> dict[str, float]:
    """PSNR against the directly sampled scene, where all three have a picture and no border."""
    calibration = example(SMALL[0])
    source = np.rint(sampled_source(calibration, SMALL, 4)).astype(np.uint16)
    truth = reference(SMALL, 4)
    x, y, table = maps_of(calibration, SMALL)
    where = cv2.erode(table.valid.astype(np.uint8), np.ones((9, 9), np.uint8)).astype(bool)
    gray = planar_format("gray10le")
    results = {}
    for name in FILTERS:
        renderer = Renderer(calibration, Look(SMALL, filter=name), gray, gray, SMALL)
        results[f"ours, {name}"] = psnr(
            plane_array(renderer.render(gray_frame(source)), 0, gray), truth, where
        )
    results["cv2.remap, cubic"] = psnr(cv2.remap(source, x, y, cv2.INTER_CUBIC), truth, where)
    picture = oiio.ImageBuf(np.ascontiguousarray(source[..., None].astype(np.float32)))
    warp = oiio.ImageBuf(np.dstack([table.u, table.v]).astype(np.float32))
    results["OpenImageIO st_warp"] = psnr(
        np.asarray(oiio.ImageBufAlgo.st_warp(picture, warp).get_pixels(oiio.FLOAT))[..., 0], truth, where
    )
    return results


def bench_remap() -> int:
    """One thread each."""
    cv2.setNumThreads(1)
    oiio.attribute("threads", 1)
    quality = bench_quality()
    calibration = example(FULL[0])
    x, y, table = maps_of(calibration, FULL)
    random = np.random.default_rng(0)
    bgr = random.integers(0, 256, (FULL[1], FULL[0], 3), dtype=np.uint8)
    target = np.empty_like(bgr)
    theirs = processor_time(lambda: cv2.remap(bgr, x, y, cv2.INTER_CUBIC, dst=target))
    warp = oiio.ImageBuf(np.dstack([table.u, table.v]).astype(np.float32))
    picture = oiio.ImageBuf(bgr)
    warped = oiio.ImageBuf()
    slow = processor_time(lambda: oiio.ImageBufAlgo.st_warp(warped, picture, warp, nthreads=1), repeats=1)
    rows = [("cv2.remap, cubic", "BGR, 8 bit", theirs), ("OpenImageIO st_warp", "BGR, 8 bit", slow)]
    for name in FILTERS:
        for pixel_format in ("yuv420p", "yuv420p10le"):
            format_ = planar_format(pixel_format)
            start = time.process_time()
            renderer = Renderer(calibration, Look(FULL, filter=name), format_, format_, FULL)
            planning = time.process_time() - start
            frame = av.VideoFrame(*FULL, pixel_format)
            for plane in range(3):
                samples = plane_array(frame, plane, format_)
                samples[...] = random.integers(0, 1 << format_.bits, samples.shape, dtype=samples.dtype)
            renderer.render(frame)
            seconds = processor_time(partial(renderer.render, frame))
            rows.append((f"ours, {name}", pixel_format, seconds))
            print(f"plan for {pixel_format}, {name}: {planning:.1f} s", file=sys.stderr)
    print("| remap, 8192x4096, one core | samples | s a frame | against cv2 | against st_warp | PSNR, dB |")
    print("| --- | --- | --- | --- | --- | --- |")
    for label, kind, seconds in rows:
        ratios = f"{theirs / seconds:.2f} x | {slow / seconds:.1f} x"
        print(f"| {label} | {kind} | {seconds:.3f} | {ratios} | {quality[label]:.3f} |")
    print()
    slowest = max(seconds for label, _, seconds in rows if label == "ours, cubic")
    better = {name: quality["ours, cubic"] - quality[name] for name in (rows[0][0], rows[1][0])}
    return print_rows(
        Row(
            f"ours, cubic, the slower of 8 and 10 bit, against {name}",
            f"{seconds / slowest:.2f} x as fast, {better[name]:+.3f} dB",
            f"at least {bar:g} x, at equal or better quality",
            seconds / slowest >= bar and better[name] >= 0,
        )
        for (name, _, seconds), bar in zip(rows[:2], (CV2_BAR, ST_WARP_BAR), strict=True)
    )


def make_clip(path: Path, pictures: int, bits: int) -> None:
    """An HEVC clip of moving texture at full size."""
    random = np.random.default_rng(1)
    coarse = cv2.GaussianBlur(random.random((1024, 2048)).astype(np.float32), (0, 0), 1.5)
    texture = cv2.resize(coarse, FULL, interpolation=cv2.INTER_CUBIC)
    texture = (16 + 219 * (texture - texture.min()) / np.ptp(texture)) * (1 << (bits - 8))
    format_ = yuv_format(bits, (2, 2))
    with av.open(str(path), "w") as container:
        stream: Any = container.add_stream("libx265", rate=Fraction(30))
        stream.width, stream.height, stream.pix_fmt = *FULL, format_.name
        stream.codec_context.options = {
            "preset": "ultrafast",
            "x265-params": "log-level=error:rc-lookahead=5:bframes=0",
        }
        for number in range(pictures):
            frame = av.VideoFrame(*FULL, format_.name)
            plane_array(frame, 0, format_)[...] = np.roll(texture, 3 * number, axis=1)
            for plane in (1, 2):
                plane_array(frame, plane, format_)[...] = 128 << (bits - 8)
            frame.pts, frame.time_base = number, Fraction(1, 30)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


def plain_transcode(clip: Clip, target: Path, compression: Compression) -> None:
    """Decode and encode alone, with the same settings."""

    def pictures() -> Iterator[av.VideoFrame]:
        for place, frame in ahead(frames(clip, 0, len(clip.pts), Repairs()), 1):
            frame.pts, frame.time_base = clip.pts[place], clip.time_base
            yield frame

    encode_piece(target, pictures(), clip, compression, clip.size)


class Watch:
    """Wall time, processor time and the largest memory while a block runs."""

    def __enter__(self) -> Watch:
        self._process, self._stop, self.peak = psutil.Process(), threading.Event(), 0
        self._thread = threading.Thread(target=self._look, daemon=True)
        self._thread.start()
        self._wall, self._cpu = time.monotonic(), time.process_time()
        return self

    def _look(self) -> None:
        while not self._stop.wait(0.02):
            self.peak = max(self.peak, self._process.memory_info().rss)

    def __exit__(self, *_: object) -> None:
        self.wall, self.cpu = time.monotonic() - self._wall, time.process_time() - self._cpu
        self._stop.set()
        self._thread.join()
        del self._process, self._stop, self._thread  # so that the numbers can be sent to another process


def bench_film(preset: str, bits: int) -> int:
    """Whole films at 8192x4096, each in a process of its own. The plan is timed apart."""
    with tempfile.TemporaryDirectory() as folder:
        path, calibration = Path(folder) / "clip.mp4", Path(folder) / "calibration.json"
        make_clip(path, FILM_PICTURES, bits)
        example(FULL[0]).save(calibration)
        print(f"| film, 8192x4096, {bits} bit, {preset} | processor s a picture | wall s | peak GiB |")
        print("| --- | --- | --- | --- |")
        spent: dict[str, float] = {}
        planned = peak = 0.0
        # The film first: to encode its own pictures again costs what encoding cost in making it.
        for name, work in (("decode + remap + encode", _film), ("decode + encode", _transcode_alone)):
            with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as process:
                watch, planning = process.submit(work, path, calibration, preset).result()
            planned = max(planned, planning)
            spent[name] = (watch.cpu - planning) / FILM_PICTURES
            print(f"| {name} | {spent[name]:.2f} | {watch.wall:.1f} | {watch.peak / 2**30:.2f} |")
            peak = max(peak, watch.peak / 2**30) if work is _film else peak
    share = 100 * spent["decode + encode"] / spent["decode + remap + encode"]
    print(f"| plan, once a film (processor s) | {planned:.1f} | | |\n")
    return print_rows(
        (
            Row("throughput kept", f"{share:.0f} %", f"at least {KEPT_BAR:g} %", share >= KEPT_BAR),
            Row(
                "peak memory of the film",
                f"{peak:.2f} GiB",
                f"at most {MEMORY_BAR:g} GiB",
                peak <= MEMORY_BAR,
            ),
        )
    )


def _transcode_alone(path: Path, calibration: Path, preset: str) -> tuple[Watch, float]:
    compression = Compression(bitrate=80_000_000, preset=preset)
    with Watch() as watch:
        plain_transcode(open_clip(path.with_name("film.mp4")), path.with_name("plain.piece"), compression)
    return watch, 0.0


def _film(path: Path, calibration: Path, preset: str) -> tuple[Watch, float]:
    compression = Compression(bitrate=80_000_000, preset=preset)
    moments: dict[str, float] = {}

    def note(stage: str, done: int, total: int) -> None:
        moments.setdefault(stage, time.process_time())

    order = FilmOrder(calibration, path, path.with_name("film.mp4"), Look(FULL), compression, device="cpu")
    with Watch() as watch:
        render_film(order, progress=note)
    return watch, moments["planned"] - moments["map"]


if __name__ == "__main__":
    if sys.argv[1:2] == ["remap"]:
        sys.exit(bench_remap())
    elif sys.argv[1:2] == ["film"]:
        preset, bits = (*sys.argv[2:4], *("fast", "10")[len(sys.argv) - 2 :])
        sys.exit(bench_film(preset, int(bits)))
    else:
        sys.exit(__doc__)
