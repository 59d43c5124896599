"""Damage that recurs: a bad head fails in bands at nearly equal distances, which shrink with the tracks.

A stride predicts where the next band lies, so that the sweep passes over it without a failed read. It is never
believed for long: after 1, 2, 4 .. 32 periods the next band is met and measured (an **anchor**), and what was
passed over is read all the same, later.
"""

from __future__ import annotations

from collections import deque
from itertools import pairwise

# Starts of damage that must lie at nearly equal distances before a stride is suspected.
_STARTS = 5
# The most periods between two anchors: a band that has moved is noticed after so many.
_FARTHEST_TRUST = 32
# Anchors in a row that lie elsewhere before a stride is given up.
_MOST_MISSES = 3


class Stride:
    """Starts at nearly equal distances: the n-th from the last anchor lies at n * distance + growth * n(n + 1) / 2."""

    def __init__(self, block_bytes: int) -> None:
        self._block = block_bytes
        self._margin = block_bytes // 4
        self._starts: deque[int] = deque(maxlen=_STARTS)
        self._forget()

    def _forget(self) -> None:
        self._anchors = self._trust = self._passed = self._misses = 0
        self._start = self._length = self._periods = 0
        self._distance = self._mean_distance = self._growth = 0.0

    def add_start(self, start: int) -> None:
        """Count a damage that the sweep has met."""
        self._starts.append(start)

    @property
    def suspected(self) -> bool:
        """Whether damage recurs, or did at the last anchor, so that the next one is worth measuring."""
        if self._anchors:
            return True
        starts = list(self._starts)
        if len(starts) < _STARTS:
            return False
        distances = [later - earlier for earlier, later in pairwise(starts)]
        spread = max(distances) - min(distances)
        # Starts are known to a block; random damage rarely keeps to a sixth of its distance four times in a row.
        return spread <= max(self._block, min(distances) // 50) * 2 and spread * 6 < min(distances)

    def expected(self, position: int) -> tuple[int, int] | None:
        """Start and end of the next damage at or after `position`, with a margin; None where it is not trusted."""
        if self._passed >= self._trust:  # trust comes with the second anchor
            return None
        for periods in range(self._passed + 1, self._passed + _FARTHEST_TRUST):
            start = self._place(periods)
            end = start + self._length * (1 + self._growth * periods / self._distance) + self._margin
            if end > position:
                return max(int(start) - self._margin // 2, 0), int(end)
        return None

    def pass_over(self, start: int) -> None:
        """Count the damage expected at `start` as passed over."""
        self._passed = max(self._passed + 1, round((start - self._start) / self._distance))

    def add_anchor(self, start: int, length: int) -> None:
        """Take a damage whose ends were measured: it moves the prediction, and proves or breaks it."""
        if not self._anchors:
            self._start, self._length = start, length
            self._distance = float(self._starts[-1] - self._starts[-2])
            self._anchors = 1
            return
        periods = max(1, round((start - self._start) / self._distance))
        error = abs(start - self._place(periods))
        if self._anchors >= 2 and error > max(self._block, periods * self._distance / 50):
            self._misses += 1
            self._trust //= 2
            if self._misses > _MOST_MISSES:
                self._starts.clear()
                self._forget()
                return
        else:
            self._misses = 0
            near = error < self._margin / 2
            self._trust = min(max(1, self._trust * 2), _FARTHEST_TRUST) if near else max(1, self._trust // 2)
        mean = (start - self._start) / periods
        if self._anchors >= 2:
            self._growth = (mean - self._mean_distance) / ((periods + self._periods) / 2)
        self._mean_distance, self._periods = mean, periods
        self._distance = mean + self._growth * (periods - 1) / 2
        if self._distance <= self._length:  # so near that nothing good lies between
            self._forget()
            return
        self._start, self._length, self._passed = start, length, 0
        self._anchors += 1

    def distrust(self) -> None:
        """A prediction was wrong: pass over nothing until the next anchor."""
        self._trust = 0

    def _place(self, periods: int) -> float:
        return self._start + periods * self._distance + self._growth * periods * (periods + 1) / 2
