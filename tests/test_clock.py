"""Times are written one way and read tolerantly; a clock can be handed in."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest

from drivecare.clock import StillClock, WallClock, format_age, format_timestamp, parse_timestamp

NOON = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)


def test_a_time_is_written_with_its_offset_to_the_second() -> None:
    moment = datetime(2026, 11, 25, 13, 0, 59, 987_654, tzinfo=timezone(timedelta(hours=1)))
    assert format_timestamp(moment) == "2026-11-25T13:00:59+01:00"


def test_a_written_time_reads_back_as_the_same_moment_with_its_own_offset() -> None:
    moment = parse_timestamp("2026-11-25T13:00:00+01:00")
    assert moment == NOON
    assert moment.utcoffset() == timedelta(hours=1)


@pytest.mark.parametrize(
    "text",
    [None, "", "yesterday", "2026-11-25T13:00:00", "0001-01-01T00:00:00+14:00"],
    ids=["missing", "empty", "malformed", "without an offset", "before all time in UTC"],
)
def test_what_names_no_moment_is_unknown(text: str | None) -> None:
    assert parse_timestamp(text) is None


def test_the_machines_clock_states_the_local_time() -> None:
    moment = parse_timestamp(WallClock().timestamp())
    assert moment is not None
    assert abs(datetime.now(UTC) - moment) < timedelta(seconds=5)


def test_a_still_clock_moves_by_sleeping_alone() -> None:
    clock = StillClock(NOON)
    assert clock.now() == clock.now() == NOON
    clock.sleep(61)
    assert clock.timestamp() == "2026-11-25T12:01:01+00:00"


@pytest.mark.parametrize(
    ("past", "words"),
    [
        (timedelta(seconds=30), "just now"),
        (timedelta(seconds=-30), "just now"),  # two clocks of one shop
        (timedelta(minutes=-20), "ahead of this clock"),
        (timedelta(minutes=2), "2 minutes"),
        (timedelta(minutes=119), "119 minutes"),
        (timedelta(hours=2), "2 hours"),
        (timedelta(hours=47), "47 hours"),
        (timedelta(days=2), "2 days"),
        (timedelta(days=400), "400 days"),
    ],
)
def test_age_in_words(past: timedelta, words: str) -> None:
    assert format_age(NOON - past, NOON) == words
