"""Kinds of option values that several commands take."""

from __future__ import annotations

import re
from pathlib import Path

import click

from autocal.errors import OutputError

#: Of an ST map or a film where nothing else is asked for: (width, height) px, both views together.
FULL_SIZE = (8192, 4096)


class SizeType(click.ParamType):
    """A size in pixels written as WIDTHxHEIGHT."""

    name = "WxH"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[int, int]:
        """(width, height), px."""
        if isinstance(value, tuple):
            return value
        match = re.fullmatch(r"(\d{1,6})[xX](\d{1,6})", str(value).strip())
        if not match or "0" in match.groups():
            self.fail(f"{value!r} is no size: write it like 8192x4096", param, ctx)
        return int(match[1]), int(match[2])


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

        refuse_existing(report / REPORT_NAME, force)
