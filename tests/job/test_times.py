"""Times in plain words."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from drivecare.job.times import age

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)


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
    assert age(NOW - past, NOW) == words
