"""The report of a comparison: what it means for the picture first, then number by number."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from autocal.calibration import Calibration
from autocal.report.figures_field import size_disc, steps_for, vertical_disc
from autocal.report.figures_views import views
from autocal.report.page import Figure, KeyFigure, Panel, Section, Verdict, page, write_page
from autocal.report.page_parts import cautions
from autocal.report.page_table import Cell, Entry, Table
from autocal.report.pictures_views import Half
from autocal.verify.compare import Comparison, zones
from autocal.verify.compare_on import ClipFit
from autocal.verify.compare_words import clip_sentence, sentence


@dataclass(frozen=True, eq=False)
class Compared:
    """One calibration set against the first. name: of its file; fit: how both fit a clip."""

    name: str
    calibration: Calibration
    comparison: Comparison
    fit: ClipFit | None = None


def compare_page(
    name_a: str, a: Calibration, others: Sequence[Compared], picture: tuple[Half, Half] | None = None
) -> str:
    """The page. name_a, a: what the others are compared with; picture: left and right eye of a frame."""
    sections: list[Section] = []
    words: list[str] = []
    for number, b in enumerate(others):
        words.append(sentence(b.comparison, name_a, b.name))
        if b.fit is not None:
            words.append(clip_sentence(b.fit, name_a, b.name))
        if picture is not None and number == 0:  # one pair of views fills the page; more would not fit
            sections.append(_views(name_a, a, b, picture))
        sections += [
            _maps(b, name_a, number),
            _zones(b, number),
            _numbers(b, name_a, number),
        ]
        if b.comparison.tests:
            sections.append(_tests(b, number))
    first = others[0].comparison
    notes = [note for b in others for note in b.comparison.notes]
    warnings = [f"of {b.name}: {text}" for b in others for text in b.calibration.warnings]
    assumed = [f"for {b.name}: {text}" for b in others for text in b.calibration.assumed]
    sections.append(cautions(warnings, assumed, notes))
    names = ", ".join(b.name for b in others)
    return page(
        f"{names} against {name_a}",
        Verdict("result", _readable(words[0]), tuple(map(_readable, words[1:]))),
        sections,
        figures=_key_figures(first),
        facts=[("Compared with", name_a), ("Compared", names)],
    )


def write_compare_report(
    folder: str | Path,
    name_a: str,
    a: Calibration,
    others: Sequence[Compared],
    *,
    clips: Sequence[Path] = (),
    overwrite: bool = False,
) -> Path:
    """Write `report.html` in `folder`, with a frame of the first clip in it if there is one.

    Raises OutputError as `write_page` does, FootageError where a clip cannot be read.
    """
    picture = None
    if clips:
        from autocal.report.page_footage import one_picture

        picture = one_picture(clips[:1], swapped=a.swapped)
    return write_page(folder, compare_page(name_a, a, others, picture), overwrite=overwrite)


def _views(name_a: str, a: Calibration, b: Compared, picture: tuple[Half, Half]) -> Section:
    from autocal.exchange.any_file import carried_over

    height, width = picture[0].shape[:2]
    rigs = [carried_over(c, (width, height)).view_rig for c in (a, b.calibration)]
    return views(
        *picture,
        *rigs,
        title=f"{name_a} and {b.name}",
        intro=f"A frame of the clip, mapped by A ({name_a}) and by B ({b.name}). What lies one above the "
        "other is vertical disparity.",
        states=("A", "B"),
    )


def _key_figures(c: Comparison) -> list[KeyFigure]:
    field, vertical, px = c.map_summary(), c.vertical_summary(), c.output_px_per_arcmin
    far = f"{c.far_plane_arcmin:+.1f}′".replace("-", "−")
    return [
        KeyFigure(
            "Map difference, rms", f"{field.rms:.2f}′", f"{field.rms * px:.2f} px of the finished picture"
        ),
        KeyFigure("Map difference, largest", f"{field.largest:.2f}′", f"{field.largest * px:.1f} px"),
        KeyFigure(
            "Vertical disparity caused", f"{vertical.rms:.2f}′", f"rms; at most {vertical.largest:.1f}′"
        ),
        KeyFigure("Far plane moved", far, "negative: eyes would diverge"),
    ]


def _maps(b: Compared, name_a: str, number: int) -> Figure:
    c = b.comparison
    steps = steps_for(c.difference_arcmin[0])
    label = "map difference"
    panels: list[Panel] = [
        size_disc(
            c.difference_arcmin[eye],
            c.field,
            f"map-{number}-{eye}",
            f"{name} eye",
            "Arrows: where B says that A's pixels look, drawn much too long.",
            label,
            steps,
            arrows_deg=c.difference_deg[eye],
        )
        for eye, name in enumerate(("Left", "Right"))
    ]
    caption = "Of far things, that B leaves where A has none."
    panels.append(vertical_disc(c.vertical_arcmin, c.field, f"map-{number}-v", "Vertical disparity", caption))
    return Figure(
        f"Over the field: {b.name}",
        f"Where {b.name} (B) differs from {name_a} (A), after the one rotation common to both eyes; a "
        "ring every "
        "30° off the middle.",
        tuple(panels),
    )


def _zones(b: Compared, number: int) -> Table:
    c, px = b.comparison, b.comparison.output_px_per_arcmin
    rows: list[tuple[Entry, ...]] = []
    for name, zone in zones():
        m, v = c.map_summary(zone), c.vertical_summary(zone)
        rows.append(
            (
                name.replace("degrees", "°").replace(" °", "°"),
                *(Cell(value, ".2f", "′") for value in (m.rms, m.p95, m.largest)),
                Cell(m.rms * px, ".2f"),
                *(Cell(value, ".2f", "′") for value in (v.rms, v.p95, v.largest)),
            )
        )
    columns = (
        "zone", "map rms", "map 95 in 100", "map largest", "map rms, output px",
        "vertical rms", "vertical 95 in 100", "vertical largest",
    )  # fmt: skip
    intro = "Arcminutes, weighted by solid angle; output px for an 8192 px wide picture."
    return Table(f"By zone: {b.name}", intro, columns, tuple(rows), f"zones-{number + 1}")


def _numbers(b: Compared, name_a: str, number: int) -> Table:
    rows: list[tuple[Entry, ...]] = []
    for p in b.comparison.parameters:
        if p.name.endswith("skew") and not (p.a or p.b):
            continue
        form = {"px": ".3f", "deg": ".4f"}.get(p.unit, ".6f")
        cells = (Cell(value, form) for value in (p.a, p.sigma_a, p.b, p.sigma_b))
        rows.append((p.name, p.unit, *cells, Cell(p.difference, "+" + form), Cell(p.in_sigmas, "+.1f")))
    return Table(
        f"The numbers: {b.name}",
        f"A is {name_a}, B is {b.name}. Single lens terms trade against each other: judge by the field.",
        ("quantity", "unit", "A", "A sigma", "B", "B sigma", "B minus A", "in sigmas"),
        tuple(rows),
        f"compare-numbers-{number + 1}",
        folded=True,
    )


def _tests(b: Compared, number: int) -> Table:
    rows = tuple(
        (t.name, Cell(t.chi_square, ".1f"), t.degrees_of_freedom, Cell(t.p_value, ".2g"),
         "differ" if t.differs else "do not differ")
        for t in b.comparison.tests
    )  # fmt: skip
    return Table(
        f"Noise or difference: {b.name}",
        "Several numbers tested at once, with all that both calibrations say of their uncertainty; "
        "at the 1 % level.",
        ("tested together", "chi-square", "degrees of freedom", "p", "verdict"),
        rows,
        f"tests-{number + 1}",
    )


def _readable(text: str) -> str:
    """Arcminutes with their own sign."""
    return text.replace("'", "′")
