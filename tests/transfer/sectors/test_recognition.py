"""A side without a name is known by what it holds: nothing is written before that was compared."""

from __future__ import annotations

import errno
import itertools
import random

import pytest

from drivecare.errors import Refused
from drivecare.transfer.areas import Area
from drivecare.transfer.medium import Watch
from drivecare.transfer.sectors.damage import DamagePolicy
from drivecare.transfer.sectors.engine import CopySettings, copy_and_prove
from drivecare.transfer.sectors.journal import Journal
from drivecare.transfer.sectors.recognition import QUICK_SECONDS, complete_chunks, spread_over
from drivecare.transfer.sectors.segments import Segment
from tests.transfer.sectors.fake_medium import FakeMedium, MemoryStore, buffers, end_of, fails, fresh_journal

MIB = 1 << 20
SIZE = 8 * MIB
SETTINGS = CopySettings(policy=DamagePolicy(block_bytes=MIB // 4), checkpoint_bytes=MIB)
CONTENT = random.Random(16).randbytes(72 * MIB)


def half_done(across: int = SIZE // 2, size: int = SIZE) -> tuple[FakeMedium, FakeMedium, Journal]:
    """A source, a target that holds the first part of it, and the journal that says so."""
    source, target, store = FakeMedium(CONTENT[:size]), FakeMedium(bytes(size)), MemoryStore()
    stop = OSError(errno.EIO, "stopped")
    target.faults = [fails("write", stop, from_offset=across)]
    with pytest.raises(Exception, match="stopped"):
        copy_and_prove(source, target, fresh_journal(end_of(source), end_of(target)), store, buffers(MIB), SETTINGS)
    target.faults.clear()
    source.reads.clear()
    return source, target, store.saved[-1]


def resume(source: FakeMedium, target: FakeMedium, journal: Journal, *, seconds: float = 0.0) -> bool:
    """Go on; every chunk that is compared takes so many seconds."""
    ticks = itertools.count()

    def clock() -> float:
        return next(ticks) * seconds

    watch = Watch(clock=clock if seconds else Watch().clock, overlap=False)
    return copy_and_prove(
        source, target, journal, MemoryStore(), buffers(MIB), SETTINGS, watch, by_content=True
    ).verified


def test_the_target_that_holds_what_was_copied_is_gone_on_with() -> None:
    source, target, journal = half_done()
    assert len(complete_chunks(journal)) == 4
    assert resume(source, target, journal)
    assert bytes(target.data) == CONTENT[:SIZE]


@pytest.mark.promise(5)
@pytest.mark.parametrize("place", [0, 1, 3])
def test_one_chunk_that_differs_is_another_target(place: int) -> None:
    source, target, journal = half_done()
    target.data[place * MIB + 5] ^= 1
    before, target.written = bytes(target.data), 0
    with pytest.raises(Refused, match=rf"the target does not hold at byte {place * MIB:,} what was copied") as caught:
        resume(source, target, journal)
    assert (caught.value.guard, target.written) == ("target-changed", 0)
    assert bytes(target.data) == before


@pytest.mark.promise(5)
def test_an_empty_twin_is_another_target() -> None:
    source, _, journal = half_done()
    twin = FakeMedium(bytes(SIZE))
    with pytest.raises(Refused):
        resume(source, twin, journal)
    assert twin.written == 0


@pytest.mark.promise(1)
def test_another_source_of_that_size_is_found_before_anything_is_written() -> None:
    _, target, journal = half_done()
    target.written = 0
    other = FakeMedium(random.Random(17).randbytes(SIZE))
    with pytest.raises(Refused, match="the source does not hold at byte 0 what was copied from there") as caught:
        resume(other, target, journal)
    assert (caught.value.guard, target.written) == ("source-changed", 0)


def test_a_source_that_reads_nothing_of_it_cannot_be_known() -> None:
    source, target, journal = half_done()
    source.bad = [Area.between(0, SIZE // 2)]
    with pytest.raises(Refused, match="readably any of what was copied from it"):
        resume(source, target, journal)
    source.bad = [Area.between(0, MIB)]  # one place of it wore out meanwhile
    assert resume(source, target, journal)


def test_of_a_large_copy_first_last_and_64_between_are_compared() -> None:
    """By a clock that says each look took long, a difference elsewhere is left to the read-back, which finds it."""
    source, target, journal = half_done(across=70 * MIB, size=72 * MIB)
    sample = {chunk.area.offset // MIB for chunk in spread_over(complete_chunks(journal), 64)}
    assert len(sample) == 66
    assert {0, 69} <= sample
    target.data[min(set(range(70)) - sample) * MIB] ^= 1
    with pytest.raises(Refused):
        resume(source, target, journal)
    assert not resume(source, target, journal, seconds=QUICK_SECONDS)


def test_spread_over_takes_all_where_there_are_few() -> None:
    chunks = [Segment(Area.between(n * MIB, (n + 1) * MIB), bytes(32)) for n in range(200)]
    assert spread_over(chunks[:5], 64) == chunks[:5]
    assert spread_over(chunks[:1], 64) == chunks[:1]
    assert [chunk.area.offset // MIB for chunk in spread_over(chunks, 1)] == [0, 99, 199]


def test_what_is_less_than_a_chunk_is_copied_again() -> None:
    source, _, journal = half_done(across=MIB // 2)
    assert complete_chunks(journal) == []
    assert resume(source, FakeMedium(bytes(SIZE)), journal)
