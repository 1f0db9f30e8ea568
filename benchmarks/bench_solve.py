"""How long a solve of 8192x4096 footage takes, against decoding the frames it uses.

    python -m benchmarks.bench_solve

The bundled sample, scaled up to 24 frames of 8192x4096 HEVC with a key frame every 6, is made once and
kept in ~/.cache/autocal-benchmarks: at 200 Mbit/s, near to what cameras record (common practice, no
source), and at the encoder's usual quality; each with the encoder's default preset and with its fastest,
which leaves out tools of the standard and so decodes faster too. And once as the encoder makes it unasked:
its usual quality, its default preset, one key frame. For each, one after the other and each
in a process of its own: the frames decoded and nothing else, and made arrays of RGB; `autocal solve CLIP
--out DIR` as a person runs it, from start-up to the last picture; three times in turn, of which the median
counts; and where the time of it goes. Prints rows of the table in benchmarks/README.md; exits with 3 if a
bar is missed.
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise, product
from operator import attrgetter, itemgetter
from pathlib import Path
from typing import Any

import av

from autocal.cores import cores
from benchmarks.row import Row, print_rows

SIZE, FRAMES = (8192, 4096), 24
RATIO_BAR, MEMORY_BAR_GIB = 5.0, 3.0
ROUNDS = 3
_LOOK_EVERY_S = 0.02
#: How the clips are called and made; x265: https://x265.readthedocs.io/en/stable/cli.html and presets.html.
QUALITIES = {
    "200 Mbit/s": "bitrate=200000:vbv-maxrate=200000:vbv-bufsize=50000",
    "usual quality": "crf=28",
}
PRESETS = ("medium", "ultrafast")
#: Frames from one key frame to the next.
KEY_EVERY = 6
CLIPS = (*product(QUALITIES, PRESETS, (KEY_EVERY,)), ("usual quality", "medium", FRAMES))
_SAMPLE = Path(__file__).parents[1] / "samples" / "harbour.mp4"
_AUTOCAL = ("-c", "from autocal.commands.main import main; main()")
_KEY_FRAMES = "keyint={0}:min-keyint={0}:scenecut=0:open-gop=0"


def clip(quality: str, preset: str, key_every: int) -> Path:
    """The clip of that quality, preset and distance of key frames, made if it is not there yet (half a minute
    to three)."""
    cache = Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "autocal-benchmarks"
    cache.mkdir(parents=True, exist_ok=True)
    keys = "" if key_every == KEY_EVERY else f"-keys-{key_every}"
    path = cache / f"harbour-8192x4096-{quality.split()[0]}-{preset}{keys}.mp4"
    if not path.exists():
        print(f"making {path}", file=sys.stderr, flush=True)
        unfinished = path.with_suffix(".unfinished.mp4")
        _scale_up(unfinished, QUALITIES[quality], preset, _KEY_FRAMES.format(key_every))
        unfinished.replace(path)
    return path


def _scale_up(target: Path, quality: str, preset: str, key_frames: str) -> None:
    with av.open(str(_SAMPLE)) as source, av.open(str(target), "w") as container:
        rate = source.streams.video[0].average_rate
        stream: Any = container.add_stream("libx265", rate=Fraction(rate or 24))
        stream.width, stream.height, stream.pix_fmt = *SIZE, "yuv420p"
        stream.codec_context.options = {
            "preset": preset,
            "x265-params": f"log-level=error:{key_frames}:{quality}",
        }
        for frame in source.decode(video=0):
            large = frame.reformat(*SIZE, "yuv420p", interpolation="BICUBIC")
            large.pts, large.time_base, large.pict_type = frame.pts, frame.time_base, 0
            container.mux(stream.encode(large))
        container.mux(stream.encode(None))


@dataclass(frozen=True)
class Spent:
    """What a process and those it started used up. processor: s, all threads. peak: the most memory, GiB."""

    wall: float
    processor: float
    peak: float
    said: str


def run(arguments: Sequence[str]) -> Spent:
    """Run Python with these arguments, in a process of its own; RuntimeError if it fails."""
    start = time.perf_counter()
    most = 0
    with tempfile.TemporaryFile("w+") as heard:
        process = subprocess.Popen([sys.executable, *arguments], stdout=heard)
        ended = 0
        while not ended:
            most = max(most, _held(process.pid))
            time.sleep(_LOOK_EVERY_S)
            ended, status, used = os.wait4(process.pid, os.WNOHANG)
        process.returncode = os.waitstatus_to_exitcode(status)
        wall = time.perf_counter() - start
        heard.seek(0)
        said = heard.read()
    if process.returncode:
        raise RuntimeError(f"{' '.join(arguments)} ended with {process.returncode}")
    return Spent(wall, used.ru_utime + used.ru_stime, most / 2**30, said)


def _held(process: int, starter: bytes = b"") -> int:
    """Bytes that a process and those it started hold now; what they share counts for each.

    starter: the command of what started it. Until a started process has one of its own, it is made of its
    starter's memory.
    """
    tasks = Path(f"/proc/{process}/task")
    try:
        command = Path(f"/proc/{process}/cmdline").read_bytes()
        if command == starter:
            return 0
        resident = int(Path(f"/proc/{process}/statm").read_text().split()[1]) * resource.getpagesize()
        started = {
            int(child) for task in tasks.iterdir() for child in (task / "children").read_text().split()
        }
    except OSError:  # it has ended
        return 0
    return resident + sum(_held(child, command) for child in started)


def decode(path: Path, into: str = "") -> None:
    """Decode all frames on all cores and print what that took, s; start-up does not count.

    into: a pixel format, of the arrays that are made of the pictures; "" leaves them as they come.
    """
    wall, busy = time.perf_counter(), time.process_time()
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        stream.thread_type = "AUTO"
        stream.codec_context.thread_count = cores()
        frames = 0
        for frame in container.decode(stream):
            frames += 1
            if into:
                frame.to_ndarray(format=into)
    if frames != FRAMES:
        raise RuntimeError(f"{path}: {frames} frames, expected {FRAMES}; delete it and it is made anew")
    print(json.dumps({"wall": time.perf_counter() - wall, "processor": time.process_time() - busy}))


def stages(path: Path) -> None:
    """Solve in this process and print, stage by stage, wall and processor time, s."""
    marks: list[tuple[str, float, float]] = []

    def note(stage: str, done: int = 0, total: int = 0) -> None:
        if not marks or marks[-1][0] != stage:
            marks.append((stage, time.perf_counter(), time.process_time()))

    note("imports")
    from autocal.beforehand import SolveOptions
    from autocal.solving import solve

    solve([path], options=SolveOptions(frames=FRAMES), progress=note)
    note("")
    spent = [
        (name, wall - since, busy - since_busy)
        for (name, since, since_busy), (_, wall, busy) in pairwise(marks)
    ]
    print(json.dumps(spent))


def rows(quality: str, preset: str, key_every: int) -> list[Row]:
    """One clip: decoding, the whole command, where its time goes."""
    path = clip(quality, preset, key_every)
    megabits = 8e-6 * path.stat().st_size / 1.0  # it lasts one second
    decoding = ["-m", "benchmarks.bench_solve", "decode", str(path)]
    solving = [*_AUTOCAL, "solve", str(path), "--frames", str(FRAMES), "--quiet", "--out"]
    decoded: list[dict[str, float]] = []
    solved: list[Spent] = []
    for _ in range(ROUNDS):
        decoded.append(json.loads(run(decoding).said))
        with tempfile.TemporaryDirectory() as folder:
            solved.append(run([*solving, str(Path(folder) / "solved")]))
    plain = sorted(decoded, key=itemgetter("wall"))[ROUNDS // 2]
    whole = sorted(solved, key=attrgetter("wall"))[ROUNDS // 2]
    arrays = json.loads(run([*decoding, "rgb24"]).said)
    parts = json.loads(run(["-m", "benchmarks.bench_solve", "stages", str(path)]).said)
    ratio, busy_ratio = whole.wall / plain["wall"], whole.processor / plain["processor"]
    share = ", ".join(f"{stage} {wall:.1f} ({busy:.1f})" for stage, wall, busy in parts)
    keys = "" if key_every == KEY_EVERY else ", one key frame"
    label = f"{FRAMES} frames of {SIZE[0]}x{SIZE[1]} HEVC, {megabits:.0f} Mbit/s ({quality}, {preset}{keys})"
    return [
        Row(f"{label}: decoded", f"{plain['wall']:.1f} s ({plain['processor']:.1f} s of processor time)"),
        Row(
            "decoded, and each picture made an RGB array",
            f"{arrays['wall']:.1f} s ({arrays['processor']:.1f} s of processor time)",
        ),
        Row(
            "the whole `autocal solve`, start-up, ST map and pictures included",
            f"{whole.wall:.1f} s ({whole.processor:.1f} s of processor time)",
        ),
        Row("of it, s (of processor time)", share),
        Row(
            "times as long as decoding",
            f"{ratio:.1f} x ({busy_ratio:.1f} x by processor time)",
            f"at most {RATIO_BAR:g} x",
            ratio <= RATIO_BAR,
        ),
        Row(
            "peak memory of the solve",
            f"{whole.peak:.2f} GiB",
            f"at most {MEMORY_BAR_GIB:g} GiB",
            whole.peak <= MEMORY_BAR_GIB,
        ),
    ]


def main(arguments: Sequence[str]) -> int:
    """Print the rows; the exit code. `decode PATH [FORMAT]` and `stages PATH` are what it runs inside."""
    if arguments:
        {"decode": decode, "stages": stages}[arguments[0]](Path(arguments[1]), *arguments[2:])
        return 0
    return print_rows(row for clip in CLIPS for row in rows(*clip))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
