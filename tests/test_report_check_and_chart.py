"""The reports of a check and of a chart: what they say is what was put in."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from autocal.calibration import Calibration
from autocal.chart.calibrate import ChartResult
from autocal.geometry import matrix_from_rotation_vector
from autocal.geometry.parameters import NAMES
from autocal.report.page_chart import chart_page
from autocal.report.page_check import check_page
from autocal.verify.check import check_pairs
from autocal.verify.clip_pairs import ClipPairs, Moment
from tests.simulation import SIZE, random_points, random_rig, simulate, walk
from tests.test_chart_bundle import BOARD, seen, true_state
from tests.test_report_page import Elements

SURE = np.diag(np.where([name.startswith("rotation") for name in NAMES], 1e-5, 1e-7) ** 2)


def take(rng: np.random.Generator, points: int, *, knocked_deg: float) -> tuple[Calibration, ClipPairs]:
    """A calibration, and exact matches of its rig with the right eye knocked in pitch."""
    rig = random_rig(rng)
    turn = matrix_from_rotation_vector(np.deg2rad([-knocked_deg, 0.0, 0.0]))
    now = replace(rig, R_right=turn @ rig.R_right)
    frames = 8
    pairs = simulate(rng, now, walk(frames), random_points(rng, points), noise_px=0.2).matches.eye_pairs()
    moments = tuple(Moment(0, 10 * i, 0.4 * i, i) for i in range(frames))
    return Calibration(rig, covariance=SURE), ClipPairs(pairs, SIZE, (), moments)


def state_of(html: str) -> str:
    """Which sign stands beside the verdict."""
    (kind,) = [a["class"] for _, a in Elements(html).elements if a.get("class", "").startswith("verdict ")]
    return kind.removeprefix("verdict ")


@pytest.mark.parametrize(
    ("points", "knocked_deg", "state", "word"),
    [(4000, 0.0, "good", "HOLDS"), (4000, 0.2, "bad", "DRIFTED"), (4, 0.0, "unknown", "CANNOT TELL")],
)
def test_a_check_report_opens_with_the_verdict(
    points: int, knocked_deg: float, state: str, word: str
) -> None:
    calibration, pairs = take(np.random.default_rng(3), points, knocked_deg=knocked_deg)
    result = check_pairs(calibration, pairs)
    html = check_page(result, calibration, "cal.json", ["today.mp4"])
    text = Elements(html).text
    assert state_of(html) == state
    assert word in text
    assert ("Over the take" in text) == (state != "unknown")
    assert ("What is missing" in text) == (state == "unknown")


def test_a_check_report_shows_the_turn_that_was_put_in() -> None:
    calibration, pairs = take(np.random.default_rng(4), 4000, knocked_deg=0.2)
    result = check_pairs(calibration, pairs)
    picture = (np.zeros(SIZE[::-1], np.uint8), np.zeros(SIZE[::-1], np.uint8))
    html = check_page(result, calibration, "cal.json", ["today.mp4"], picture)
    text = Elements(html).text
    pitch = text[text.index("Remaining pitch") :].split("°")[0].split()[-1].replace("−", "-")
    assert float(pitch.removeprefix("pitch")) == pytest.approx(0.2, abs=0.01)
    assert "Blink as it is and corrected" in text


def test_a_chart_report_says_what_was_used() -> None:
    rng = np.random.default_rng(5)
    rig = random_rig(rng)
    views = tuple(seen(rng, rig, true_state(rng, rig, 12), BOARD, 0.2))
    calibration = Calibration(rig, covariance=SURE, warnings=("little of the rim was seen",))
    result = ChartResult(calibration, (0.21, 0.34), (0.3, 0.4), (), views, (), 0, 0.1, 0.05, None)
    html = chart_page(result, calibration, ["12 of 12 frames used"])
    text = Elements(html).text
    assert state_of(html) == "caution"
    assert "Little of the rim was seen." in text
    assert "12 frames of the board agree to 0.21 px in the left eye and 0.34 px in the right." in text
    assert "12 of 12 frames used." in text
    labels = [a["aria-label"] for _, a in Elements(html).elements if a.get("class") == "drawing"]
    corners = [sum(len(view) for view in views if view.eye == eye) for eye in (0, 1)]
    assert f"with {corners[0]} dots" in labels[0]
    assert f"with {corners[1]} dots" in labels[1]
