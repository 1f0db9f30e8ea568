"""Batches on worker processes: the same films as made by one process, whatever happens to the workers."""

from __future__ import annotations

import csv
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import av
import numpy as np
import pytest

from autocal.batch.engine import Happening, local_engine, local_workers
from autocal.batch.orders import ClipOrder
from autocal.batch.run import run_batch
from autocal.render.film import render_film
from autocal.render.renderer import Look
from tests.command_line import HEEDING, autocal
from tests.film_clips import film_order, packets, save_calibration, write_take

#: As `film_clips.film_order` asks for it, on the command line.
AS_ORDERED = ("--size", "256x128", "--quality", "20")


@pytest.fixture(scope="module")
def shoot_day(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two cards with clips of the same name, one long; and a broken file."""
    day = tmp_path_factory.mktemp("day")
    save_calibration(day / "calibration.json")
    for card in ("a", "b"):
        (day / card).mkdir()
    write_take(day / "a" / "take.mp4", 330)
    write_take(day / "b" / "take.mp4", 30, seed=1)
    (day / "b" / "broken.mp4").write_bytes((day / "a" / "take.mp4").read_bytes()[:3000])
    return day


@pytest.fixture(scope="module")
def straight(shoot_day: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The long clip's film, made by one process."""
    out = tmp_path_factory.mktemp("straight") / "film.mp4"
    return render_film(film_order(shoot_day / "calibration.json", shoot_day / "a" / "take.mp4", out)).out


def rows(out: Path) -> dict[str, dict[str, str]]:
    with (out / "results.csv").open(encoding="utf-8-sig", newline="") as file:
        return {row["name"]: row for row in csv.DictReader(file)}


def visible(folder: Path) -> list[str]:
    return sorted(str(p.relative_to(folder)) for p in folder.rglob("*") if p.is_file())


def test_a_day_is_rendered_as_one_process_would_and_a_broken_clip_is_a_row(
    shoot_day: Path, straight: Path, tmp_path: Path
) -> None:
    out = tmp_path / "films"
    call = (
        "batch",
        shoot_day,
        "--cal",
        shoot_day / "calibration.json",
        "--do",
        "render",
        "--out",
        out,
        *AS_ORDERED,
    )
    answer = autocal(*call, "--json", "--workers", "2")
    assert answer.code == 1, answer.err
    told = {clip["name"]: clip for clip in json.loads(answer.out)["clips"]}
    assert {name: clip["state"] for name, clip in told.items()} == {
        "a-take": "rendered",
        "b-take": "rendered",
        "broken": "failed",
    }
    assert packets(out / "a-take" / "a-take.mp4") == packets(straight)
    with av.open(str(straight)) as one, av.open(str(out / "a-take" / "a-take.mp4")) as other:
        for a, b in zip(one.decode(video=0), other.decode(video=0), strict=True):
            assert np.array_equal(a.to_ndarray(), b.to_ndarray())
    table = rows(out)
    assert table["a-take"]["pictures"] == "330"
    assert table["b-take"]["pictures"] == "30"
    assert "broken.mp4" in table["broken"]["message"]
    assert visible(out) == [
        "a-take/a-take.mp4",
        "a-take/batch.json",
        "b-take/b-take.mp4",
        "b-take/batch.json",
        "index.html",
        "results.csv",
    ]
    again = autocal(*call)
    assert again.code == 2
    assert "exists already" in again.err

    # Without the table, only what failed is tried again: here it has been copied anew from the card.
    for name in ("results.csv", "index.html"):
        (out / name).unlink()
    made = (out / "a-take" / "a-take.mp4").stat().st_mtime_ns
    other_settings = autocal(*call, "--level", "0,0,3")
    assert other_settings.code == 2
    assert "other settings" in other_settings.err
    broken = shoot_day / "b" / "broken.mp4"
    damaged = broken.read_bytes()
    try:
        broken.write_bytes((shoot_day / "b" / "take.mp4").read_bytes())
        repaired = autocal(*call, "--quiet")
    finally:
        broken.write_bytes(damaged)
    assert repaired.code == 0, repaired.err
    assert {row["result"] for row in rows(out).values()} == {"rendered"}
    assert (out / "a-take" / "a-take.mp4").stat().st_mtime_ns == made


class Killer:
    """Kills the first worker that is in the middle of a piece, and keeps what it is told."""

    def __init__(self) -> None:
        self.victim: Happening | None = None
        self.seen: list[Happening] = []

    def __call__(self, news: Happening) -> None:
        self.seen.append(news)
        if self.victim is None and news.stage == "render" and 5 < news.done < news.total // 2:
            self.victim = news
            os.kill(news.pid, signal.SIGKILL)


def test_a_worker_killed_in_the_middle_changes_nothing(shoot_day: Path, tmp_path: Path) -> None:
    look = Look(size=(640, 320))  # large enough that a piece takes its time
    clip, calibration = write_take(tmp_path / "take.mp4", 150), shoot_day / "calibration.json"
    alone = render_film(film_order(calibration, clip, tmp_path / "alone.mp4", look=look)).out
    film = film_order(calibration, clip, tmp_path / "out" / "take" / "take.mp4", look=look)
    order = ClipOrder(clip, "take", tmp_path / "out" / "take", film)
    (tmp_path / "out").mkdir()
    killer = Killer()
    with local_engine(tmp_path / "out", workers=2, listener=killer) as engine:
        (result,) = run_batch([order], engine)
    victim = killer.victim
    assert victim is not None
    others = {news.pid for news in killer.seen if news.task == victim.task} - {victim.pid}
    assert others, "the killed worker's piece was made by nobody else"
    assert result.state == "rendered"
    assert packets(film.out) == packets(alone)
    assert visible(tmp_path / "out") == ["take/batch.json", "take/take.mp4"]


def start(*arguments: str | Path) -> subprocess.Popen[str]:
    """The program in a process group of its own, as a terminal would run it."""
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parent.parent)}
    return subprocess.Popen(
        [sys.executable, "-c", HEEDING, *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment,
        start_new_session=True,
    )


def processes_of(group: int) -> list[int]:
    """Processes of a group that run (the dead that nobody has asked after do not count)."""
    told = subprocess.run(
        ["ps", "-o", "pid=,stat=", "-g", str(group)], capture_output=True, text=True, check=False
    )
    return [int(line.split()[0]) for line in told.stdout.splitlines() if not line.split()[1].startswith("Z")]


def test_stopped_by_ctrl_c_it_leaves_whole_pieces_and_goes_on(
    shoot_day: Path, straight: Path, tmp_path: Path
) -> None:
    out = tmp_path / "films"
    clip = shoot_day / "a" / "take.mp4"
    call = (
        "batch",
        clip,
        "--cal",
        shoot_day / "calibration.json",
        "--do",
        "render",
        "--out",
        out,
        *AS_ORDERED,
    )
    program = start(*call, "--workers", "1")
    until = time.monotonic() + 60
    while not list(out.rglob("piece-*.piece")) and time.monotonic() < until:
        time.sleep(0.02)
    os.killpg(program.pid, signal.SIGINT)
    told = program.communicate(timeout=60)[1]
    assert program.returncode == 130, told
    assert "0 of 1 clips are finished" in told
    assert "Traceback" not in told
    assert processes_of(program.pid) == []
    left = visible(out)
    assert left
    assert all(".take.mp4.rendering/" in path and path.endswith((".piece", "order.json")) for path in left)
    assert autocal(*call, "--quiet").code == 0
    assert int(rows(out)["take"]["pictures_from_earlier_run"]) >= 100
    assert packets(out / "take" / "take.mp4") == packets(straight)


@pytest.fixture(scope="module")
def scheduler(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a cluster that runs already."""
    from distributed import LocalCluster

    with LocalCluster(
        n_workers=1,
        threads_per_worker=1,
        dashboard_address="127.0.0.1:0",
        local_directory=tmp_path_factory.mktemp("dask"),
        silence_logs=50,
    ) as cluster:
        yield cluster.scheduler_address


def test_a_running_scheduler_is_used_and_left_running(
    shoot_day: Path, straight: Path, tmp_path: Path, scheduler: str
) -> None:
    call = ("batch", shoot_day / "a" / "take.mp4", "--cal", shoot_day / "calibration.json", "--do", "render")
    for out in (tmp_path / "first", tmp_path / "second"):
        answer = autocal(*call, "--out", out, *AS_ORDERED, "--scheduler", scheduler, "--quiet")
        assert answer.code == 0, answer.err
        assert packets(out / "take" / "take.mp4") == packets(straight)
        assert visible(out) == ["index.html", "results.csv", "take/batch.json", "take/take.mp4"]


def test_a_scheduler_that_is_not_there_is_said(
    shoot_day: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("autocal.batch.engine._CONNECT_S", 0.5)
    call = ("batch", shoot_day / "a" / "take.mp4", "--cal", shoot_day / "calibration.json", "--do", "render")
    answer = autocal(*call, "--out", tmp_path / "out", "--scheduler", "tcp://127.0.0.1:9")
    assert answer.code == 2
    assert "no scheduler answers at tcp://127.0.0.1:9" in answer.err
    assert not (tmp_path / "out").exists()


def test_checks_run_on_workers_and_a_clip_without_texture_cannot_be_told(
    shoot_day: Path, tmp_path: Path
) -> None:
    out = tmp_path / "checked"
    answer = autocal(
        *("batch", shoot_day / "b", "--cal", shoot_day / "calibration.json", "--do", "check"),
        *("--out", out, "--windows", "2", "--quiet"),
    )
    assert answer.code == 1, answer.err
    table = rows(out)
    assert table["broken"]["result"] == "failed"
    assert table["take"]["result"] == "cannot tell"
    assert (out / table["take"]["file"]).is_file()


def test_as_many_workers_as_cores_and_memory_bear() -> None:
    gigabyte = 2**30
    assert local_workers(16, 64 * gigabyte) == 8
    assert local_workers(16, 8 * gigabyte) == 2
    assert local_workers(1, gigabyte) == 1
