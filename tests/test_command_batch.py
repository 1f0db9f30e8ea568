"""`autocal batch` before and after the work: which options go with which job, what each clip's order says,
and the table of a day on which nothing could be read."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from autocal.batch.orders import ClipOrder, ClipResult, Failure, SolveSettings
from autocal.batch.work import failed
from autocal.render.film import FilmOrder
from tests.command_line import autocal
from tests.film_clips import save_calibration, write_take


@pytest.fixture
def orders(monkeypatch: pytest.MonkeyPatch) -> list[ClipOrder]:
    """The orders that a batch hands to its workers, of which there are none."""
    given: list[ClipOrder] = []

    def nobody_works(orders: Sequence[ClipOrder], *_: Any) -> list[ClipResult]:
        given.extend(orders)
        return [failed(order, Failure("nobody works")) for order in orders]

    @contextmanager
    def no_engine(*_: Any, **__: Any) -> Iterator[None]:
        yield

    monkeypatch.setattr("autocal.batch.engine.local_engine", no_engine)
    monkeypatch.setattr("autocal.batch.run.run_batch", nobody_works)
    return given


@pytest.fixture
def day(tmp_path: Path) -> Path:
    """A clip and a calibration."""
    save_calibration(tmp_path / "calibration.json")
    write_take(tmp_path / "take.mp4", 2)
    return tmp_path


def run(day: Path, job: str, *options: str) -> str:
    """What a batch over the clip says on the error stream; it ends with what came of it."""
    cal = () if job == "solve" else ("--cal", day / "calibration.json")
    answer = autocal("batch", day / "take.mp4", "--do", job, *cal, "--out", day / "out", *options)
    assert answer.code == (2 if "Error" in answer.err else 1), answer
    return answer.err


def settings_of(order: ClipOrder) -> Any:
    return order.settings


def test_the_size_of_a_solve_is_that_of_its_st_map(day: Path, orders: list[ClipOrder]) -> None:
    run(day, "solve", "--size", "1024x512")
    assert isinstance(orders[0].settings, SolveSettings)
    assert settings_of(orders[0]).size == (1024, 512)


def test_the_size_of_a_render_is_that_of_its_film(day: Path, orders: list[ClipOrder]) -> None:
    run(day, "render", "--size", "1024x512")
    assert isinstance(orders[0].settings, FilmOrder)
    assert settings_of(orders[0]).look.size == (1024, 512)


@pytest.mark.parametrize(
    ("job", "options", "size"),
    [
        ("solve", (), (8192, 4096)),
        ("render", (), (8192, 4096)),
        ("render", ("--proxy",), (2048, 1024)),
    ],
)
def test_without_a_size_each_job_has_that_of_its_own_command(
    day: Path, orders: list[ClipOrder], job: str, options: tuple[str, ...], size: tuple[int, int]
) -> None:
    run(day, job, *options)
    settings = settings_of(orders[0])
    assert (settings.size if job == "solve" else settings.look.size) == size


def test_a_part_of_every_clip_can_be_rendered(day: Path, orders: list[ClipOrder]) -> None:
    run(day, "render", "--from", "0:01", "--to", "2.5")
    assert (settings_of(orders[0]).start_s, settings_of(orders[0]).end_s) == (1.0, 2.5)


@pytest.mark.parametrize(
    ("job", "option", "value"),
    [
        ("check", "--size", "512x256"),
        ("check", "--frames", "3"),
        ("solve", "--codec", "hevc"),
        ("solve", "--from", "1"),
        ("solve", "--windows", "3"),
        ("render", "--fov", "190"),
        ("render", "--seed", "1"),
    ],
)
def test_an_option_of_another_job_is_refused(
    day: Path, orders: list[ClipOrder], job: str, option: str, value: str
) -> None:
    assert f"--do {job} takes no {option}" in run(day, job, option, value)
    assert orders == []
    assert not (day / "out").exists()


def test_an_odd_map_is_refused_before_any_work(day: Path, orders: list[ClipOrder]) -> None:
    assert "even width" in run(day, "solve", "--size", "511x256")
    assert orders == []


def test_help_lists_an_option_under_every_job_that_takes_it() -> None:
    said = autocal("batch", "--help").out
    check, solve, render = (said.split(f"With --do {job},")[1] for job in ("check", "solve", "render"))
    solve = solve.split("With --do")[0]
    assert "--size" not in check.split("With --do")[0]
    assert "--size" in solve
    assert "--from" not in solve
    assert all(option in render for option in ("--size", "--from", "--to"))


def test_a_day_of_which_nothing_can_be_read_is_a_table_of_what_is_wrong(tmp_path: Path) -> None:
    for name in ("a.mp4", "b.mp4"):
        (tmp_path / name).write_text("shot 3: the good one\n" * 99)
    save_calibration(tmp_path / "calibration.json")
    answer = autocal(
        *("batch", tmp_path, "--do", "check", "--cal", tmp_path / "calibration.json"),
        *("--out", tmp_path / "out", "--workers", "1", "--quiet"),
    )
    assert answer.code == 1, answer.err
    with (tmp_path / "out" / "results.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = {row["name"]: row for row in csv.DictReader(file)}
    assert {row["result"] for row in rows.values()} == {"failed"}
    assert all(f"{name}.mp4" in row["message"] for name, row in rows.items())
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == ["index.html", "results.csv"]


def test_a_damaged_calibration_is_told_before_any_clip_is_tried(day: Path) -> None:
    damaged = day / "calibration.json"
    damaged.write_text(damaged.read_text()[:300])
    answer = autocal("batch", day / "take.mp4", "--do", "check", "--cal", damaged, "--out", day / "out")
    assert (answer.code, "not a calibration.json" in answer.err) == (2, True)
    assert not (day / "out").exists()
