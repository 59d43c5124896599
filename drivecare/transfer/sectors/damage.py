"""The order in which a damaged source is read: next comes what promises the most good bytes a second.

Ground that nobody asked for promises most, so the drive is **swept** first: forwards, leaping over damage by as much as
it is long so far. Then every gap that is left is judged (`transfer.sectors.promise`) and the best read of the best gap
comes next, again and again, until no read is left. Nothing is ever given up for a prediction: it only comes later.

Where it is known what lies on the drive, a byte counts by that (`transfer.sectors.worth`). Each rank then has a sweep
of its own, and its gaps are read while they promise more than the next rank's sweep; of a healthy drive nobody asks.

How often a bad sector is touched at most follows from the map (`transfer.sectors.stages`): one read of each size, and
the retries.
"""

from __future__ import annotations

import heapq
from collections.abc import Generator, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from drivecare.documents import Value
from drivecare.transfer.areas import Area, intersect, merge, pieces, total, uncovered, widen
from drivecare.transfer.sectors.experience import Experience
from drivecare.transfer.sectors.promise import Promises, Prospect
from drivecare.transfer.sectors.stages import (
    COPIED,
    FAILED_BLOCK,
    FAILED_PIECE,
    FAILED_SECTOR,
    LATER,
    UNREAD,
    Run,
    Stages,
)
from drivecare.transfer.sectors.stride import Stride
from drivecare.transfer.sectors.worth import Rank, Worth


class DamagePolicy(Value, frozen=True, kw_only=True):
    """Sizes in bytes. `retries`: further reads of a sector after the first that failed by itself."""

    block_bytes: int = 4 << 20
    piece_bytes: int = 64 << 10
    retries: int = 2
    farthest_leap_bytes: int = 1 << 30
    damage_seconds: float | None = None  # after this long on damage, stop and say how to continue
    to_the_end: bool = True  # else stop where the rest promises next to nothing and would take months
    until_used: bool = False  # stop once all that is used was tried; the rest stays as it is

    @property
    def unreadable(self) -> int:
        """The stage of what has failed every read."""
        return FAILED_SECTOR + self.retries

    @property
    def touches(self) -> int:
        """The most reads that may touch one bad sector: one of each size, and the retries."""
        return 3 + self.retries


@dataclass(frozen=True, slots=True)
class Attempt:
    """Read this; what fails of it goes to `otherwise`."""

    area: Area
    otherwise: int

    @property
    def on_damage(self) -> bool:
        """Whether this comes back to what has failed before."""
        return self.otherwise > FAILED_BLOCK


class Outcome(NamedTuple):
    """How many bytes of an attempt came, and after how many seconds it was over."""

    length: int
    seconds: float


Reads = Generator[Attempt, Outcome, None]
# The extents of so many damages are measured at once, so that leaps have the right length from early on.
_MEASURED_AT_ONCE = 3
# What promises nearly as much as the next is read at once: to sort all again after every read would take longer.
_GOOD_ENOUGH = 0.8
# A day of reading brings less than 10 MB there, and all of it takes more than this. Our judgement.
_HOPELESS_BYTES_PER_SECOND = 100
_HOPELESS_SECONDS = 60 * 24 * 3600


class ReadingOrder:
    """All reads of a copy, one after another. `stages` is brought up to date here, by what is sent back."""

    def __init__(self, stages: Stages, policy: DamagePolicy, sector_bytes: int) -> None:
        self._stages, self._policy, self._sector = stages, policy, sector_bytes
        self._block, self._piece = policy.block_bytes, max(policy.piece_bytes, sector_bytes)
        self._experience = Experience(self._block)
        self._promises = Promises((self._block, self._piece, sector_bytes), policy.unreadable, self._experience)
        self._stride = Stride(self._block)
        self._ranks: Sequence[Rank] = ()
        self._worth = Worth(())
        self.gave_up = False  # the reads ended, and there was more to try
        self.unswept_bytes = stages.total  # not reached yet
        self.left_out_bytes = 0  # of these what never comes

    def look(self, areas: Sequence[Area]) -> Reads:
        """What somebody asks for ahead of its turn: in pieces, and where one failed each sector of it once."""
        stages = self._stages
        whole_pieces = widen(areas, self._piece, stages.total)
        for run in [part for stage in (UNREAD, FAILED_BLOCK) for part in intersect(whole_pieces, stages.areas(stage))]:
            for piece in pieces(run, self._piece):
                yield from self._read(piece.offset, piece.end, FAILED_PIECE)
        for run in [*intersect(widen(areas, self._sector, stages.total), stages.areas(FAILED_PIECE))]:
            for sector in pieces(run, self._sector):
                yield from self._read(sector.offset, sector.end, FAILED_SECTOR)

    def reads(self, ranks: Sequence[Rank] = ()) -> Reads:
        """Every attempt, in order; is sent the outcome of each.

        `ranks`: what counts more than the rest of the drive, the most valuable first, without overlaps.
        """
        self._ranks, self._worth = ranks, Worth(ranks)
        turns = list(self._turns())
        if self._policy.until_used:
            self._leave_out(self._rest)
        for _, areas in turns[1:]:
            for area in [*intersect(areas, self._stages.areas(UNREAD))]:
                self._stages.assign(area, LATER)
        for (_, areas), following in zip(turns, (*(worth for worth, _ in turns[1:]), 0.0), strict=True):
            yield from self._sweep(areas)
            yield from self._read_gaps(following * self._block / self._experience.good_seconds(self._block))

    def _turns(self) -> Iterator[tuple[float, Rank]]:
        """What each sweep is to cover, and what a byte of it counts: rank by rank, then the rest of the drive."""
        rest = () if self._policy.until_used else self._rest
        for number, areas in enumerate((*self._ranks, rest)):
            if areas:
                yield self._worth.of_rank(number), areas

    @property
    def _rest(self) -> Rank:
        """What is in no rank."""
        ranked = merge(area for areas in self._ranks for area in areas)
        return uncovered(ranked, Area(offset=0, length=self._stages.total))

    def _leave_out(self, areas: Rank) -> None:
        """Put off what may still be read there, as if its turn never came."""
        untried = [area for area, stage in self._stages.runs() if UNREAD <= stage < self._policy.unreadable]
        for area in [*intersect(areas, untried)]:
            self._stages.assign(area, LATER)
            self.left_out_bytes += area.length

    def _read(self, start: int, end: int, otherwise: int) -> Generator[Attempt, Outcome, int]:
        """One read; up to where it came."""
        length, seconds = yield Attempt(Area.between(start, end), otherwise)
        size = {FAILED_BLOCK: self._block, FAILED_PIECE: self._piece}.get(otherwise, self._sector)
        self._experience.add_read(end - start, size, start + length == end, seconds)
        self._stages.assign(Area.between(start, start + length), COPIED)
        self._stages.assign(Area.between(start + length, end), otherwise)
        return start + length

    # --- the sweep

    def _sweep(self, areas: Rank) -> Reads:
        """Forwards over what nobody asked for yet in these areas."""
        position, damage, ground = self._take_up(areas)
        beyond = total(ground) + total(self._stages.areas(LATER))
        for area in ground:
            beyond -= area.length
            if damage is not None and area.offset > position + self._experience.usual_extent:
                damage = None  # so far off that this is another place
            position = max(position, area.offset)
            while position < area.end:
                self.unswept_bytes = beyond + area.end - position
                passed = None
                if damage is None and (band := self._band_ahead(position, area.end)):
                    passed, after = band
                    if position < passed and (yield from self._read(position, passed, FAILED_BLOCK)) < passed:
                        self._stride.distrust()
                    self._stride.pass_over(passed)
                    position = after
                    if position >= area.end:
                        break
                end = Run(position, area.end, UNREAD).cut(self._block, self._sector, backwards=False)[1]
                reached = yield from self._read(position, end, FAILED_BLOCK)
                if reached == end:
                    if damage is not None:
                        yield from self._measure(damage, position)
                    position, damage = end, None
                    continue
                if passed is not None:
                    damage = passed
                    self._stride.distrust()
                elif damage is None:
                    damage = reached
                    self._stride.add_start(damage)
                position = self._leap(damage, end)
        self.unswept_bytes = beyond

    def _take_up(self, areas: Rank) -> tuple[int, int | None, list[Area]]:
        """Where the sweep of these areas goes on, the damage that it crosses there, and all that it is to cover.

        What lies before that was left by an earlier sweep: learn from it.
        """
        for area in [*intersect(areas, self._stages.areas(LATER))]:
            self._stages.assign(area, UNREAD)
        unread = [*intersect(areas, self._stages.areas(UNREAD))]
        tried = [*intersect(areas, uncovered(unread, Area(offset=0, length=self._stages.total)))]
        if not tried:
            return 0, None, unread
        position = tried[-1].end
        for area in merge(self._stages.areas_from(UNREAD)):
            if area.end <= position:
                self._experience.add_extent(area.length)
                self._stride.add_start(area.offset)
        gap = self._stages.gap_at(position - 1)
        return position, gap[0].start if gap else None, [area for area in unread if area.offset >= position]

    def _band_ahead(self, position: int, limit: int) -> tuple[int, int] | None:
        """The damage that is expected in the next block and before `limit`, to a piece; never the end of the drive."""
        band = self._stride.expected(position)
        if band is None or band[0] >= min(position + self._block, limit):
            return None
        start, end = band[0] // self._piece * self._piece, -(-band[1] // self._piece) * self._piece
        return (max(position, start), end) if end < self._stages.total else None

    def _leap(self, damage: int, position: int) -> int:
        """Where to try next after a failure up to `position`: beyond the usual extent, or twice as far as so far."""
        extent, usual = position - damage, self._experience.usual_extent
        leap = extent - self._block if extent > usual else usual - extent
        landing = position + min(max(leap, 0), self._policy.farthest_leap_bytes)
        return -(-landing // self._sector) * self._sector

    def _measure(self, damage: int, landing: int) -> Reads:
        """Learn from a damage that was crossed. What its end tells is worth a few reads: at first, and of a stride."""
        end = self._stages.gap_at(damage)[-1].end
        if end < landing:  # what lies between has another turn
            self._experience.add_extent(end - damage)
            return
        if self._stride.suspected:
            if ends := (yield from self._find_ends(damage)):
                self._stride.add_anchor(ends[0], ends[1] - ends[0])
                self._experience.add_extent(ends[1] - ends[0])
            return
        if self._experience.extents < _MEASURED_AT_ONCE:
            yield from self._walk_back(landing)
            landing = self._stages.gap_at(damage)[-1].end
        self._experience.add_extent(landing - damage)

    def _walk_back(self, landing: int) -> Reads:
        """Read backwards from good ground until a block fails."""
        while (gap := self._stages.gap_at(landing - 1)) and gap[-1].stage == UNREAD:
            landing, end = gap[-1].cut(self._block, self._sector, backwards=True)
            if (yield from self._read(landing, end, FAILED_BLOCK)) < end:
                return

    def _find_ends(self, offset: int) -> Generator[Attempt, Outcome, tuple[int, int] | None]:
        """Walk inwards from both sides of the gap at `offset` until a piece fails: its ends, to a piece."""
        for backwards in (False, True):
            while gap := self._stages.gap_at(offset):
                run = gap[-1 if backwards else 0]
                if run.stage > FAILED_BLOCK:
                    break
                size, otherwise = (self._block, FAILED_BLOCK) if run.stage == UNREAD else (self._piece, FAILED_PIECE)
                start, end = run.cut(size, self._sector, backwards=backwards)
                reached = yield from self._read(start, end, otherwise)
                if start <= offset < reached:
                    offset = start - 1 if backwards else reached
        gap = self._stages.gap_at(offset)
        return (gap[0].start, gap[-1].end) if gap else None

    # --- the gaps

    def _read_gaps(self, least_promise: float) -> Reads:
        """The best read there is, until none promises so much. A run is judged again in its turn and beside reads."""
        queue: list[tuple[float, int]] = []
        for area, _ in self._stages.runs():
            self._offer(queue, area.offset)
        while queue:
            _, offset = heapq.heappop(queue)
            run = self._stages.run_at(offset)
            prospect = self._best(run) if run.start == offset else None
            if prospect is None:  # read since, or part of another run
                continue
            if queue and prospect.promise < -queue[0][0] * _GOOD_ENOUGH:
                heapq.heappush(queue, (-prospect.promise, offset))
                continue
            if prospect.promise < least_promise:
                return
            if not self._policy.to_the_end and prospect.promise < _HOPELESS_BYTES_PER_SECOND:
                self.gave_up = self.rest_seconds > _HOPELESS_SECONDS
                if self.gave_up:
                    return
            reached = yield from self._read(prospect.start, prospect.end, prospect.otherwise)
            self._promises.learn(prospect, reached == prospect.end)
            for place in {prospect.start - 1, prospect.start, reached, prospect.end, offset}:
                self._offer(queue, place)

    @property
    def rest_seconds(self) -> float:
        """What it takes at least to try each sector that is not copied once more."""
        return self._stages.missing_bytes / self._sector * self._experience.failed_seconds

    def _offer(self, queue: list[tuple[float, int]], offset: int) -> None:
        """Queue the run around `offset` by what it promises."""
        if 0 <= offset < self._stages.total:
            run = self._stages.run_at(offset)
            if prospect := self._best(run):
                heapq.heappush(queue, (-prospect.promise, run.start))

    def _best(self, run: Run) -> Prospect | None:
        """The read of a run that promises most, by what lies there."""
        prospect = self._promises.best(self._stages, run)
        if prospect is None or not self._ranks:
            return prospect
        return prospect._replace(promise=prospect.promise * self._worth.of(prospect.start, prospect.end))
