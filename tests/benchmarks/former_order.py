"""The order of reading up to November 2026, in passes of falling size: only the yardstick of `damage_table`.

Every pass went over the whole drive before the next began: large reads that leap ahead near failures, what was leapt
over backwards, pieces around every failure from both ends and then inside, sectors likewise, retries.
"""

from __future__ import annotations

from collections.abc import Generator, Iterable

from drivecare.transfer.areas import Area, pieces
from drivecare.transfer.sectors.damage import Attempt, DamagePolicy, Outcome, Reads
from drivecare.transfer.sectors.stages import COPIED, UNREAD, Stages

_LEAPT, _EDGES, _INSIDE, _SECTOR_EDGES, _SECTOR_INSIDE, _RETRIES = range(1, 7)


def former_order(stages: Stages, policy: DamagePolicy, sector_bytes: int) -> Reads:
    """All reads of a copy, as they came then."""
    block, piece = policy.block_bytes, max(policy.piece_bytes, sector_bytes)
    yield from _sweep(stages, policy)
    yield from _all(stages, _LEAPT, block, _EDGES, backwards=True)
    yield from _edges(stages, _EDGES, piece, _INSIDE, _SECTOR_EDGES)
    yield from _all(stages, _INSIDE, piece, _SECTOR_EDGES)
    yield from _edges(stages, _SECTOR_EDGES, sector_bytes, _SECTOR_INSIDE, _RETRIES)
    yield from _all(stages, _SECTOR_INSIDE, sector_bytes, _RETRIES)
    for retry in range(policy.retries):
        yield from _all(stages, _RETRIES + retry, sector_bytes, _RETRIES + retry + 1)


def _attempt(stages: Stages, area: Area, otherwise: int) -> Generator[Attempt, Outcome, bool]:
    length, _ = yield Attempt(area, otherwise)
    stages.assign(Area.between(area.offset, area.offset + length), COPIED)
    stages.assign(Area.between(area.offset + length, area.end), otherwise)
    return length == area.length


def _sweep(stages: Stages, policy: DamagePolicy) -> Reads:
    leap, skip_to = 0, 0
    for run in stages.areas(UNREAD):
        for area in pieces(run, policy.block_bytes):
            if area.offset < skip_to:
                stages.assign(area, _LEAPT)
            elif (yield from _attempt(stages, area, _EDGES)):
                leap = leap * 7 // 8
            else:
                skip_to = area.end + leap
                leap = min(max(policy.block_bytes, leap * 2), policy.farthest_leap_bytes)


def _all(stages: Stages, stage: int, size: int, otherwise: int, *, backwards: bool = False) -> Reads:
    for run in _ordered(stages.areas(stage), backwards):
        for area in _ordered(pieces(run, size), backwards):
            yield from _attempt(stages, area, otherwise)


def _edges(stages: Stages, stage: int, size: int, inside: int, otherwise: int) -> Reads:
    for run in stages.areas(stage):
        parts = list(pieces(run, size))
        first, last = 0, len(parts)
        while first < last:
            first += 1
            if not (yield from _attempt(stages, parts[first - 1], otherwise)):
                break
        while first < last:
            last -= 1
            if not (yield from _attempt(stages, parts[last], otherwise)):
                break
        if first < last:
            stages.assign(Area.between(parts[first].offset, parts[last - 1].end), inside)


def _ordered(areas: Iterable[Area], backwards: bool) -> list[Area]:
    return list(areas)[::-1] if backwards else list(areas)
