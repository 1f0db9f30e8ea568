"""What is done to one clip, in steps that run anywhere: here, on another core, on another machine.

A clip's course is a generator: it yields tasks that can be done side by side, is sent what came of them,
yields the next ones, and returns the clip's result. Each task is a call of a function of this module or of
`autocal.render.film`; `autocal render` calls the very same ones in a row.
"""

from __future__ import annotations

import json
import traceback
from collections.abc import Callable, Generator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from autocal.batch.orders import CheckSettings, ClipOrder, ClipResult, Failure, SolveSettings, State
from autocal.batch.records import RECORD, finished_result, remove_beside, write_record
from autocal.errors import AutocalError, OutputError
from autocal.render.film import FilmOrder, FilmPlan, finish_film, plan_film, render_pieces
from autocal.render.work import Piece, WorkFolder
from autocal.whole_file import whole_file, whole_folder

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class Outcome:
    """What came of a task: a value, or a failure."""

    value: Any = None
    failure: Failure | None = None


class Stopped(BaseException):
    """The batch is being stopped: raised inside a task to end it, past all handlers of errors."""


@dataclass(frozen=True, eq=False)
class Task:
    """A call of `work` with `arguments` and progress=. share: of the work, e.g. in pictures.

    An argument that is a `Kept` stands for what came of an earlier task.
    """

    work: Callable[..., Any]
    arguments: tuple[Any, ...]
    share: int = 1


@dataclass(frozen=True, eq=False)
class Kept:
    """What came of a task: the value, and the engine's own hold on it where it lies."""

    value: Any
    handle: Any


Course = Generator[Sequence[Task], Sequence[Kept], ClipResult]


def course(order: ClipOrder) -> Course:
    """The steps of one clip."""
    if isinstance(order.settings, FilmOrder):
        return _film_course(order)
    return _one_step(order, check_clip if isinstance(order.settings, CheckSettings) else solve_clip)


def _one_step(order: ClipOrder, work: Callable[..., ClipResult]) -> Course:
    (done,) = yield [Task(work, (order,))]
    result: ClipResult = done.value
    return result


def _film_course(order: ClipOrder) -> Course:
    (plan,) = yield [Task(plan_clip, (order,))]
    pieces: Sequence[Piece] = plan.value.missing
    yield [Task(make_piece, (plan, piece), piece.last - piece.first) for piece in pieces]
    (done,) = yield [Task(finish_clip, (order, plan))]
    result: ClipResult = done.value
    return result


def attempt(work: Callable[..., Any], arguments: Sequence[Any], progress: Progress) -> Outcome:
    """Do a task; what goes wrong is told as a value. Arguments that are outcomes stand for their values."""
    for argument in arguments:
        if isinstance(argument, Outcome) and argument.failure is not None:
            return argument
    values = [a.value if isinstance(a, Outcome) else a for a in arguments]
    try:
        return Outcome(work(*values, progress=progress))
    except Stopped:
        return Outcome(failure=Failure("stopped"))
    except AutocalError as error:
        return Outcome(failure=Failure(str(error)))
    except Exception as error:  # one clip must not stop the others, whatever is wrong with it
        said = f"a fault of the program, please report it: {type(error).__name__}: {error}"
        return Outcome(failure=Failure(said, traceback.format_exc()))


def check_clip(order: ClipOrder, *, progress: Progress) -> ClipResult:
    """Check a calibration against a clip and write its report. Raises what checking raises."""
    from autocal.exchange.any_file import load_any
    from autocal.footage import open_footage
    from autocal.report.page_check import write_check_report
    from autocal.verify.check import check_clips
    from autocal.verify.check_result import AXES
    from autocal.verify.check_words import as_data, sentence

    settings = order.settings
    assert isinstance(settings, CheckSettings)
    progress("check", 0, 1)
    with open_footage([order.clip]) as footage:
        half_size = footage.half_size
    known = load_any(settings.calibration, half_size=half_size, baseline_mm=settings.baseline_mm)
    checked = check_clips(known, [order.clip], windows=settings.windows, seed=settings.seed)
    data = as_data(checked)
    numbers: dict[str, float | int | str | None] = {}
    for axis in AXES:
        numbers[f"{axis}_deg"] = data["remaining_rotation_deg"][axis]
        numbers[f"{axis}_sigma_deg"] = data["sigma_deg"][axis]
    numbers |= {
        "size_percent": data["size_percent"]["value"],
        "vertical_median_arcmin": data["vertical_disparity_arcmin"]["median_absolute"],
        "vertical_p95_arcmin": data["vertical_disparity_arcmin"]["p95"],
        "far_edge_arcmin": data["far_plane"]["edge_arcmin"],
        "comfort": data["comfort"]["grade"] or None,
        "matches": data["matches"],
    }
    result = _row(order, checked.verdict, sentence(checked), numbers, "report.html")
    progress("report", 0, 1)
    with whole_folder(order.folder, overwrite=order.overwrite) as folder:
        write_check_report(folder, checked, known, settings.calibration.name, [order.clip])
        (folder / "check.json").write_text(json.dumps(data, indent=1, allow_nan=False))
        write_record(folder / RECORD, order, result)
    return result


def solve_clip(order: ClipOrder, *, progress: Progress) -> ClipResult:
    """Calibrate from a clip; writes what `autocal solve --report` writes. Raises what solving raises."""
    from autocal import SolveOptions
    from autocal.exchange.any_file import load_any
    from autocal.report.page_solve import write_solve_report
    from autocal.report.solved_files import SolvedFiles
    from autocal.report.verdict import verdict_json, verdict_lines
    from autocal.solving import solve

    settings = order.settings
    assert isinstance(settings, SolveSettings)
    options = SolveOptions(
        **settings.options,
        start=load_any(settings.start) if settings.start else None,
        made=datetime.now().astimezone().isoformat(timespec="seconds"),
    )
    with whole_folder(order.folder, overwrite=order.overwrite) as folder:
        solved = solve([order.clip], options=options, progress=progress)
        with ThreadPoolExecutor(1) as drawing:
            SolvedFiles(folder, settings.size, drawing).write(solved, progress)
        write_solve_report(folder, solved, map_height=settings.size[1])
        data = verdict_json(solved.calibration)
        numbers: dict[str, float | int | str | None] = {}
        for axis, value in data["relative_rotation_deg"].items():
            numbers[f"{axis}_deg"] = value
            numbers[f"{axis}_sigma_deg"] = data["sigma_deg"][axis]
        vertical = data["vertical_disparity_arcmin"] or {}
        numbers |= {
            "focal_ratio": data["focal_ratio"],
            "vertical_before_arcmin": vertical.get("before"),
            "vertical_after_arcmin": vertical.get("after"),
            "vertical_p95_arcmin": vertical.get("p95"),
            "map_sigma_deg": data["map_sigma_deg"],
            "unseen_matches": vertical.get("unseen_matches"),
        }
        result = _row(order, "solved", verdict_lines(solved.calibration)[0], numbers, "report.html")
        write_record(folder / RECORD, order, result)
    return result


def plan_clip(order: ClipOrder, *, progress: Progress) -> FilmPlan:
    """Look a clip over for its film. Doing it again changes nothing."""
    assert isinstance(order.settings, FilmOrder)
    progress("look over", 0, 1)
    try:
        order.folder.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise OutputError(f"{order.folder} cannot be made: {problem.strerror or problem}") from problem
    # Where the film is there already, its end came but the news of it was lost with a worker.
    overwrite = order.overwrite or finished_result(order) is not None
    return plan_film(order.settings, overwrite=overwrite)


def make_piece(plan: FilmPlan, piece: Piece, *, progress: Progress) -> None:
    """Make one piece of a film."""
    render_pieces(plan, (piece,), progress=progress)


def finish_clip(order: ClipOrder, plan: FilmPlan, *, progress: Progress) -> ClipResult:
    """Join a film's pieces. Where that was done and only the news of it was lost, tells it again."""
    if plan.missing and (known := finished_result(order)):
        WorkFolder(plan.order.out).remove()
        return known
    progress("join", 0, 1)
    remove_beside(plan.order.out)
    report = finish_film(plan, overwrite=order.overwrite)
    bad = [
        f"picture {number} at {at:.3f} s was bad: the last good one stands in"
        for number, at in report.repeated
    ]
    if report.missing_end_s:
        bad.append(f"the clip ends {report.missing_end_s:.3f} s earlier than it says")
    numbers: dict[str, float | int | str | None] = {
        "pictures": report.pictures,
        "pictures_repeated": len(report.repeated),
        "missing_end_s": report.missing_end_s,
        "pictures_from_earlier_run": report.resumed,
    }
    words = "; ".join(bad) or "every picture of the clip is in the film"
    result = _row(order, "repaired" if bad else "rendered", words, numbers, report.out.name)
    with whole_file(order.folder / RECORD, overwrite=True) as beside:
        write_record(beside, order, result)
    return result


def _row(
    order: ClipOrder,
    state: State,
    message: str,
    numbers: dict[str, float | int | str | None],
    file: str,
) -> ClipResult:
    return ClipResult(str(order.clip), order.name, state, message, numbers, f"{order.folder.name}/{file}")


def failed(order: ClipOrder, failure: Failure) -> ClipResult:
    """The row of a clip that failed."""
    return ClipResult(str(order.clip), order.name, "failed", failure.message)
