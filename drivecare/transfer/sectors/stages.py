"""The map of the source: what every byte of it is known as.

| stage | meaning | what may be read there |
|---|---|---|
| LATER | unread, and its turn has not come (while a copy runs; no journal knows it) | nothing yet |
| COPIED | on the target | nothing more |
| UNREAD | never asked for | anything |
| FAILED_BLOCK | part of a large read that failed | pieces and sectors |
| FAILED_PIECE | part of a smaller read that failed | sectors |
| FAILED_SECTOR | a sector that failed by itself; each number above it is once more | it, while retries are left |

So a stage is the smallest read that failed, and a read that fails always moves on what it touched: that alone bounds
how often a bad sector is touched. The numbers are those of journals, which go back to 0.1.0: its 1 was ground leapt
over, which is unread; its 3 and 5 were the insides of what failed.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator
from typing import NamedTuple

from drivecare.transfer.areas import Area

LATER = -2
COPIED = -1
UNREAD = 0
FAILED_BLOCK = 2
FAILED_PIECE = 4
FAILED_SECTOR = 6


def stage_of_journal(number: int) -> int:
    """The stage that a journal's number stands for, whichever version wrote it."""
    return number if number >= FAILED_SECTOR else max(number // 2 * 2, COPIED)


class Run(NamedTuple):
    """Bytes of one stage, `start` up to, not including, `end`."""

    start: int
    end: int
    stage: int

    @property
    def length(self) -> int:
        """Its length in bytes."""
        return self.end - self.start

    def cut(self, size: int, unit: int, *, backwards: bool) -> tuple[int, int]:
        """Its first (or last) `size` bytes, or fewer so that the cut lies at a multiple of `unit`."""
        if backwards:
            return max(self.start, -(-(self.end - size) // unit) * unit), self.end
        return self.start, min(self.end, (self.start + size) // unit * unit)


class Stages:
    """A stage for every byte of 0..total, kept as runs: memory grows with the damage, not with the drive."""

    def __init__(self, total: int) -> None:
        self.total = total
        self.missing_bytes = total  # what is not copied
        self._starts = [0]
        self._stages = [UNREAD]

    def assign(self, area: Area, stage: int) -> None:
        """Put `area` into `stage`, whatever it was in.

        Run i reaches from _starts[i] to _starts[i + 1]. The runs that begin in the area or at its end give way to one
        run for the area and one for what is left of the last of them; neighbours of equal stage join at once:

            before   |    0    |  1  | 2 |    0    |    first: the run of 1; last: the one after the second run of 0
            area          [=================]
            after    | 0  |        1        |   0  |
        """
        start, end = area.offset, min(area.end, self.total)
        if start >= end:
            return
        first = bisect_left(self._starts, start)
        last = bisect_right(self._starts, end)  # runs first..last-1 begin inside [start, end]
        next_stage = self._stages[last - 1]  # of the byte at `end`, unless the area reaches to the end
        self.missing_bytes += (end - start if stage != COPIED else 0) - self._missing_in(start, end, first, last)
        starts, stages = [start], [stage]
        if end < self.total and next_stage != stage:
            starts.append(end)
            stages.append(next_stage)
        if first > 0 and self._stages[first - 1] == stage:  # the run before simply becomes longer
            del starts[0], stages[0]
        self._starts[first:last] = starts
        self._stages[first:last] = stages

    def _missing_in(self, start: int, end: int, first: int, last: int) -> int:
        """Missing bytes of start..end, which runs first-1 (it may reach in from before) to last-1 cover."""
        missing = 0
        for index in range(max(first - 1, 0), last):
            if self._stages[index] != COPIED:
                run_end = self._starts[index + 1] if index + 1 < len(self._starts) else self.total
                missing += max(0, min(end, run_end) - max(start, self._starts[index]))
        return missing

    def runs(self) -> Iterator[tuple[Area, int]]:
        """Every run with its stage, in order."""
        for index, start in enumerate(self._starts):
            end = self._starts[index + 1] if index + 1 < len(self._starts) else self.total
            if end > start:
                yield Area.between(start, end), self._stages[index]

    def run_at(self, offset: int) -> Run:
        """The run around `offset`; an empty one of UNREAD beyond the end."""
        if offset >= self.total:
            return Run(self.total, self.total, UNREAD)
        index = bisect_right(self._starts, offset) - 1
        end = self._starts[index + 1] if index + 1 < len(self._starts) else self.total
        return Run(self._starts[index], end, self._stages[index])

    def gap_at(self, offset: int) -> list[Run]:
        """All that may be read around `offset`, up to what is copied or comes later; [] where the byte is either."""
        first = last = bisect_right(self._starts, offset) - 1
        if self._stages[first] < UNREAD:
            return []
        while first > 0 and self._stages[first - 1] >= UNREAD:
            first -= 1
        while last + 1 < len(self._starts) and self._stages[last + 1] >= UNREAD:
            last += 1
        ends = [*self._starts[first + 1 : last + 2], self.total]
        return [Run(self._starts[at], ends[at - first], self._stages[at]) for at in range(first, last + 1)]

    def areas_from(self, stage: int) -> list[Area]:
        """The areas in `stage` or a later one, in order."""
        return [area for area, run_stage in self.runs() if run_stage >= stage]

    def areas(self, stage: int) -> list[Area]:
        """The areas in `stage`, in order."""
        return [area for area, run_stage in self.runs() if run_stage == stage]


def furthest(total: int, maps: Iterable[Stages]) -> Stages:
    """One map of several: each byte in the furthest stage that any of them knows; copied where all of them say so."""
    joint = Stages(total)
    joint.assign(Area.between(0, total), COPIED)
    for area, stage in sorted((run for stages in maps for run in stages.runs()), key=lambda run: run[1]):
        joint.assign(area, stage)
    return joint
