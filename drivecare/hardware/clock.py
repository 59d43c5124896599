"""Time as a thing that can be handed in: the real clock, and one for tests that never waits."""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Protocol


class Clock(Protocol):
    """Tells the time and waits."""

    def now(self) -> datetime:
        """The time with its offset from UTC."""
        ...

    def sleep(self, seconds: float) -> None:
        """Let time pass."""
        ...


class WallClock:
    """The machine's clock."""

    def now(self) -> datetime:
        """Local time with its offset."""
        return datetime.now().astimezone()

    def sleep(self, seconds: float) -> None:
        """Wait."""
        time.sleep(seconds)


@dataclass
class StillClock:
    """A clock that moves only when somebody sleeps by it."""

    at: datetime = field(default_factory=lambda: datetime(2026, 11, 25, 10, 0, tzinfo=UTC))

    def now(self) -> datetime:
        """The time it stands at."""
        return self.at

    def sleep(self, seconds: float) -> None:
        """Move on at once."""
        self.at += timedelta(seconds=seconds)
