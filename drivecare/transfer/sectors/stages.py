"""Where every byte of the source stands: copied, or waiting for a pass of the policy."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator

from drivecare.transfer.areas import Area, area

COPIED = -1
UNREAD = 0


class Stages:
    """A stage for every byte of 0..total, kept as runs: memory grows with the damage, not with the drive."""

    def __init__(self, total: int) -> None:
        self.total = total
        self.waiting_bytes = 0  # what has failed or was leapt over
        self._starts = [0]
        self._stages = [UNREAD]

    def assign(self, where: Area, stage: int) -> None:
        """Put `where` into `stage`, whatever it was in."""
        start, end = where.offset, min(where.end, self.total)
        if start >= end:
            return
        first = bisect_left(self._starts, start)
        last = bisect_right(self._starts, end)  # runs first..last-1 begin inside [start, end]
        after = self._stages[last - 1]
        self.waiting_bytes += (end - start if stage > UNREAD else 0) - self._waiting_in(start, end, first, last)
        starts, stages = [start], [stage]
        if end < self.total and after != stage:
            starts.append(end)
            stages.append(after)
        if first > 0 and self._stages[first - 1] == stage:
            del starts[0], stages[0]
        self._starts[first:last] = starts
        self._stages[first:last] = stages

    def _waiting_in(self, start: int, end: int, first: int, last: int) -> int:
        waiting = 0
        for index in range(max(first - 1, 0), last):
            if self._stages[index] > UNREAD:
                behind = self._starts[index + 1] if index + 1 < len(self._starts) else self.total
                waiting += max(0, min(end, behind) - max(start, self._starts[index]))
        return waiting

    def runs(self) -> Iterator[tuple[Area, int]]:
        """Every run with its stage, in order."""
        for index, start in enumerate(self._starts):
            end = self._starts[index + 1] if index + 1 < len(self._starts) else self.total
            if end > start:
                yield area(start, end), self._stages[index]

    def areas_from(self, stage: int) -> list[Area]:
        """The areas in `stage` or a later one, in order."""
        return [where for where, found in self.runs() if found >= stage]

    def areas(self, stage: int) -> list[Area]:
        """The areas in `stage`, in order."""
        return [where for where, found in self.runs() if found == stage]
