"""Plain data of a batch: what is to be done to each clip, and what came of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from autocal.render.film import FilmOrder

Do = Literal["check", "solve", "render"]
State = Literal["holds", "drifted", "cannot-tell", "solved", "rendered", "repaired", "failed"]

_WELL: tuple[State, ...] = ("holds", "solved", "rendered")


@dataclass(frozen=True)
class CheckSettings:
    """How clips are checked. baseline_mm: where the calibration does not say."""

    calibration: Path
    windows: int = 16
    baseline_mm: float | None = None
    seed: int = 0


@dataclass(frozen=True)
class SolveSettings:
    """How clips are solved.

    start: an earlier calibration. options: fields of `autocal.SolveOptions`, without start and made.
    size: (width, height) px of the ST map.
    """

    start: Path | None = None
    options: dict[str, Any] = field(default_factory=dict)
    size: tuple[int, int] = (8192, 4096)


@dataclass(frozen=True)
class ClipOrder:
    """One clip's part of a batch. folder: for its results, named as the clip is; paths are absolute."""

    clip: Path
    name: str
    folder: Path
    settings: CheckSettings | SolveSettings | FilmOrder
    overwrite: bool = False


@dataclass(frozen=True)
class ClipResult:
    """A row of the table.

    message: in words. numbers: by name, units in the names; None where not known. file: the report or film,
    relative to the folder of the whole batch, or "".
    """

    clip: str
    name: str
    state: State
    message: str
    numbers: dict[str, float | int | str | None] = field(default_factory=dict)
    file: str = ""

    @property
    def is_well(self) -> bool:
        """Whether nothing about the clip asks for attention."""
        return self.state in _WELL


@dataclass(frozen=True)
class Failure:
    """Why a task failed. trace: where in the program, if it is a fault of the program."""

    message: str
    trace: str = ""
