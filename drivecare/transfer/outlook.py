"""When 99 % of a damaged drive will be safe, as it looks so far.

At the earliest, if no more damage is met: what was not reached yet comes at the best pace. At the latest, if damage
goes on as so far: it fails in the same share, and the good of it comes at the mean pace. Where that does not make 99 %,
the rest has to come from what is doubtful, and nobody knows how much of that ever will: the best of it is read first,
so its pace only falls, and what it takes at this pace is the least.
"""

from __future__ import annotations

import math

from drivecare.transfer.medium import Progress

WANTED_SHARE = 0.99
# The pace of so many seconds is one: it is enough reads, and soon there. Our judgement.
_WINDOW_SECONDS = 5.0


class Outlook:
    """The paces of one copy. It is told of the progress as often as there is some; `seconds` only ever grow."""

    def __init__(self) -> None:
        self._mark: tuple[float, int] | None = None
        self._onward, self._coming_back = _Pace(), _Pace()

    def add(self, seconds: float, progress: Progress) -> None:
        """Take in how far the copy is at this time."""
        if self._mark is None:
            self._mark = seconds, progress.done
        elapsed, length = seconds - self._mark[0], progress.done - self._mark[1]
        if elapsed >= _WINDOW_SECONDS:
            self._mark = seconds, progress.done
            (self._onward if progress.promising else self._coming_back).add(elapsed, length)

    def seconds_left(self, progress: Progress) -> tuple[float, float] | None:
        """At least and at most how long until 99 % are safe, infinite where nobody knows; None before there is a pace.

        The first pace is that of what is left to a resume, and so it may be that of damage.
        """
        missing = WANTED_SHARE * progress.total - progress.done
        if missing <= 0:
            return 0.0, 0.0
        best, back = max(self._onward.best, self._coming_back.best), self._coming_back.mean
        if not best:
            return None
        unread = min(missing, progress.promising)
        least = unread / best + (missing - unread) / (back or best)
        failing = progress.doubtful / (progress.done + progress.doubtful)
        enough = missing <= progress.promising * (1 - failing) and self._onward.mean
        return least, missing / self._onward.mean if enough else math.inf


class _Pace:
    """How fast something went so far, in bytes a second."""

    def __init__(self) -> None:
        self._seconds, self._bytes = 0.0, 0
        self.best = 0.0

    def add(self, seconds: float, length: int) -> None:
        """Take in that it went on for so long and brought so many bytes."""
        self._seconds += seconds
        self._bytes += length
        self.best = max(self.best, length / seconds)

    @property
    def mean(self) -> float:
        """0 where nothing came."""
        return self._bytes / self._seconds if self._seconds else 0.0
