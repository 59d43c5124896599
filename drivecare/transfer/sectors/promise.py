"""What a read promises: good bytes a second. The read of a gap that promises most, and how much it does.

A gap is all that is not copied between two copied places. It is read

- inwards from a copied edge (a **walk**), where damage begins somewhere within the run ahead: the chance that the next
  `length` bytes are good follows from the room there is, `exp(-hazard * length / room)`;
- or in its midst (a **probe**), beyond a failure by as much as the damage is long so far, with the chance that such
  reads had lately. One that reads well opens what a walk usually brings.

    copied | failed |      unread       | failed |  unread  | copied
           ^walk ->   probe^                       <- walk^
"""

from __future__ import annotations

import math
from typing import NamedTuple

from drivecare.transfer.sectors.experience import Chance, Experience, Hazard, Yield
from drivecare.transfer.sectors.stages import COPIED, FAILED_BLOCK, FAILED_PIECE, FAILED_SECTOR, UNREAD, Run, Stages

# A walk is never expected to go farther than so many usual ones: a gap of gigabytes may be scratched all over.
_LONGEST_YIELDS = 8


class Prospect(NamedTuple):
    """A read worth considering: what it promises (good bytes a second), its place, the stage of what fails of it."""

    promise: float
    start: int
    end: int
    otherwise: int
    walk: bool
    far_failed: bool
    chance: float


class Promises:
    """Prospects of one drive, judged by what it has shown. `sizes`: of a block, a piece and a sector."""

    def __init__(self, sizes: tuple[int, int, int], unreadable: int, experience: Experience) -> None:
        self._kinds = tuple(zip(sizes, (FAILED_BLOCK, FAILED_PIECE, FAILED_SECTOR), strict=True))
        # A block that failed is read in pieces, a piece in sectors; unread ground in blocks or, near damage, in pieces.
        self._kinds_of = {UNREAD: self._kinds[:2], FAILED_BLOCK: self._kinds[1:2], FAILED_PIECE: self._kinds[2:]}
        self._sector = sizes[2]
        self._unreadable = unreadable
        self._experience = experience
        self._probes = {otherwise: Chance(1.0, 4.0) for otherwise in range(FAILED_BLOCK, unreadable + 1)}
        self._yields = {otherwise: Yield(size) for size, otherwise in self._kinds}
        self._hazards = {(otherwise, far): Hazard() for _, otherwise in self._kinds for far in (False, True)}

    def learn(self, prospect: Prospect, good: bool) -> None:
        """Count how a prospect came out."""
        if prospect.walk:
            self._yields[prospect.otherwise].add(prospect.end - prospect.start, good)
            self._hazards[prospect.otherwise, prospect.far_failed].add(not good, 1 - prospect.chance)
        else:
            self._probes[prospect.otherwise].add(good)

    def best(self, stages: Stages, run: Run) -> Prospect | None:
        """The read of a run that promises most; None where every read of it was tried."""
        if not UNREAD <= run.stage < self._unreadable:
            return None
        if run.stage >= FAILED_SECTOR:
            return self._probe(run, self._sector, run.stage + 1)
        before = stages.run_at(run.start - 1) if run.start else None
        after = stages.run_at(run.end) if run.end < stages.total else None
        from_left, from_right = (side is not None and side.stage == COPIED for side in (before, after))
        kinds = self._kinds_of[run.stage]
        if not from_left and not from_right:
            return max(self._probe(run, size, otherwise) for size, otherwise in kinds)
        far = after if from_left else before
        if far is not None and far.stage <= run.stage:
            far = None
        room = self._room(stages, run, far)
        return max(self._walk(run, not from_left, size, otherwise, room, far is not None) for size, otherwise in kinds)

    def _room(self, stages: Stages, run: Run, far: Run | None) -> float:
        """Within how many bytes a walk into `run` is expected to meet damage; `far` failed on its other side."""
        room = run.length if far is None else run.length + far.length
        if run.stage == UNREAD:  # damage as long as usual leaves so much of the gap
            gap = stages.gap_at(run.start)
            room = max(min(room, gap[-1].end - gap[0].start - self._experience.usual_extent), room // 4)
            if len(gap) == 1:
                room //= 2  # on either side of what was passed over
        return room

    def _walk(self, run: Run, backwards: bool, size: int, otherwise: int, room: float, far_failed: bool) -> Prospect:
        start, end = run.cut(size, self._sector, backwards=backwards)
        reach = max(min(room, _LONGEST_YIELDS * self._yields[otherwise].value), 1)
        geometric = math.exp((start - end) / reach)
        chance = geometric ** self._hazards[otherwise, far_failed].value
        promise = self._promise(end - start, size, chance)
        return Prospect(promise, start, end, otherwise, True, far_failed, geometric)

    def _probe(self, run: Run, size: int, otherwise: int) -> Prospect:
        middle = (
            run.start + (run.length - size) // 2 // self._sector * self._sector if run.length > 2 * size else run.start
        )
        start, end = Run(middle, run.end, run.stage).cut(size, self._sector, backwards=False)
        chance = self._probes[otherwise].value
        opened = min(run.length / 2, self._yields[otherwise].value) if otherwise < FAILED_SECTOR else 0
        promise = self._promise(end - start + opened, size, chance)
        return Prospect(promise, start, end, otherwise, False, False, chance)

    def _promise(self, length: float, size: int, chance: float) -> float:
        """Bytes a second of `length` bytes in reads of `size`, of which the first decides."""
        good = self._experience.good_seconds(size) * max(1, length / size)
        return length * chance / (good * chance + self._experience.failed_seconds * (1 - chance))
