"""What a drive has shown so far, in a few numbers: how long its reads take, how often they fail, how long damage is.

None of it is kept in the journal. A resume begins with what the map shows (the lengths of damage) and with the numbers
below, which give way to this drive's own within a few reads.
"""

from __future__ import annotations

from collections import deque
from statistics import median

# Where a drive has not told yet: a good read of a hard drive, a failed one. Our judgement; a few reads replace them.
_GOOD_SECONDS = 0.01
_FAILED_SECONDS = 1.0
# A mean of about so many reads: long enough to be steady, short enough to follow a drive that changes.
_REMEMBERED_READS = 30
# Extents of damage whose median is the usual one: odd, and few enough for bands that shrink towards the inside.
_REMEMBERED_EXTENTS = 9
# Tries after which the older half of a chance is forgotten.
_REMEMBERED_TRIES = 40
# Below this all is alike; without an end to its fall, every read of a dead area would be judged again for ever.
_LEAST_CHANCE = 1e-4
# A clock may stand still (a simulation) and a cache may answer at once.
_LEAST_SECONDS = 1e-6


class Chance:
    """How often something came out well, the recent past counting more."""

    def __init__(self, good: float, tries: float) -> None:
        self._good, self._tries = good, tries

    @property
    def value(self) -> float:
        """The share that came out well."""
        return max(self._good / self._tries, _LEAST_CHANCE)

    def add(self, good: float) -> None:
        """Count one more try; `good` is 1 where it came out well."""
        self._good += good
        self._tries += 1
        if self._tries > _REMEMBERED_TRIES:
            self._good /= 2
            self._tries /= 2


class Hazard:
    """How often walks meet damage, as a multiple of what the geometry of the gap predicts."""

    def __init__(self) -> None:
        self._failures = self._predicted = 1.0

    @property
    def value(self) -> float:
        """1 where walks fail as often as predicted."""
        return self._failures / self._predicted

    def add(self, failed: bool, predicted: float) -> None:
        """Count one read of a walk that was predicted to fail with this chance."""
        self._failures += failed
        self._predicted += predicted
        if self._failures > _REMEMBERED_TRIES:
            self._failures /= 2
            self._predicted /= 2


class Yield:
    """How many good bytes a walk brings for each read of it that fails."""

    def __init__(self, size: int) -> None:
        self._bytes, self._failures = 2.0 * size, 1.0

    @property
    def value(self) -> float:
        """Good bytes for each failure."""
        return self._bytes / self._failures

    def add(self, length: int, good: bool) -> None:
        """Count one read of a walk."""
        self._bytes += good * length
        self._failures += not good
        if self._failures > _REMEMBERED_TRIES:
            self._bytes /= 2
            self._failures /= 2


class Experience:
    """The numbers, brought up to date by every read."""

    def __init__(self, block_bytes: int) -> None:
        self._block_bytes = block_bytes
        self._good_seconds: dict[int, float] = {}
        self._failed_seconds = _FAILED_SECONDS
        self._failures = 0
        self._extents: deque[int] = deque(maxlen=_REMEMBERED_EXTENTS)

    def add_read(self, length: int, size: int, good: bool, seconds: float) -> None:
        """Count a read of `length` bytes, one of those that are at most `size` bytes."""
        if not good:
            self._failures += 1
            self._failed_seconds += (seconds - self._failed_seconds) / min(self._failures, _REMEMBERED_READS)
        elif length == size:
            former = self._good_seconds.get(size, seconds)
            self._good_seconds[size] = former + (seconds - former) / _REMEMBERED_READS

    def good_seconds(self, size: int) -> float:
        """What a good read of this size takes."""
        return max(self._good_seconds.get(size, _GOOD_SECONDS), _LEAST_SECONDS)

    @property
    def failed_seconds(self) -> float:
        """What a failed read takes."""
        return max(self._failed_seconds, _LEAST_SECONDS)

    def add_extent(self, length: int) -> None:
        """Count a damage that was crossed, from its first failure to good ground."""
        self._extents.append(length)

    @property
    def extents(self) -> int:
        """How many damages it remembers."""
        return len(self._extents)

    @property
    def usual_extent(self) -> int:
        """The length of a damage on this drive, so far."""
        return int(median(self._extents)) if self._extents else self._block_bytes
