"""Reading ahead: in order, never far, and over when told."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from autocal.ahead import Ahead
from autocal.footage import open_footage
from tests.footage_clips import number_of, numbered, write_video


class Counted:
    """Numbers, and how many of them were got; from `breaks` on there is an error instead."""

    def __init__(self, many: int, breaks: int | None = None) -> None:
        self.got = 0
        self._many, self._breaks = many, breaks

    def __iter__(self) -> Iterator[int]:
        for number in range(self._many):
            if number == self._breaks:
                raise ValueError("broken")
            self.got += 1
            yield number


def test_all_come_in_order() -> None:
    assert list(Ahead(Counted(20), 3)) == list(range(20))
    assert list(Ahead(Counted(2), 3)) == [0, 1]
    assert list(Ahead(Counted(0), 3)) == []


def test_it_is_never_further_ahead_than_told() -> None:
    numbers = Counted(100)
    reading = Ahead(numbers, 3)
    for taken in range(1, 50):
        next(reading)
        assert numbers.got <= taken + 3
    reading.close()


def test_an_error_is_raised_where_its_item_is_asked_for() -> None:
    reading = Ahead(Counted(20, breaks=2), 4)
    assert [next(reading), next(reading)] == [0, 1]
    with pytest.raises(ValueError, match="broken"):
        next(reading)
    assert list(reading) == []


def test_closed_it_ends_and_leaves_no_thread() -> None:
    before = threading.active_count()
    numbers = Counted(100)
    reading = Ahead(numbers, 3)
    next(reading)
    reading.close()
    got = numbers.got
    assert list(reading) == []
    assert numbers.got == got <= 4
    assert threading.active_count() == before


def test_footage_closed_in_the_middle_of_a_burst_stops_reading(tmp_path: Path) -> None:
    clip = write_video(tmp_path / "a.mp4", [numbered(i) for i in range(12)], gop=6)
    with open_footage([clip]) as footage:
        first = next(footage.bursts(footage.choose(12)))
        assert number_of(next(first).halves[0]) == 0
    assert list(first) == []


def test_a_single_picture_may_be_asked_for_while_bursts_are_read(tmp_path: Path) -> None:
    """It ends their reading: one decoder cannot be at two places."""
    clip = write_video(tmp_path / "a.mp4", [numbered(i) for i in range(12)], gop=6)
    with open_footage([clip]) as footage:
        first = next(footage.bursts(footage.choose(12)))
        next(first)
        assert number_of(footage.picture(0, 9)[0]) == 9
        assert list(first) == []
