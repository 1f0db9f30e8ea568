"""The work on one clip, without any engine: the same functions, called in a row."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from autocal.batch.engine import lacking, on_worker
from autocal.batch.orders import CheckSettings, ClipOrder, ClipResult
from autocal.batch.records import finished_result, remove_unfinished
from autocal.batch.run import refuse_strangers
from autocal.batch.work import (
    Failure,
    Kept,
    Outcome,
    Stopped,
    attempt,
    course,
    finish_clip,
    make_piece,
    plan_clip,
)
from autocal.errors import FootageError, OutputError
from autocal.render.film import render_film
from autocal.render.renderer import Look
from tests.film_clips import film_order, packets, save_calibration, write_take


def silent(stage: str, done: int, total: int) -> None:
    """Progress that nobody watches."""


def led(order: ClipOrder) -> ClipResult:
    """A clip led through its course here and now."""
    steps = course(order)
    tasks = next(steps)
    while True:
        done = []
        for task in tasks:
            values = [a.value if isinstance(a, Kept) else a for a in task.arguments]
            done.append(Kept(task.work(*values, progress=silent), None))
        try:
            tasks = steps.send(done)
        except StopIteration as end:
            result: ClipResult = end.value
            return result


@pytest.fixture
def order(tmp_path: Path) -> ClipOrder:
    calibration = save_calibration(tmp_path / "calibration.json")
    clip = write_take(tmp_path / "take.mp4", 120)
    folder = tmp_path / "out" / "take"
    return ClipOrder(clip, "take", folder, film_order(calibration, clip, folder / "take.mp4"))


def film_of(order: ClipOrder) -> Path:
    return order.folder / "take.mp4"


def test_a_clips_course_without_an_engine_makes_the_same_film(order: ClipOrder, tmp_path: Path) -> None:
    result = led(order)
    straight = render_film(replace(order.settings, out=tmp_path / "straight.mp4")).out
    assert packets(film_of(order)) == packets(straight)
    assert result.state == "rendered"
    assert result.numbers["pictures"] == 120
    assert result.file == "take/take.mp4"


def test_what_is_finished_is_known_by_its_clip_and_settings(order: ClipOrder) -> None:
    assert finished_result(order) is None
    result = led(order)
    assert finished_result(order) == result
    refuse_strangers([order])
    turned = film_order(
        order.settings.calibration, order.clip, film_of(order), look=Look((256, 128), level_deg=(1, 0, 0))
    )
    other = replace(order, settings=turned)
    assert finished_result(other) is None
    with pytest.raises(OutputError, match="other settings"):
        refuse_strangers([other])
    refuse_strangers([replace(other, overwrite=True)])
    os.utime(order.clip, ns=(1, 1))  # another recording under the same name
    assert finished_result(order) is None


def test_a_film_whose_end_was_not_heard_of_is_not_made_twice(order: ClipOrder) -> None:
    """A worker may die after the film is there, and before it can say so."""
    result = led(order)
    made = film_of(order).stat().st_mtime_ns
    plan = plan_clip(order, progress=silent)
    assert finish_clip(order, plan, progress=silent) == result
    assert film_of(order).stat().st_mtime_ns == made
    assert not list(order.folder.glob(".*"))


def test_half_written_files_of_a_killed_worker_go_and_whole_pieces_stay(order: ClipOrder) -> None:
    plan = plan_clip(order, progress=silent)
    make_piece(plan, plan.pieces[0], progress=silent)
    work = plan.pieces[0].path.parent
    (work / "piece-000001.0123456789ab.part").touch()
    (order.folder / ".take-abcd1234.mp4").touch()
    (order.folder.parent / ".take-abcd1234").mkdir()
    (order.folder.parent / ".take-abcd1234" / "report.html").touch()
    somebody_elses = order.folder / ".take-notes-on-this.txt"
    somebody_elses.touch()
    remove_unfinished(order)
    left = {p.name for p in order.folder.parent.rglob("*") if p.is_file()}
    assert left == {"order.json", "piece-000000.piece", somebody_elses.name}


def test_an_untouched_clip_leaves_no_folder(order: ClipOrder) -> None:
    plan_clip(order, progress=silent)
    remove_unfinished(order)
    assert not order.folder.exists()


def test_what_goes_wrong_is_told_as_a_value() -> None:
    def bad_file(progress: Any) -> None:
        raise FootageError("take.mp4: torn")

    def bad_program(progress: Any) -> None:
        raise ZeroDivisionError("by nought")

    def stopped(progress: Any) -> None:
        raise Stopped

    assert attempt(bad_file, (), silent) == Outcome(failure=Failure("take.mp4: torn"))
    fault = attempt(bad_program, (), silent).failure
    assert fault is not None
    assert "ZeroDivisionError: by nought" in fault.message
    assert "bad_program" in fault.trace
    assert attempt(stopped, (), silent) == Outcome(failure=Failure("stopped"))


def test_a_task_whose_ground_failed_fails_for_the_same_reason() -> None:
    ground = Outcome(failure=Failure("the plan is lost"))
    assert attempt(lambda plan, progress: plan, (ground,), silent) == ground
    assert attempt(lambda plan, progress: plan, (Outcome("plan"),), silent) == Outcome("plan")


def test_workers_of_another_version_say_so() -> None:
    told = on_worker(make_piece, "token", 0, 1, "0.0.1").failure
    assert told is not None
    assert "the batch 0.0.1: install the same version" in told.message


def test_paths_out_of_reach_are_named(tmp_path: Path) -> None:
    assert lacking([str(tmp_path), str(tmp_path / "far.mp4")]) == [str(tmp_path / "far.mp4")]


def test_a_missing_calibration_is_no_identity_of_results(tmp_path: Path) -> None:
    order = ClipOrder(tmp_path / "a.mp4", "a", tmp_path / "a", CheckSettings(tmp_path / "none.json"))
    assert finished_result(order) is None
