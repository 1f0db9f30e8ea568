"""Run the benchmarks and write their table into benchmarks/README.md.

    python -m benchmarks            everything, about half an hour on two cores; writes the table
    python -m benchmarks --quick    without the slowest; prints it only

Each runs in a process of its own. Exits with 3 if a bar is missed, 1 if a benchmark failed.
"""

from __future__ import annotations

import os
import platform
import subprocess
import sys
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from benchmarks.row import MISSED

_README = Path(__file__).with_name("README.md")
_BEGIN, _END = "<!-- measured: written by python -m benchmarks -->", "<!-- end of what was measured -->"


@dataclass(frozen=True)
class Benchmark:
    """title: of its part of the table. arguments: what Python is called with. slow: left out of --quick."""

    title: str
    arguments: tuple[str, ...]
    slow: bool = False

    @property
    def command(self) -> str:
        return " ".join(["python", *self.arguments])


BENCHMARKS = (
    Benchmark("ST map", ("-m", "benchmarks.bench_stmap")),
    Benchmark("Solve", ("-m", "benchmarks.bench_solve")),
    Benchmark("Bundle", ("-m", "benchmarks.bench_bundle"), slow=True),
    Benchmark("Statistics", ("-m", "benchmarks.bench_statistics"), slow=True),
    Benchmark("Remapping", ("-m", "benchmarks.bench_render", "remap"), slow=True),
    Benchmark("Film", ("-m", "benchmarks.bench_render", "film"), slow=True),
)


def machine() -> str:
    """The processor, and how busy it is, in a line."""
    model = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.exists():
        names = [line.split(":", 1)[1] for line in info.read_text().splitlines() if "model name" in line]
        model = names[0].strip() if names else model
    return f"{model}, {os.cpu_count()} cores; Python {platform.python_version()}"


def load() -> str:
    """How many threads wanted to run, on average over the last minute; of ours, the benchmark before."""
    return f"{os.getloadavg()[0]:.1f}"


def section(benchmark: Benchmark) -> tuple[str, int]:
    """Its part of the text, and its exit code."""
    print(f"{benchmark.title}: {benchmark.command}", file=sys.stderr, flush=True)
    before = load()
    done = subprocess.run([sys.executable, *benchmark.arguments], stdout=subprocess.PIPE, text=True)
    lines = done.stdout.strip()
    if done.returncode not in (0, MISSED):
        lines += f"\n\nIt failed: `{benchmark.command}` ended with {done.returncode}."
    return (
        f"## {benchmark.title}\n\n`{benchmark.command}`; load at its start {before}\n\n{lines}\n",
        done.returncode,
    )


def main(arguments: list[str]) -> int:
    """Run, print or write; see the module."""
    if arguments not in ([], ["--quick"]):
        sys.exit(__doc__)
    quick = bool(arguments)
    parts = [f"Measured {datetime.now():%Y-%m-%d} on {machine()}.\n"]
    codes = []
    for benchmark in BENCHMARKS:
        if quick and benchmark.slow:
            continue
        text, code = section(benchmark)
        parts.append(text)
        codes.append(code)
    measured = "\n".join(parts)
    if quick:
        print(measured)
    else:
        before, rest = _README.read_text().split(_BEGIN)
        after = rest.split(_END)[1]
        _README.write_text(f"{before}{_BEGIN}\n\n{measured}\n{_END}{after}")
    return 1 if any(code not in (0, MISSED) for code in codes) else max(codes)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
