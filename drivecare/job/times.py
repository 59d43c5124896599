"""Times in a job: ISO 8601 with offset in files, the local clock and plain words for people."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

_STEPS = ((timedelta(days=2), "day"), (timedelta(hours=2), "hour"), (timedelta(minutes=2), "minute"))


def stamp(now: datetime | None = None) -> str:
    """The time as it is written into documents: UTC, whole seconds."""
    return (now or datetime.now(UTC)).astimezone(UTC).isoformat(timespec="seconds")


def moment(text: str | None) -> datetime | None:
    """A document's time; None where there is none or it is no time. Without an offset it is taken as local."""
    try:
        return datetime.fromisoformat(text).astimezone(UTC) if text else None
    except (ValueError, OverflowError, OSError):
        return None


def said(text: str | datetime | None) -> str:
    """A time for people, on the local clock: "25 Nov 2026 10:31"."""
    time = text if isinstance(text, datetime) else moment(text)
    return f"{time.astimezone():%-d %b %Y %H:%M}" if time else "at an unknown time"


def day(text: str | datetime | None) -> str:
    """A date for people: "25 November 2026"."""
    time = text if isinstance(text, datetime) else moment(text)
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
