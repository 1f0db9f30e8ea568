"""The report: one self-contained HTML page, made of a verdict and sections of plain data.

The page needs no network and no other file: pictures, styles and script are inside it, and its own
content security policy forbids everything else. How sections look is up to `templates/`.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, Final, Literal

from autocal.errors import OutputError
from autocal.report.page_table import Table, as_csv, as_json, shown
from autocal.version import program_version
from autocal.whole_file import whole_file

if TYPE_CHECKING:
    from jinja2 import Environment

State = Literal["good", "caution", "bad", "unknown", "result"]

REPORT_NAME: Final = "report.html"


@dataclass(frozen=True)
class Verdict:
    """What the person came for. state: chooses the sign beside it; more: what qualifies the sentence."""

    state: State
    sentence: str
    more: tuple[str, ...] = ()


@dataclass(frozen=True)
class KeyFigure:
    """One of the few numbers at the top. note: its uncertainty, or what it is compared with."""

    label: str
    value: str
    note: str = ""


@dataclass(frozen=True)
class Image:
    """A picture inside the page. uri: a data URI; alt: what it shows, for who cannot see it."""

    uri: str
    alt: str
    width: int
    height: int


@dataclass(frozen=True)
class Look:
    """One way to look at a place: anaglyph, left eye, right eye; in the first state and in the second."""

    name: str
    before: Image
    after: Image


@dataclass(frozen=True)
class Place:
    """A part of the view. note: how large it is and at what scale."""

    name: str
    note: str
    looks: tuple[Look, ...]


@dataclass(frozen=True)
class Views:
    """Places to look at in two states, with a wipe and a blink; every place has the same looks."""

    title: str
    intro: str
    places: tuple[Place, ...]
    states: tuple[str, str] = ("before", "after")
    kind: ClassVar[str] = "views"


@dataclass(frozen=True)
class Panel:
    """One drawing: an SVG element that is safe to put in the page as it is, or a picture."""

    drawing: str | Image
    alt: str
    caption: str = ""
    wide: bool = False

    @property
    def is_svg(self) -> bool:
        """Whether `drawing` is an SVG element."""
        return isinstance(self.drawing, str)


@dataclass(frozen=True)
class Figure:
    """Drawings, side by side where there is room. notes: what to see in them."""

    title: str
    intro: str
    panels: tuple[Panel, ...]
    notes: tuple[str, ...] = ()
    kind: ClassVar[str] = "figure"


@dataclass(frozen=True)
class Point:
    """One entry of a list: what it is about, and what to know or do."""

    head: str
    text: str
    action: str = ""


@dataclass(frozen=True)
class Points:
    """A list in words: what was held, what to film next, cautions."""

    title: str
    intro: str
    points: tuple[Point, ...]
    kind: ClassVar[str] = "points"


Section = Views | Figure | Points | Table


def page(
    title: str,
    verdict: Verdict,
    sections: Sequence[Section],
    *,
    figures: Sequence[KeyFigure] = (),
    facts: Sequence[tuple[str, str]] = (),
) -> str:
    """The whole page as HTML.

    title: what was looked at, e.g. "Calibration of unit-7"; figures: the numbers under the verdict;
    facts: where it all came from (files, frames, dates), for the foot of the page.
    """
    environment = _environment()
    script = environment.get_template("report.js").render()
    return environment.get_template("report.html.j2").render(
        title=title,
        verdict=verdict,
        figures=figures,
        sections=[(f"section-{number}", section) for number, section in enumerate(sections, 1)],
        facts=facts,
        version=program_version(),
        style=_trusted(environment.get_template("report.css").render()),
        script=_trusted(script),
        script_hash=base64.b64encode(hashlib.sha256(script.encode()).digest()).decode(),
    )


def write_page(folder: str | Path, html: str, *, overwrite: bool = False, name: str = REPORT_NAME) -> Path:
    """Write `report.html`, or `name`, in `folder`, which is made if need be, and return its path.

    Raises OutputError where it cannot be written, or exists and may not be replaced.
    """
    folder = Path(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise OutputError(
            f"{folder} cannot be made: {problem.strerror or problem}; choose another place"
        ) from problem
    path = folder / name
    with whole_file(path, overwrite=overwrite) as beside:
        beside.write_text(html, encoding="utf-8")
    return path


@cache
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("autocal.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=False,
    )
    environment.filters["trusted"] = _trusted
    environment.filters["csv_uri"] = lambda table: _data_uri("text/csv", as_csv(table))
    environment.filters["json_uri"] = lambda table: _data_uri("application/json", as_json(table))
    environment.filters["shown"] = shown
    return environment


def _trusted(markup: str) -> str:
    """Markup of our own making, which needs no escaping."""
    from markupsafe import Markup

    return Markup(markup)


def _data_uri(kind: str, text: str) -> str:
    return f"data:{kind};charset=utf-8;base64,{base64.b64encode(text.encode()).decode()}"
