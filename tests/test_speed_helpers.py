"""What makes the program fast and must change nothing else: compiling, loading ahead, keeping memory."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

import numba
import pytest

import autocal.compiled
import autocal.cores
import autocal.loading
from autocal.compiled import compiled
from autocal.loading import loading


def said(code: str, *arguments: str, **environment: str) -> str:
    """What a Python of its own prints; an error, or a word on stderr, fails."""
    ran = subprocess.run(
        [sys.executable, "-c", code, *arguments],
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        check=True,
    )
    assert not ran.stderr
    return ran.stdout


#: How the code of a test begins that counts the pages a process has asked the system for.
COUNTING_PAGES = (
    "import resource, sys\n"
    "import numpy as np\n"
    "from autocal.allocator import keep_freed_memory, make_room\n"
    "def faults(): return resource.getrusage(resource.RUSAGE_SELF).ru_minflt\n"
)


def twice(x: float) -> float:
    return 2 * x


def test_a_compiled_function_works_where_nothing_can_be_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[bool] = []

    def njit(cache: bool = False, **options: Any) -> Any:
        asked.append(cache)
        if cache:
            raise RuntimeError("cannot cache function: no locator available")
        return numba.njit(**options)

    monkeypatch.setattr(autocal.compiled, "njit", njit)
    assert compiled()(twice)(2.5) == 5.0
    assert asked == [True, False]


def test_the_run_that_compiles_finds_what_all_later_ones_find(tmp_path: Path) -> None:
    code = (
        "import numpy as np\n"
        "from autocal.matching.patches import cut_patches, smooth_picture\n"
        "from autocal.matching.refine import align\n"
        "rng = np.random.default_rng(5)\n"
        "picture = smooth_picture(rng.integers(90, 160, (120, 120)).astype(np.uint8), 2)\n"
        "place = rng.uniform(40, 80, (20, 2))\n"
        "found = align(cut_patches(picture, place), picture, place + 0.4, np.tile(np.eye(2), (20, 1, 1)))\n"
        "print(found.pixel.tobytes().hex(), found.sigma_px.tobytes().hex())"
    )
    first, later = (said(code, NUMBA_CACHE_DIR=str(tmp_path)) for _ in range(2))
    assert list(tmp_path.rglob("*align_patches*.nbc"))
    assert first == later


def test_modules_are_loaded_while_the_block_runs() -> None:
    code = (
        "import sys, time; from autocal.loading import loading\n"
        "until = time.monotonic() + 20\n"
        "with loading(['no.such.module', 'wave']):\n"
        "    while 'wave' not in sys.modules and time.monotonic() < until: time.sleep(0.01)\n"
        "print('wave' in sys.modules)"
    )
    assert said(code) == "True\n"


def test_what_is_not_loaded_when_the_block_ends_is_left(monkeypatch: pytest.MonkeyPatch) -> None:
    begun, asked = threading.Event(), []

    def slow(name: str) -> None:
        asked.append(name)
        begun.set()
        time.sleep(0.3)

    monkeypatch.setattr(autocal.loading, "import_module", slow)
    with loading(["first", "second"]):
        assert begun.wait(20)
    assert asked == ["first"]


def test_an_error_in_the_block_is_not_held_back_by_a_module_that_never_comes(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    begun, let_go, left = threading.Event(), threading.Event(), threading.Event()

    def waits_forever(name: str) -> None:
        begun.set()
        if let_go.wait(20):
            left.set()

    monkeypatch.setattr(autocal.loading, "import_module", waits_forever)

    def fails() -> None:
        with loading(["never", "comes"]):
            assert begun.wait(20)
            raise ValueError("of the block")

    with pytest.raises(ValueError, match="of the block"):
        fails()
    assert not left.is_set()
    let_go.set()
    assert left.wait(20)


@pytest.mark.skipif(sys.platform != "linux", reason="the GNU C library's allocator")
def test_freed_memory_is_taken_again_without_asking_the_system() -> None:
    """Arrays of a few MB, made and dropped: the system is asked for pages once, not every time."""
    code = COUNTING_PAGES + (
        "if sys.argv[1] == 'keep': keep_freed_memory()\n"
        "def work():\n"
        "    held = [np.ones(2**19) for _ in range(4)]\n"  # 4 MB each
        "work(); before = faults()\n"
        "for _ in range(20): work()\n"
        "print(faults() - before)"
    )
    assert int(said(code, "keep")) < 0.1 * int(said(code, "as usual"))


@pytest.mark.skipif(sys.platform != "linux", reason="the GNU C library's allocator")
def test_an_array_lies_in_the_room_made_for_it() -> None:
    """64 MB: the system is asked for hardly any page when they are needed."""
    code = COUNTING_PAGES + (
        "keep_freed_memory()\n"
        "if sys.argv[1] == 'made': make_room(2**26)\n"
        "before = faults(); held = bytes(bytearray(b'x') * 2**25); print(faults() - before)"
    )
    assert int(said(code, "made")) < 0.1 * int(said(code, "as usual"))


@pytest.mark.skipif(sys.platform != "linux", reason="the GNU C library's allocator")
def test_threads_share_one_heap() -> None:
    """Reference: the C library's own account, malloc_info(3)."""
    code = (
        "import ctypes, sys, threading\n"
        "from autocal.allocator import share_one_heap\n"
        "if sys.argv[1] == 'shared': share_one_heap()\n"
        "libc = ctypes.CDLL(None)\n"
        "for _ in range(2):\n"
        "    thread = threading.Thread(target=libc.malloc, args=(1000,))\n"
        "    thread.start(); thread.join()\n"
        "libc.malloc_info(0, ctypes.c_void_p.in_dll(libc, 'stdout'))"
    )
    assert said(code, "shared").count("<heap nr=") == 1
    assert said(code, "as usual").count("<heap nr=") > 1


@pytest.mark.parametrize(
    ("limit", "expected"),
    [("max 100000", 8), ("200000 100000", 2), ("150000 100000", 2), ("5000 100000", 1), ("damaged", 8)],
)
def test_a_container_s_share_of_time_bounds_the_threads(
    limit: str, expected: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """cpu.max as https://docs.kernel.org/admin-guide/cgroup-v2.html has it, on a machine of eight cores."""
    if not hasattr(os, "sched_getaffinity"):
        pytest.skip("no such limit on this system")
    (tmp_path / "cpu.max").write_text(limit + "\n")
    monkeypatch.setattr("autocal.cores._TIME_LIMIT", tmp_path / "cpu.max")
    monkeypatch.setattr(os, "sched_getaffinity", lambda process: set(range(8)))
    autocal.cores._cores_worth_of_time.cache_clear()
    try:
        assert autocal.cores.cores() == expected
    finally:
        autocal.cores._cores_worth_of_time.cache_clear()
