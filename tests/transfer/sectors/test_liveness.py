"""Gone, or badly damaged? What answers nothing stops the copy; what still reads somewhere is copied to its end."""

from __future__ import annotations

import errno
import random

import pytest

from drivecare.errors import Interrupted
from drivecare.transfer.areas import Area, merge
from drivecare.transfer.holds import not_looked_at
from drivecare.transfer.sectors.damage import DamagePolicy
from drivecare.transfer.sectors.engine import CopySettings, copy_and_prove
from drivecare.transfer.sectors.fill import fill_bytes
from drivecare.transfer.sectors.journal import Journal
from drivecare.transfer.sectors.liveness import PLACES, Doubt, spread
from drivecare.transfer.sectors.receipt import Receipt
from tests.transfer.sectors.fake_medium import Call, FakeMedium, MemoryStore, before, buffers, end_of, fresh_journal

MIB = 1 << 20
POLICY = DamagePolicy(block_bytes=MIB // 16, piece_bytes=MIB // 64)
SIZE = 4 * MIB
CONTENT = random.Random(5).randbytes(SIZE)


def run(
    source: FakeMedium,
    target: FakeMedium,
    store: MemoryStore,
    journal: Journal | None = None,
    policy: DamagePolicy = POLICY,
) -> Receipt:
    begun = journal or fresh_journal(end_of(source), end_of(target))
    return copy_and_prove(
        source, target, begun, store, buffers(MIB // 16), CopySettings(policy=policy, checkpoint_bytes=MIB)
    )


@pytest.mark.promise(3)
@pytest.mark.parametrize("size", [512, 3 * 512, SIZE], ids=["one sector", "three sectors", "4 MiB"])
def test_a_source_that_never_answers_stops_the_copy(size: int) -> None:
    """Even one too short to fail eight times in a row."""
    source, target, store = (
        FakeMedium(CONTENT[:size], bad=[Area.between(0, size)]),
        FakeMedium(b"\xa5" * size),
        MemoryStore(),
    )
    with pytest.raises(Interrupted, match=f"answers no read.*; 0 of {size:,} bytes could be read") as caught:
        run(source, target, store)
    assert caught.value.exit_code == 23
    assert "--resume" in caught.value.message()
    assert target.data == b"\xa5" * size, "the fill was written over the target"
    assert len(source.reads) <= 8 + PLACES + 8  # failures before the doubt, places asked, the reader's lead
    source.bad = []
    assert run(source, target, store, store.saved[-1]).exit_code == 0
    assert target.data == source.data


class Fall:
    """A fault: reads `good_reads` times; afterwards every read is EIO, and the kernel goes on showing the medium."""

    def __init__(self, good_reads: int = 10**9) -> None:
        self.good_reads = good_reads

    def __call__(self, call: Call) -> None:
        if call.operation == "read":
            self.good_reads -= 1
            if self.good_reads < 0:
                raise OSError(errno.EIO, "Input/output error")


@pytest.mark.parametrize("good_reads", [1, 40, SIZE // POLICY.block_bytes - 3])
def test_a_source_that_stops_answering_loses_no_sector(good_reads: int) -> None:
    """Also within the last reads of all, where no eighth failure comes."""
    fall, target, store = Fall(good_reads), FakeMedium(bytes(SIZE)), MemoryStore()
    source = FakeMedium(CONTENT, faults=[fall])
    across = f"{good_reads * POLICY.block_bytes:,} of {SIZE:,} bytes could be read"
    with pytest.raises(Interrupted, match=f"no longer reads what it read before.*{across}"):
        run(source, target, store)
    assert store.saved[-1].waiting == (), "a failure was believed"
    fall.good_reads = 10**9
    assert run(source, target, store, store.saved[-1]).exit_code == 0
    assert target.data == CONTENT


def test_failures_at_the_very_end_are_not_believed_unproven() -> None:
    """A drive that falls off the bus at its last bad sector has not lost the good one behind it."""
    bad = Area.between(SIZE - 2 * 512, SIZE - 512)
    steady, target, store = FakeMedium(CONTENT, bad=[bad]), FakeMedium(bytes(SIZE)), MemoryStore()
    run(steady, FakeMedium(bytes(SIZE)), MemoryStore())
    fall = Fall(len(steady.reads) - 4)
    source = FakeMedium(CONTENT, bad=[bad], faults=[fall])
    with pytest.raises(Interrupted):
        run(source, target, store)
    fall.good_reads = 10**9
    receipt = run(source, target, store, store.saved[-1])
    assert list(merge(receipt.unreadable)) == [bad]


DEAD = {
    "its first half": [Area.between(0, SIZE // 2)],
    "its second half": [Area.between(SIZE // 2, SIZE)],
    "all but a sixteenth in its middle": [Area.between(0, SIZE // 2), Area.between(SIZE // 2 + SIZE // 16, SIZE)],
    "all but its end": [Area.between(0, SIZE - SIZE // 16)],
    "every second band, as one head of two": [Area.between(at, at + SIZE // 32) for at in range(0, SIZE, SIZE // 16)],
    "all but the bands of one head of eight": [
        Area.between(at + SIZE // 64, at + SIZE // 8) for at in range(0, SIZE, SIZE // 8)
    ],
}


@pytest.mark.promise(3)
@pytest.mark.parametrize("dead", DEAD.values(), ids=DEAD)
def test_a_large_dead_area_is_no_reason_to_stop(dead: list[Area]) -> None:
    source, target = FakeMedium(CONTENT, bad=dead), FakeMedium(bytes(SIZE))
    policy = DamagePolicy(block_bytes=MIB // 16, piece_bytes=MIB // 64, retries=0)
    receipt = run(source, target, MemoryStore(), policy=policy)
    assert (receipt.verified, receipt.exit_code) == (True, 20)
    assert merge(receipt.unreadable) == merge(dead)
    expected = bytearray(CONTENT)
    for area in merge(dead):
        expected[area.offset : area.end] = fill_bytes(area)
    assert target.data == expected


def test_what_was_read_first_may_die_and_the_copy_goes_on() -> None:
    """A head fails midway: the start, which was read well, is lost, and a resume meets a dead start."""
    fall, target, store = Fall(SIZE // 2 // POLICY.block_bytes), FakeMedium(bytes(SIZE)), MemoryStore()
    source = FakeMedium(CONTENT, faults=[fall])
    with pytest.raises(Interrupted):
        run(source, target, store)
    fall.good_reads, source.bad = 10**9, [Area.between(0, SIZE // 4), Area.between(SIZE // 2, SIZE - SIZE // 8)]
    receipt = run(
        source, target, store, store.saved[-1], DamagePolicy(block_bytes=MIB // 16, piece_bytes=MIB // 64, retries=0)
    )
    assert list(merge(receipt.unreadable)) == [Area.between(SIZE // 2, SIZE - SIZE // 8)]


def test_each_doubt_reads_other_sectors() -> None:
    """A sector read again and again would come out of the drive's own cache, dead or alive."""
    medium = FakeMedium(CONTENT)
    doubt = Doubt(medium)
    for _ in range(20):
        assert doubt.still_reads([Area.between(0, SIZE)], buffers(512, 1)[0])
    assert len({area.offset for area in medium.reads}) == 20


def test_a_medium_that_is_read_through_the_cache_is_asked_past_it() -> None:
    calls: list[Call] = []
    medium = FakeMedium(CONTENT, bad=[Area.between(0, SIZE)], faults=[calls.append])
    medium.direct = False
    assert not Doubt(medium).still_reads([Area.between(0, MIB)], buffers(512, 1)[0])
    assert [call.operation for call in calls].count("bypass_cache") == 1


@pytest.mark.parametrize("shift", [0.0, 0.3, 0.999_999])
def test_places_are_spread_over_all_that_was_readable(shift: float) -> None:
    areas = (Area.between(100, 200), Area.between(1000, 1900), Area.between(5000, 5001))
    offsets = list(spread(areas, shift))
    assert len(offsets) == PLACES
    assert all(any(area.offset <= at < area.end for area in areas) for at in offsets)
    assert sum(at >= 1000 for at in offsets) >= 28  # nine tenths of the bytes
    assert list(spread((), shift)) == []
    assert list(spread((Area.between(7, 8),), shift)) == [7]


class TestReadingBack:
    """The target, too, may fall silent with its size on show. That is no mismatch, and what was copied stays copied."""

    def test_a_target_that_stops_answering_is_gone_and_keeps_what_was_copied(self) -> None:
        fall, store = Fall(), MemoryStore()
        target = FakeMedium(bytes(SIZE), faults=[before("bypass_cache", lambda: setattr(fall, "good_reads", 20)), fall])
        with pytest.raises(Interrupted, match="no longer reads anything") as caught:
            run(FakeMedium(CONTENT), target, store)
        assert "Everything is copied, but nothing is proven yet" in caught.value.message()
        assert sum(run.length for run in store.saved[-1].copied) == SIZE
        sound = FakeMedium(target.data)
        assert run(FakeMedium(CONTENT), sound, store, store.saved[-1]).exit_code == 0
        assert sound.written == 0

    def test_a_large_area_that_cannot_be_read_back_is_named(self) -> None:
        lost = Area.between(SIZE // 4, SIZE - 512)
        receipt = run(FakeMedium(CONTENT), FakeMedium(bytes(SIZE), bad=[lost]), MemoryStore())
        assert (receipt.exit_code, receipt.target_unreadable) == (21, not_looked_at([lost]))
