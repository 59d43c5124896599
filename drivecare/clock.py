"""The clock, which is handed in, and times as documents and people state them. This module imports nothing of ours.

A document states a time on the local clock as ISO 8601 with its offset from UTC, to the second. People read it on the
local clock, in plain words.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Protocol


class Clock(Protocol):
    """Tells the time and waits."""

    def now(self) -> datetime:
        """The time with its offset from UTC."""

    def sleep(self, seconds: float) -> None:
        """Let time pass."""

    def timestamp(self) -> str:
        """The time now, as a document states it."""
        return format_timestamp(self.now())


class WallClock(Clock):
    """The machine's clock."""

    def now(self) -> datetime:
        """Local time with its offset."""
        return datetime.now().astimezone()

    def sleep(self, seconds: float) -> None:
        """Wait."""
        time.sleep(seconds)


@dataclass
class StillClock(Clock):
    """A clock that moves only when somebody sleeps by it."""

    at: datetime = field(default_factory=lambda: datetime(2026, 11, 25, 10, 0, tzinfo=UTC))

    def now(self) -> datetime:
        """The time it stands at."""
        return self.at

    def sleep(self, seconds: float) -> None:
        """Move on at once."""
        self.at += timedelta(seconds=seconds)


def format_timestamp(moment: datetime) -> str:
    """A time as a document states it."""
    return moment.isoformat(timespec="seconds")


def parse_timestamp(text: str | None) -> datetime | None:
    """A document's time with its offset; None where it is missing, malformed, without an offset, or before all UTC."""
    try:
        moment = datetime.fromisoformat(text) if text else None
        return moment if moment and moment.tzinfo and moment.astimezone(UTC) else None
    except (ValueError, OverflowError):
        return None


def format_time(moment: str | datetime | None) -> str:
    """A time for people, on the local clock: "25 Nov 2026 10:31"."""
    return _format_local(moment, "%-d %b %Y %H:%M") or "at an unknown time"


def format_day(moment: str | datetime | None) -> str:
    """A date for people, on the local clock: "25 November 2026"."""
    return _format_local(moment, "%-d %B %Y") or "on an unknown day"


def _format_local(moment: str | datetime | None, layout: str) -> str:
    moment = moment if isinstance(moment, datetime) else parse_timestamp(moment)
    return moment.astimezone().strftime(layout) if moment else ""


_AGE_UNITS = ((timedelta(days=2), "day"), (timedelta(hours=2), "hour"), (timedelta(minutes=2), "minute"))


def format_age(since: datetime, now: datetime) -> str:
    """How long ago, in the largest unit that gives at least two: "3 hours"; a time still to come says so."""
    past = now - since
    if past < timedelta(minutes=-5):
        return "ahead of this clock"
    for two_units, unit in _AGE_UNITS:
        if past >= two_units:
            return f"{past // (two_units / 2)} {unit}s"
    return "just now"
