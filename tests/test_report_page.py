"""The pages of the reports: complete in themselves, escaped, true to the numbers, small enough."""

from __future__ import annotations

import base64
import csv
import io
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from autocal.calibration import Quality
from autocal.commands.compare import compare as compare_command
from autocal.commands.history import history as history_command
from autocal.errors import OutputError
from autocal.geometry import matrix_from_rotation_vector
from autocal.geometry.parameters import rig_from_vector, vector_from_rig
from autocal.report.figures_curves import departure_percent, far_histogram, image_height_px
from autocal.report.figures_field import steps_for
from autocal.report.figures_style import jpeg
from autocal.report.page import Figure, Panel, Point, Points, Verdict, page, write_page
from autocal.report.page_history import history_page
from autocal.report.page_solve import solve_page, verdict
from autocal.report.page_table import Cell, Table, as_csv, as_json, shown
from autocal.verify.history import histories
from tests.report_evidence import Evidence, evidence
from tests.test_history import record

MOST_BYTES = 6_000_000  # the promise of every report


@pytest.fixture(scope="module")
def solved() -> Evidence:
    return evidence()


@pytest.fixture(scope="module")
def solve_html(solved: Evidence) -> str:
    return solve_page(solved)


class Elements(HTMLParser):
    """Every element of a page with its attributes, and all text outside scripts and styles."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.text = ""
        self._inside = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._inside = tag
        self.elements.append((tag, {key: value or "" for key, value in attrs}))

    def handle_endtag(self, tag: str) -> None:
        self._inside = ""

    def handle_data(self, data: str) -> None:
        if self._inside not in ("script", "style"):
            self.text += data


def test_a_solve_report_has_every_part(solve_html: str) -> None:
    headings = [
        "Before and after", "Vertical disparity over the field", "The far plane", "Matches", "The lenses",
        "What was held, and what to film next", "The numbers", "Cautions",
    ]  # fmt: skip
    text = Elements(solve_html).text
    places = [text.rindex(heading) for heading in headings]
    assert places == sorted(places)
    assert text.index("Vertical disparity falls from 21′ to 0.50′") < min(places)  # the verdict comes first
    assert "film a scene with texture at the rim" in text
    assert "a baseline of 60 mm".capitalize() in text


def test_nothing_in_the_page_points_outside_it(solve_html: str) -> None:
    links = [
        attributes[key]
        for _, attributes in Elements(solve_html).elements
        for key in ("src", "href", "xlink:href", "srcset", "action", "data")
        if key in attributes
    ]
    assert len(links) > 40
    assert all(link.startswith(("data:", "#")) for link in links)
    assert "@import" not in solve_html
    assert "url(http" not in solve_html


def test_every_picture_has_a_text_and_ids_are_unique(solve_html: str) -> None:
    elements = Elements(solve_html).elements
    pictures = [attributes for tag, attributes in elements if tag == "img"]
    drawings = [attributes for tag, attributes in elements if attributes.get("class") == "drawing"]
    assert len(pictures) == 6 * 3 * 2 + 1
    assert all(len(attributes["alt"]) > 15 for attributes in pictures)
    assert len(drawings) == 7
    assert all(attributes["role"] == "img" and len(attributes["aria-label"]) > 15 for attributes in drawings)
    ids = [attributes["id"] for _, attributes in elements if "id" in attributes]
    assert len(ids) == len(set(ids))


def test_references_inside_drawings_lead_somewhere(solve_html: str) -> None:
    elements = Elements(solve_html).elements
    ids = {attributes["id"] for _, attributes in elements if "id" in attributes}
    references = {
        value.split("#")[1].rstrip(")")
        for _, attributes in elements
        for value in attributes.values()
        if value.startswith(("#", "url(#"))
    }
    assert len(references) >= 10
    assert references <= ids


def test_a_page_with_pictures_of_pure_noise_stays_under_the_promised_size(solve_html: str) -> None:
    # Noise is what JPEG can do least with: no footage is larger.
    assert len(solve_html.encode()) < MOST_BYTES


def test_the_same_solve_makes_the_same_page(solved: Evidence, solve_html: str) -> None:
    assert solve_page(solved) == solve_html


def test_the_downloads_hold_the_numbers_of_the_calibration(solved: Evidence, solve_html: str) -> None:
    links = {
        attributes["download"]: base64.b64decode(attributes["href"].split("base64,")[1]).decode()
        for tag, attributes in Elements(solve_html).elements
        if tag == "a" and "download" in attributes
    }
    rows = {row["quantity"]: row for row in json.loads(links["calibration-numbers.json"])}
    rig = solved.calibration.rig
    np.testing.assert_allclose([rows[n]["value"] for n in ("yaw", "pitch", "roll")], rig.yaw_pitch_roll_deg)
    assert rows["right focal length"]["value"] == pytest.approx(rig.right.focal_px, abs=1e-12)
    assert rows["yaw"]["decided by"] == "footage"
    assert rows["left k3"]["decided by"] == "known before"
    table = list(csv.DictReader(io.StringIO(links["calibration-numbers.csv"])))
    assert [row["quantity"] for row in table] == list(rows)
    assert float(table[0]["sigma"]) == rows["yaw"]["sigma"]


def test_names_are_shown_as_they_are_and_never_run() -> None:
    name = "<script>alert('x')</script> & <b>bold</b>"
    html = page(
        name,
        Verdict("good", name),
        [
            Points(name, name, (Point(name, name, name),)),
            Table(name, name, (name,), ((name,),), name),
            Figure(name, name, (Panel("<svg></svg>", name, name),)),
        ],
        facts=[(name, name)],
    )
    elements = Elements(html)
    assert [tag for tag, _ in elements.elements].count("script") == 1
    assert "b" not in [tag for tag, _ in elements.elements]
    assert elements.text.count(name) >= 12


def test_tables_keep_what_is_not_known_apart_from_numbers() -> None:
    rows = (("a, b", Cell(-1.23456, "+.2f", "′"), 1200), ("c", Cell(float("nan")), 0))
    table = Table("t", "", ("name", "value", "count"), rows, "t")
    assert [[shown(entry) for entry in row] for row in rows] == [["a, b", "−1.23′", "1,200"], ["c", "–", "0"]]
    assert list(csv.reader(io.StringIO(as_csv(table)))) == [
        ["name", "value", "count"], ["a, b", "-1.23456", "1200"], ["c", "", "0"],
    ]  # fmt: skip
    assert json.loads(as_json(table))[1] == {"name": "c", "value": None, "count": 0}


def test_a_row_of_the_wrong_length_is_refused() -> None:
    with pytest.raises(ValueError, match="1 entries for 2 columns"):
        Table("t", "", ("a", "b"), (("x",),), "t")


@pytest.mark.parametrize(
    ("quality", "warnings", "state", "word"),
    [
        (Quality(900, 21.0, 0.5, 1.4, 0.2, 0.005), (), "good", "excellent"),
        (Quality(900, 21.0, 0.5, 1.4, 0.2, 0.005), ("little rim",), "caution", "Warning: Little rim."),
        (Quality(900, 21.0, 5.0, 12.0, 0.2, 0.005), (), "caution", "marginal"),
        (Quality(900, 30.0, 9.0, 25.0, 0.2, 0.005), (), "bad", "beyond guidance"),
        (Quality(900, 2.0, 2.5, 3.0, 0.2, 0.005), (), "bad", "does not help"),
        (None, (), "unknown", "nothing was measured"),
    ],
)
def test_the_verdict_follows_what_was_measured(
    solved: Evidence, quality: Quality | None, warnings: tuple[str, ...], state: str, word: str
) -> None:
    said = verdict(replace(solved.calibration, quality=quality, warnings=warnings))
    assert said.state == state
    assert word in " ".join([said.sentence, *said.more])


def test_lens_bands_are_the_spread_of_rigs_drawn_from_the_covariance(solved: Evidence) -> None:
    calibration = solved.calibration
    rng = np.random.default_rng(1)
    vector = vector_from_rig(calibration.rig)
    drawn = rng.multivariate_normal(vector, calibration.covariance, size=1500)
    angle = np.array([10.0, 45.0, 85.0])
    theta = np.deg2rad(angle)
    for eye in (0, 1):
        lenses = [rig_from_vector(v, calibration.rig).lens(eye) for v in drawn]
        heights = np.array([lens.radius_px(theta) for lens in lenses])
        shares = 100 * (heights / (np.array([lens.focal_px for lens in lenses])[:, None] * theta) - 1)
        # The sigma of a sigma from 1500 draws is 1.8 %: 4 sigmas are 7.5 %.
        np.testing.assert_allclose(
            image_height_px(calibration, eye, angle)[1], heights.std(axis=0), rtol=0.075
        )
        np.testing.assert_allclose(
            departure_percent(calibration, eye, angle)[1], shares.std(axis=0), rtol=0.075
        )


def test_the_histogram_says_in_words_what_it_shows() -> None:
    panel = far_histogram(np.array([-2.0, 1.0, 5.0, 30.0]), "h", infinity_arcmin=-0.5)
    assert "4 matches, 25.0% of them below zero" in panel.alt
    assert "-0.5 arcminutes" in panel.alt
    assert "#0101" not in str(panel.drawing)  # every stand-in colour became a variable of the style sheet
    assert "var(--ink)" in str(panel.drawing)


def test_a_scale_fits_what_there_is_to_show() -> None:
    steps = steps_for(np.linspace(0, 0.11, 200))
    assert steps[0] == 0
    assert 0.1 < steps[-1] < 0.2
    assert 4 <= len(steps) <= 10


def test_a_jpeg_keeps_red_and_cyan_apart() -> None:
    import cv2

    stripes = np.zeros((64, 64, 3), np.uint8)
    stripes[::2, :, 0], stripes[1::2, :, 1:] = 255, 255  # red and cyan rows, one pixel high
    data = base64.b64decode(jpeg(stripes, "stripes", most_bytes=100_000).uri.split("base64,")[1])
    back = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)[..., ::-1]
    assert np.abs(back.astype(int) - stripes).mean() < 20  # subsampled colour gives about 100


def test_a_report_is_not_replaced_unasked(tmp_path: Path) -> None:
    html = page("t", Verdict("good", "fine"), [])
    path = write_page(tmp_path / "new" / "folder", html)
    assert path.read_text() == html
    with pytest.raises(OutputError, match="exists already"):
        write_page(path.parent, html)
    assert write_page(path.parent, html, overwrite=True) == path
    assert [p.name for p in path.parent.iterdir()] == ["report.html"]


def test_compare_writes_a_report_and_refuses_to_replace_it(solved: Evidence, tmp_path: Path) -> None:
    a = solved.calibration
    turn = matrix_from_rotation_vector(np.deg2rad([0.1, 0.0, 0.0]))
    b = replace(a, rig=replace(a.rig, R_right=turn @ a.rig.R_right))
    a.save(tmp_path / "a.json")
    b.save(tmp_path / "b.json")
    arguments = [str(tmp_path / "a.json"), str(tmp_path / "b.json"), "--report", str(tmp_path / "out")]
    done = CliRunner().invoke(compare_command, arguments, catch_exceptions=False)
    assert done.exit_code == 0
    text = Elements((tmp_path / "out" / "report.html").read_text()).text
    said = re.search(r"b.json differs from a.json by ([\d.]+)′ rms", text)
    assert said is not None
    # 6′ about x, half in each eye: 3′ sqrt(1 - x²), whose mean square over a hemisphere is 9 (1 - 1/3).
    assert float(said[1]) == pytest.approx(3 * np.sqrt(2 / 3), rel=0.02)
    refused = CliRunner().invoke(compare_command, arguments)
    assert isinstance(refused.exception, OutputError)


def test_history_writes_a_report_that_dates_the_knock(tmp_path: Path) -> None:
    entries = record(np.where(np.arange(8) < 5, 0.0, 0.05), np.random.default_rng(1))
    files = []
    for i, entry in enumerate(entries):
        files.append(tmp_path / f"c{i}.json")
        replace(entry.calibration, made=entry.when.isoformat()).save(files[-1])
    done = CliRunner().invoke(history_command, [*map(str, files), "--report", str(tmp_path / "out")])
    assert done.exit_code == 0, done.output
    text = Elements((tmp_path / "out" / "report.html").read_text()).text
    assert "Pitch changed by" in text
    assert "(2026-02-10)" in text


def test_history_reports_a_drift_as_one() -> None:
    (history,) = histories(record(0.01 * np.arange(8), np.random.default_rng(1)))  # every ten days
    text = Elements(history_page([history])).text
    said = re.search(r"Pitch drifts by (\S+) ± (\S+) deg in 30 days", text)
    assert said is not None
    assert abs(float(said[1]) - 0.03) < 3 * float(said[2])
