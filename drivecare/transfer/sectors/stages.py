"""The stage of every byte of the source: copied, or waiting for a pass of the policy."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator

from drivecare.transfer.areas import Area

COPIED = -1
UNREAD = 0


class Stages:
    """A stage for every byte of 0..total, kept as runs: memory grows with the damage, not with the drive."""

    def __init__(self, total: int) -> None:
        self.total = total
        self.waiting_bytes = 0  # failed or leapt over
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
        self.waiting_bytes += (end - start if stage > UNREAD else 0) - self._waiting_in(start, end, first, last)
        starts, stages = [start], [stage]
        if end < self.total and next_stage != stage:
            starts.append(end)
            stages.append(next_stage)
        if first > 0 and self._stages[first - 1] == stage:  # the run before simply becomes longer
            del starts[0], stages[0]
        self._starts[first:last] = starts
        self._stages[first:last] = stages

    def _waiting_in(self, start: int, end: int, first: int, last: int) -> int:
        """Waiting bytes of start..end, which runs first-1 (it may reach in from before) to last-1 cover."""
        waiting = 0
        for index in range(max(first - 1, 0), last):
            if self._stages[index] > UNREAD:
                run_end = self._starts[index + 1] if index + 1 < len(self._starts) else self.total
                waiting += max(0, min(end, run_end) - max(start, self._starts[index]))
        return waiting

    def runs(self) -> Iterator[tuple[Area, int]]:
        """Every run with its stage, in order."""
        for index, start in enumerate(self._starts):
            end = self._starts[index + 1] if index + 1 < len(self._starts) else self.total
            if end > start:
                yield Area.between(start, end), self._stages[index]

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
