"""A unit's record: steps and trends that are there are found, and no others."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from autocal.calibration import Calibration
from autocal.commands.history import history as command
from autocal.errors import CalibrationFileError
from autocal.geometry import matrix_from_rotation_vector
from autocal.geometry.parameters import NAMES
from autocal.verify.history import Entry, History, findings, histories
from tests.simulation import random_rig

RIG = random_rig(np.random.default_rng(0))
SIGMA_DEG = 0.003
START = datetime(2026, 1, 1, tzinfo=UTC)


def record(pitch_deg: np.ndarray, rng: np.random.Generator, *, every_days: float = 10.0) -> list[Entry]:
    """Calibrations with these pitches put in, and noise as their sigmas say, in yaw, pitch and roll."""
    covariance = np.diag(np.where(np.isin(NAMES, NAMES[:3]), np.deg2rad(SIGMA_DEG) ** 2, 1e-12))
    entries = []
    for i, pitch in enumerate(pitch_deg):
        noise = rng.normal(0, SIGMA_DEG, 3)
        # The rotation vector's x is minus the pitch (the eye is turned, not the world).
        turn = matrix_from_rotation_vector(np.deg2rad(noise - [pitch, 0, 0]))
        rig = replace(RIG, R_right=turn @ RIG.R_right)
        when = START + timedelta(days=every_days * i)
        entries.append(Entry(f"c{i}.json", when, Calibration(rig, covariance=covariance, unit="demo 7")))
    return entries


def only(entries: list[Entry]) -> History:
    (history,) = histories(entries)
    return history


def test_a_quiet_record_raises_no_alarm() -> None:
    alarms = 0
    for seed in range(100):
        history = only(record(np.zeros(8), np.random.default_rng(seed)))
        alarms += bool(history.steps or history.trends)
    # Tested at 1 % over steps and 1 % over trends: two in a hundred are expected.
    assert alarms <= 6


def test_a_knock_is_found_dated_and_measured() -> None:
    history = only(record(np.where(np.arange(8) < 5, 0.0, 0.05), np.random.default_rng(1)))
    (step,) = history.steps
    assert history.trends == ()
    assert (step.quantity, step.after_entry) == ("pitch", 4)
    assert step.size == pytest.approx(0.05, abs=4 * step.sigma)
    assert step.sigma == pytest.approx(SIGMA_DEG * np.sqrt(1 / 5 + 1 / 3), rel=0.02)
    assert "between c4.json (2026-02-10) and c5.json (2026-02-20)" in findings(history)[0]


def test_two_knocks_are_two_steps() -> None:
    pitch = np.select([np.arange(9) < 3, np.arange(9) < 6], [0.0, 0.06], -0.04)
    history = only(record(pitch, np.random.default_rng(2)))
    assert sorted(s.after_entry for s in history.steps) == [2, 5]


def test_a_knock_that_is_mended_is_two_steps_of_one_size() -> None:
    history = only(record(np.where(np.isin(np.arange(6), [2, 3]), 0.2, 0.0), np.random.default_rng(5)))
    (knocked, mended) = history.steps
    assert (knocked.after_entry, mended.after_entry) == (1, 3)
    assert knocked.size == pytest.approx(0.2, abs=4 * knocked.sigma)
    assert mended.size == pytest.approx(-0.2, abs=4 * mended.sigma)
    assert mended.sigma == pytest.approx(SIGMA_DEG, rel=0.02)  # two against two


def test_one_that_differs_is_found_though_it_is_less_sure_than_the_others() -> None:
    entries = record(np.where(np.arange(8) == 4, 0.5, 0.0), np.random.default_rng(6))
    unsure = replace(entries[4].calibration, covariance=400 * entries[4].calibration.covariance)
    entries[4] = replace(entries[4], calibration=unsure)
    history = only(entries)
    assert [s.after_entry for s in history.steps] == [3, 4]
    assert history.steps[0].size == pytest.approx(0.5, abs=4 * history.steps[0].sigma)


def test_what_is_certain_is_told_apart_as_well() -> None:
    """A drift of a hundred sigmas: the chances of both accounts are zero to any precision."""
    history = only(record(0.05 * np.arange(8), np.random.default_rng(7)))
    assert history.steps == ()
    assert [t.quantity for t in history.trends] == ["pitch"]


def test_a_slow_drift_is_a_trend_and_no_step() -> None:
    history = only(record(0.01 * np.arange(8), np.random.default_rng(3)))  # 0.01 degree in 10 days
    assert history.steps == ()
    (trend,) = history.trends
    assert trend.quantity == "pitch"
    assert trend.per_30_days == pytest.approx(0.03, abs=4 * trend.sigma)


def test_files_given_out_of_order_are_put_in_order() -> None:
    entries = record(np.where(np.arange(6) < 3, 0.0, 0.05), np.random.default_rng(4))
    history = only([entries[i] for i in (3, 0, 5, 2, 1, 4)])
    assert [e.label for e in history.entries] == [f"c{i}.json" for i in range(6)]
    assert [s.after_entry for s in history.steps] == [2]


def test_units_are_kept_apart() -> None:
    entries = record(np.zeros(4), np.random.default_rng(5))
    other = [replace(e, calibration=replace(e.calibration, unit="demo 8")) for e in entries[:2]]
    assert [(h.unit, len(h.entries)) for h in histories([*entries, *other])] == [("demo 7", 4), ("demo 8", 2)]


def test_what_states_no_uncertainty_is_shown_and_not_judged() -> None:
    entries = record(np.array([0.0, 5.0]), np.random.default_rng(6))
    blind = [replace(e, calibration=replace(e.calibration, covariance=np.zeros((25, 25)))) for e in entries]
    history = only(blind)
    assert history.steps == ()
    assert "cannot be told" in findings(history)[0]
    assert any("no uncertainty in" in note for note in history.notes)


def test_formats_that_do_not_go_together_are_refused() -> None:
    entries = record(np.zeros(2), np.random.default_rng(7))
    lens = replace(RIG.left, size=(1920, 1536))
    wide = replace(entries[1].calibration, rig=replace(RIG, left=lens, right=lens))
    with pytest.raises(CalibrationFileError, match=r"c1\.json does not go with c0\.json"):
        histories([entries[0], replace(entries[1], calibration=wide)])


def test_one_calibration_is_a_record_too() -> None:
    assert "fewer than two" in findings(only(record(np.zeros(1), np.random.default_rng(8))))[0]


def saved(folder: Path) -> list[str]:
    paths = []
    for entry in record(np.where(np.arange(6) < 3, 0.0, 0.05), np.random.default_rng(9)):
        path = folder / entry.label
        replace(entry.calibration, made=entry.when.isoformat()).save(path)
        paths.append(str(path))
    return paths


def test_the_command_tells_people_and_machines_the_same(tmp_path: Path) -> None:
    paths = saved(tmp_path)
    document = json.loads(CliRunner().invoke(command, [*paths, "--json"]).output)
    (unit,) = document["units"]
    assert unit["unit"] == "demo 7"
    assert [s["after_entry"] for s in unit["steps"]] == [2]
    assert unit["entries"][1]["when"] == "2026-01-11T00:00:00+00:00"
    text = CliRunner().invoke(command, paths).output
    assert "pitch changed by" in text


def test_a_date_that_is_none_is_refused(tmp_path: Path) -> None:
    calibration = record(np.zeros(1), np.random.default_rng(0))[0].calibration
    replace(calibration, made="last Tuesday").save(tmp_path / "c.json")
    result = CliRunner().invoke(command, [str(tmp_path / "c.json")])
    assert isinstance(result.exception, CalibrationFileError)


def test_the_command_cuts_neither_names_nor_numbers_on_a_terminal_of_80_columns(tmp_path: Path) -> None:
    files = []
    for day in (1, 20):
        folder = tmp_path / f"2026-11-{day:02}-after-a-knock-on-the-way-home"
        folder.mkdir()
        made = f"2026-11-{day:02}T12:00:00+00:00"
        calibration = Calibration(RIG, covariance=1e-6 * np.eye(25), made=made)
        calibration.save(folder / "calibration.json")
        files.append(str(folder / "calibration.json"))
    result = CliRunner().invoke(command, files, env={"COLUMNS": "80"})
    assert result.exit_code == 0
    assert "…" not in result.output
    assert all(f"{number}: {file}\n" in result.output for number, file in enumerate(files, 1))
    assert "2026-11-20" in result.output
