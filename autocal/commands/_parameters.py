"""Kinds of option values that several commands take."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Any

import click

from autocal.errors import OutputError

#: Of an ST map or a film where nothing else is asked for: (width, height) px, both views together. It is
#: `autocal.mapping.DEFAULT_SIZE`, written out so that no help has to load what that needs.
FULL_SIZE = (8192, 4096)
#: No picture that is made or read here is wider or higher, px: more would fill any memory.
_LARGEST_SIDE = 16384


class SizeType(click.ParamType):
    """A size in pixels written as WIDTHxHEIGHT."""

    name = "WxH"

    def get_metavar(self, param: click.Parameter, ctx: click.Context | None = None) -> str:
        """As it is written in help, where click would make it all capitals."""
        return self.name

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[int, int]:
        """(width, height), px."""
        if isinstance(value, tuple):
            return value
        match = re.fullmatch(r"(\d{1,6})[xX](\d{1,6})", str(value).strip())
        if not match or "0" in match.groups():
            self.fail(f"{value!r} is no size: write it like 8192x4096", param, ctx)
        width, height = int(match[1]), int(match[2])
        if max(width, height) > _LARGEST_SIDE:
            self.fail(f"{value!r} is too large: at most {_LARGEST_SIDE} px each way", param, ctx)
        return width, height


class NumberRange(click.FloatRange):
    """A number within bounds; NaN, which no comparison tells from one within, is none."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number."""
        number: float = super().convert(value, param, ctx)
        if number != number:
            self.fail(f"{value!r} is no number", param, ctx)
        return number


#: The distance between two lenses or eyes, mm.
BASELINE_MM = NumberRange(min=1, max=2000)
#: What random generators are begun with.
SEED = click.IntRange(min=0)


def half_of_frame(frame_size: tuple[int, int] | None) -> tuple[int, int] | None:
    """The size of one eye's half of a side-by-side frame. Raises BadParameter on an odd width."""
    if frame_size is None:
        return None
    width, height = frame_size
    if width % 2:
        raise click.BadParameter(f"a side-by-side frame has an even width, not {width}")
    return width // 2, height


def refuse_existing(path: Path, force: bool) -> None:
    """Raise OutputError when `path` is there and may not be replaced."""
    if path.exists() and not force:
        raise OutputError(f"{path} exists already: choose another name, or replace it with --force")


report_option = click.option(
    "--report", type=click.Path(path_type=Path), metavar="DIR", help="Write report.html there as well."
)
force_option = click.option("--force", is_flag=True, help="Replace a report that is there already.")


def refuse_report(report: Path | None, force: bool) -> None:
    """Raise OutputError, before any work is done, when the report may not be written."""
    if report is not None:
        from autocal.report.page import REPORT_NAME

        refuse_no_folder(report)
        refuse_existing(report / REPORT_NAME, force)


def refuse_no_folder(folder: Path) -> None:
    """Raise OutputError, before any work is done, where no folder of this name is or can be made."""
    there = next(path for path in (folder, *folder.absolute().parents) if path.exists())
    if not there.is_dir():
        raise OutputError(f"{there} is a file, not a folder: choose another name")
    if not os.access(there, os.W_OK):
        raise OutputError(f"{there} may not be written to: choose another place")
