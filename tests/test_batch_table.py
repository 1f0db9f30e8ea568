"""One table of results: for spreadsheets, for people, for machines."""

from __future__ import annotations

import csv
import json
from html.parser import HTMLParser
from pathlib import Path

import pytest

from autocal.batch.orders import ClipResult
from autocal.batch.table import as_data, in_words, index_page, write_table
from autocal.errors import OutputError

RESULTS = [
    ClipResult(
        "/day/a b/take 1.mp4",
        "take 1",
        "holds",
        "fine",
        {"yaw_deg": -0.0125, "matches": 12},
        "take 1/report.html",
    ),
    ClipResult(
        "/day/<b>&.mp4", "<b>&", "drifted", 'pitch, since "noon"', {"yaw_deg": None}, "<b>&/report.html"
    ),
    ClipResult("/day/broken.mp4", "broken", "failed", "not a film; copy it again", {}),
]


class _Links(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.hrefs: list[str] = []
        self.tags: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.hrefs += [value or "" for name, value in attrs if name == "href"]


def test_csv_holds_every_clip_and_number(tmp_path: Path) -> None:
    table, index = write_table(tmp_path, "check", RESULTS, [])
    assert (table.name, index.name) == ("results.csv", "index.html")
    with table.open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["clip"] for row in rows] == [result.clip for result in RESULTS]
    assert [row["message"] for row in rows] == [result.message for result in RESULTS]
    assert [row["yaw_deg"] for row in rows] == ["-0.0125", "", ""]
    assert rows[0]["matches"] == "12"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["index.html", "results.csv"]


def test_page_leads_to_each_report_and_needs_no_other_file() -> None:
    parser = _Links()
    html = index_page("check", RESULTS, [("Calibration", "unit.json")])
    parser.feed(html)
    assert "take%201/report.html" in parser.hrefs
    assert "%3Cb%3E%26/report.html" in parser.hrefs
    outside = [href for href in parser.hrefs if "://" in href]
    assert outside == []
    assert "b" not in parser.tags  # a file's name is no markup
    assert "img" not in parser.tags
    assert "not a film; copy it again" in html


@pytest.mark.parametrize(
    ("results", "state"), [(RESULTS, "bad"), (RESULTS[:1], "good"), (RESULTS[1:2], "bad")]
)
def test_verdict_is_as_good_as_the_worst_clip(results: list[ClipResult], state: str) -> None:
    assert f'class="verdict {state}"' in index_page("check", results, [])


def test_words_count_every_clip() -> None:
    assert in_words(RESULTS) == "3 clips: 1 holds; 1 drifted; 1 failed."


def test_machines_get_it_as_plain_data(tmp_path: Path) -> None:
    data = json.loads(json.dumps(as_data("check", RESULTS, tmp_path), allow_nan=False))
    assert data["all_well"] is False
    assert data["clips"][0]["numbers"] == {"yaw_deg": -0.0125, "matches": 12}


def test_a_table_that_is_there_is_not_replaced_unasked(tmp_path: Path) -> None:
    write_table(tmp_path, "check", RESULTS[:1], [])
    before = (tmp_path / "results.csv").read_bytes()
    with pytest.raises(OutputError, match=r"results\.csv exists"):
        write_table(tmp_path, "check", RESULTS, [])
    assert (tmp_path / "results.csv").read_bytes() == before
    write_table(tmp_path, "check", RESULTS, [], overwrite=True)
    assert (tmp_path / "results.csv").read_bytes() != before
