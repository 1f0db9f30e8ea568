"""A clip's record in its folder: by it a batch that was stopped goes on, and nothing is done twice."""

from __future__ import annotations

import hashlib
import json
import shutil
from contextlib import suppress
from dataclasses import asdict
from glob import escape
from pathlib import Path
from typing import Any

from autocal.batch.orders import ClipOrder, ClipResult, SolveSettings
from autocal.render.film import FilmOrder
from autocal.render.work import WorkFolder, file_digest
from autocal.version import program_version

#: What a clip's results were made by, and its row of the table.
RECORD = "batch.json"


def write_record(path: Path, order: ClipOrder, result: ClipResult) -> None:
    """Write a clip's record to `path`."""
    path.write_text(json.dumps({"made_by": identity(order), "result": asdict(result)}, indent=1))


def finished_result(order: ClipOrder) -> ClipResult | None:
    """What came of the same order in an earlier run, if its results are all there."""
    try:
        record = json.loads((order.folder / RECORD).read_text())
        result = ClipResult(**record["result"])
        if record["made_by"] == identity(order) and (order.folder.parent / result.file).is_file():
            return result
    except (OSError, ValueError, TypeError, KeyError):
        return None  # not there, or not ours
    return None


def identity(order: ClipOrder) -> str:
    """A digest of all that a clip's results depend on."""
    settings = order.settings
    calibration = settings.start if isinstance(settings, SolveSettings) else settings.calibration
    try:
        facts: Any = [order.clip.stat().st_size, order.clip.stat().st_mtime_ns]
    except OSError:
        facts = None  # numbered pictures
    everything = {
        "program": program_version(),
        "clip": [str(order.clip), facts],
        "calibration": None if calibration is None else file_digest(calibration),
        "settings": [type(settings).__name__, asdict(settings)],
    }
    return hashlib.sha256(json.dumps(everything, sort_keys=True, default=str).encode()).hexdigest()


def remove_unfinished(order: ClipOrder) -> None:
    """Delete what a killed task left half-written; to be called when nobody works on the clip.

    Finished pieces of a film are kept, so that the same command goes on from there.
    """
    for left in order.folder.parent.glob(f".{escape(order.folder.name)}-????????"):
        shutil.rmtree(left, ignore_errors=True)
    if isinstance(order.settings, FilmOrder) and order.folder.is_dir():
        remove_beside(order.settings.out)
        for part in order.folder.glob(".*.rendering/piece-*.part"):
            part.unlink(missing_ok=True)
        WorkFolder(order.settings.out).remove_if_bare()
        with suppress(OSError):  # holds something
            order.folder.rmdir()


def remove_beside(film: Path) -> None:
    """Delete half-joined copies of a film, named as `whole_file` names them."""
    for left in film.parent.glob(f".{escape(film.stem)}-????????{film.suffix}"):
        left.unlink(missing_ok=True)
