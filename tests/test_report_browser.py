"""The report in a real browser: no errors, no network, wipe and blink by pointer and by keyboard, print."""

from __future__ import annotations

import json
import os
import shutil
import socket
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from autocal.report.page_solve import write_solve_report
from tests.report_evidence import evidence

sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
CHROMIUM = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium: install the package chromium")


class Seen:
    """What a page asked for and complained about while it was open."""

    def __init__(self, page: Any) -> None:
        self.requests: list[str] = []
        self.complaints: list[str] = []
        page.on("request", lambda request: self.requests.append(request.url))
        page.on("console", lambda message: self.complaints.append(message.text))
        page.on("pageerror", lambda error: self.complaints.append(str(error)))


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_solve_report(tmp_path_factory.mktemp("report"), evidence(noisy=False))


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with sync_api.sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield chromium
        chromium.close()


@pytest.fixture
def opened(browser: Any, report: Path) -> Iterator[tuple[Any, Seen]]:
    context = browser.new_context(viewport={"width": 1280, "height": 900}, accept_downloads=True)
    page = context.new_page()
    seen = Seen(page)
    page.goto(report.as_uri())
    yield page, seen
    context.close()


#: What is shown, 24 times in 2.4 s.
_SAMPLED = """async () => {
  const shown = [];
  for (let i = 0; i < 24; i++) {
    const clip = getComputedStyle(document.querySelector("img.after.shown")).clipPath;
    shown.push([document.querySelector(".stage").dataset.showing, clip]);
    await new Promise((done) => setTimeout(done, 100));
  }
  return shown;
}"""


def wipe_percent(page: Any) -> float:
    """Where the edge between the two states lies in the picture that is shown."""
    clip = page.evaluate("getComputedStyle(document.querySelector('img.after.shown')).clipPath")
    return float(clip.removeprefix("inset(").removesuffix(")").split()[-1].rstrip("%px"))


def visible_pictures(page: Any) -> list[str]:
    script = "[...document.querySelectorAll('.stage img')].filter(i => i.checkVisibility()).map(i => i.alt)"
    return [str(alt) for alt in page.evaluate(script)]


def test_opens_from_disk_without_a_complaint_and_asks_for_nothing(
    opened: tuple[Any, Seen], report: Path
) -> None:
    page, seen = opened
    page.wait_for_timeout(300)
    for button in page.query_selector_all("button"):
        button.click()
    page.wait_for_timeout(1300)
    assert seen.complaints == []
    assert [url for url in seen.requests if not url.startswith("data:")] == [report.as_uri()]
    broken = "[...document.images].filter(i => !(i.complete && i.naturalWidth)).length"
    assert page.evaluate(broken) == 0
    assert page.evaluate("document.images.length") == 37


def test_the_page_itself_forbids_the_network(opened: tuple[Any, Seen]) -> None:
    page, _ = opened
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(0.5)
        url = f"http://127.0.0.1:{server.getsockname()[1]}/x.png"
        outcome = page.evaluate(
            "url => new Promise(done => { const i = new Image();"
            " i.onload = () => done('loaded'); i.onerror = () => done('refused'); i.src = url; })",
            url,
        )
        assert outcome == "refused"
        with pytest.raises(TimeoutError):
            server.accept()


def test_both_states_share_the_picture_at_the_wipe(opened: tuple[Any, Seen]) -> None:
    page, _ = opened
    assert wipe_percent(page) == 50
    assert visible_pictures(page) == [
        f"Whole view, {state}: red-cyan anaglyph, left eye red, right eye cyan."
        for state in ("before", "after")
    ]


def test_the_wipe_follows_the_pointer(opened: tuple[Any, Seen]) -> None:
    page, _ = opened
    stage = page.locator(".stage")
    stage.scroll_into_view_if_needed()
    box = stage.bounding_box()
    page.mouse.move(box["x"] + 0.5 * box["width"], box["y"] + 50)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.25 * box["width"], box["y"] + 50)
    page.mouse.up()
    page.mouse.move(box["x"] + 0.9 * box["width"], box["y"] + 50)  # let go: no longer followed
    assert wipe_percent(page) == pytest.approx(25, abs=1)
    assert page.locator("input[type=range]").input_value() == "25"


def test_the_wipe_moves_by_keyboard(opened: tuple[Any, Seen]) -> None:
    page, _ = opened
    page.locator("input[type=range]").focus()
    for _ in range(5):
        page.keyboard.press("ArrowLeft")
    assert wipe_percent(page) == 45
    page.keyboard.press("Home")
    assert wipe_percent(page) == 0
    page.locator(".stage").focus()
    page.keyboard.press("ArrowRight")
    assert wipe_percent(page) == 2


def test_blink_shows_the_states_in_turn_and_stops(opened: tuple[Any, Seen]) -> None:
    page, _ = opened
    button = page.get_by_role("button", name="Blink before and after")
    button.focus()
    page.keyboard.press("Enter")
    assert button.get_attribute("aria-pressed") == "true"
    stage = page.locator(".stage")
    shown = page.evaluate(_SAMPLED)
    assert {state for state, _ in shown} == {"before", "after"}
    assert {clip for state, clip in shown if state == "before"} == {"inset(0px 0px 0px 100%)"}
    assert {clip for state, clip in shown if state == "after"} == {"inset(0px 0px 0px 0%)"}
    turns = sum(a != b for a, b in pairwise(shown))
    assert 2 <= turns <= 6  # 2.4 s: WCAG 2.2, 2.3.1 allows no more than three flashes a second
    page.keyboard.press("b")
    assert button.get_attribute("aria-pressed") == "false"
    assert stage.get_attribute("data-showing") == "wipe"


def test_blinking_the_eyes_shows_left_and_right_in_turn(opened: tuple[Any, Seen]) -> None:
    page, _ = opened
    page.locator(".stage").focus()
    page.keyboard.press("e")
    seen = set()
    for _ in range(16):
        seen |= set(visible_pictures(page))
        page.wait_for_timeout(100)
    assert seen == {
        f"Whole view, {state}: {eye} eye." for state in ("before", "after") for eye in ("left", "right")
    }


def test_keys_and_buttons_zoom_to_the_parts(opened: tuple[Any, Seen]) -> None:
    page, _ = opened
    page.locator(".stage").focus()
    page.keyboard.press("3")
    assert visible_pictures(page)[0].startswith("Left edge, before")
    page.get_by_role("radio", name="Right edge").check()
    page.get_by_role("radio", name="Right eye").check()
    assert visible_pictures(page) == [f"Right edge, {state}: right eye." for state in ("before", "after")]


def test_everything_that_acts_is_reached_by_tab(opened: tuple[Any, Seen]) -> None:
    page, _ = opened
    reached = set()
    for _ in range(60):
        page.keyboard.press("Tab")
        reached.add(
            page.evaluate(
                "(e => e.id || e.className || e.name || e.getAttribute('href') || e.tagName)"
                "(document.activeElement)"
            )
        )
    assert {"theme", "blink-states", "blink-eyes", "section-1-place", "section-1-look"} <= reached
    assert any(str(each).startswith("stage") for each in reached)
    assert "SUMMARY" in reached


def test_the_numbers_can_be_downloaded(opened: tuple[Any, Seen], tmp_path: Path) -> None:
    page, _ = opened
    with page.expect_download() as waiting:
        page.get_by_role("link", name="JSON").first.click()
    assert waiting.value.suggested_filename == "calibration-numbers.json"
    waiting.value.save_as(tmp_path / "numbers.json")
    rows = json.loads((tmp_path / "numbers.json").read_text())
    assert rows[0]["quantity"] == "yaw"


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_is_legible_in_light_and_dark(browser: Any, report: Path, scheme: Any) -> None:
    context = browser.new_context(color_scheme=scheme)
    page = context.new_page()
    page.goto(report.as_uri())

    def luminance(variable: str) -> float:
        """Relative luminance as WCAG 2.2 defines it (sRGB)."""
        value = page.evaluate(
            "name => getComputedStyle(document.documentElement).getPropertyValue(name).trim()", variable
        )
        channels = [int(value[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    grounds = [luminance("--page"), luminance("--card")]
    assert (max(grounds) < 0.05) == (scheme == "dark")
    for ink in ("--ink", "--quiet", "--link", "--accent"):
        for ground in grounds:
            low, high = sorted((luminance(ink), ground))
            assert (high + 0.05) / (low + 0.05) >= 4.5, ink  # WCAG 2.2, 1.4.3 (level AA)
    context.close()


def test_a_phone_shows_it_without_scrolling_sideways(browser: Any, report: Path) -> None:
    context = browser.new_context(viewport={"width": 360, "height": 740}, has_touch=True)
    page = context.new_page()
    page.goto(report.as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") == 360
    small = page.evaluate(
        "[...document.querySelectorAll('p, li, dd, dt, td, button, figcaption')]"
        ".filter(e => e.checkVisibility() && parseFloat(getComputedStyle(e).fontSize) < 12).length"
    )
    assert small == 0
    context.close()


def test_paper_gets_every_part_before_and_after_and_all_numbers(browser: Any, report: Path) -> None:
    context = browser.new_context()
    page = context.new_page()
    page.goto(report.as_uri())
    page.emulate_media(media="print")
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    shown = visible_pictures(page)
    assert len(shown) == 12
    assert all("anaglyph" in alt for alt in shown)
    assert page.evaluate("getComputedStyle(document.querySelector('.controls')).display") == "none"
    assert page.evaluate("document.querySelector('details tbody tr').checkVisibility()")
    assert page.evaluate("getComputedStyle(document.querySelector('img.after')).clipPath") == "none"
    assert page.pdf(format="A4")[:5] == b"%PDF-"
    context.close()


def test_without_a_script_both_states_stand_side_by_side(browser: Any, report: Path) -> None:
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(report.as_uri())
    pictures = page.locator(".pair img:visible")
    assert pictures.count() == 12
    first, second = (pictures.nth(i).bounding_box() for i in (0, 1))
    assert first["y"] == second["y"]
    assert second["x"] > first["x"] + 100
    context.close()
