"""Times for people: on the local clock, in plain words."""

from __future__ import annotations

from datetime import datetime, timedelta

from drivecare.clock import parse_timestamp

_STEPS = ((timedelta(days=2), "day"), (timedelta(hours=2), "hour"), (timedelta(minutes=2), "minute"))


def said(text: str | datetime | None) -> str:
    """A time for people, on the local clock: "25 Nov 2026 10:31"."""
    time = text if isinstance(text, datetime) else parse_timestamp(text)
    return f"{time.astimezone():%-d %b %Y %H:%M}" if time else "at an unknown time"


def day(text: str | datetime | None) -> str:
    """A date for people: "25 November 2026"."""
    time = text if isinstance(text, datetime) else parse_timestamp(text)
    return f"{time.astimezone():%-d %B %Y}" if time else "on an unknown day"


def age(since: datetime, now: datetime) -> str:
    """How long ago in the largest unit of which there are two: "3 hours"; a time ahead of the clock is named so."""
    past = now - since
    if past < timedelta(minutes=-5):
        return "ahead of this clock"
    for least, unit in _STEPS:
        if past >= least:
            return f"{past // (least / 2)} {unit}s"
    return "just now"
