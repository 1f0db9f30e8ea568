"""What is kept out of a solve, and when one prediction of it counts as better than another."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from autocal.solver.holdout import Prediction

TILES, IN_EACH = 17, 300
TILE = np.repeat(np.arange(TILES), IN_EACH)


def misfits(rng: np.random.Generator) -> NDArray[np.float64]:
    """Chi-square with two degrees of freedom: right matches under the right rig."""
    return rng.chisquare(2, TILES * IN_EACH)


def test_a_little_better_everywhere_is_better() -> None:
    good = misfits(np.random.default_rng(0))
    assert Prediction(good, TILE).better_than(Prediction(1.1 * good, TILE))
    assert not Prediction(1.1 * good, TILE).better_than(Prediction(good, TILE))


def test_better_near_the_rim_alone_is_better() -> None:
    rng = np.random.default_rng(0)
    good = misfits(rng)
    elsewhere = good * np.exp(rng.normal(0, 0.01, len(good)))
    assert Prediction(good, TILE).better_than(Prediction(np.where(TILE < 3, 1.5 * good, elsewhere), TILE))


def test_chance_alone_is_rarely_better() -> None:
    """One standard error: a sixth of the time for a normal distribution."""
    rng = np.random.default_rng(1)
    answers = []
    for _ in range(300):
        good = misfits(rng)
        by_tile = np.exp(rng.normal(0, 0.05, TILES))[TILE]
        answers.append(Prediction(good, TILE).better_than(Prediction(good * by_tile, TILE)))
    assert 0.08 < np.mean(answers) < 0.25


def test_what_fits_neither_rig_has_no_say() -> None:
    """A person walks through one part of the picture: how far off those matches are means nothing."""
    rng = np.random.default_rng(2)
    good = misfits(rng)
    person = (TILE == 5) & (rng.random(len(good)) < 0.6)
    better, worse = good.copy(), 1.1 * good
    better[person], worse[person] = 2e4, 1.5e4
    assert Prediction(better, TILE).better_than(Prediction(worse, TILE))
    assert not Prediction(worse, TILE).better_than(Prediction(better, TILE))


def test_a_few_wrong_matches_that_happen_to_fit_have_little_say() -> None:
    rng = np.random.default_rng(3)
    good = misfits(rng)
    by_chance = np.flatnonzero(TILE == 5)[:10]
    better, worse = good.copy(), 1.1 * good
    better[by_chance], worse[by_chance] = 1e6, 0.1
    assert Prediction(better, TILE).better_than(Prediction(worse, TILE))


def test_fewer_than_four_parts_of_the_picture_decide_nothing() -> None:
    good = misfits(np.random.default_rng(0))
    few = TILE < 3
    assert not Prediction(good[few], TILE[few]).better_than(Prediction(2 * good[few], TILE[few]))
    nothing = Prediction(np.zeros(0), np.zeros(0, dtype=np.int64))
    assert not nothing.better_than(nothing)


def test_what_shows_in_one_part_alone_is_better_but_not_clearly() -> None:
    """Near things on one side of the picture, by which the baseline's direction shows."""
    rng = np.random.default_rng(4)
    good = misfits(rng)
    worse = np.where(TILE == 3, 3.0 * good, good * np.exp(rng.normal(0, 0.2, TILES))[TILE])
    better, other = Prediction(good, TILE), Prediction(worse, TILE)
    assert better.better_than(other, clearly=0.0)
    assert not better.better_than(other, clearly=2.0)
    assert not other.better_than(better, clearly=0.0)
