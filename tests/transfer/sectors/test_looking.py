"""A source that loses data is asked through its own copy what is used, within a budget; that comes first then."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import pytest
from blake3 import blake3

from drivecare.errors import Interrupted
from drivecare.exit_codes import ExitCode
from drivecare.transfer.areas import Area, merge, overlap, total, widen
from drivecare.transfer.medium import Progress, Watch
from drivecare.transfer.sectors import looking
from drivecare.transfer.sectors.damage import DamagePolicy
from drivecare.transfer.sectors.engine import CopySettings, copy_and_prove
from drivecare.transfer.sectors.looking import Findings
from drivecare.transfer.sectors.receipt import Receipt
from drivecare.transfer.sectors.worth import UsedSpace
from tests.transfer.sectors.fake_medium import FakeMedium, MemoryStore, before, buffers, end_of, fresh_journal

KIB, MIB = 1 << 10, 1 << 20
SIZE, BLOCK = 24 * MIB, MIB // 4
POLICY = DamagePolicy(block_bytes=BLOCK, retries=0)
UNTIL_USED = DamagePolicy(block_bytes=BLOCK, retries=0, until_used=True)
TABLE, RECORD = Area(offset=0, length=512), Area(offset=20 * MIB + 512, length=1024)
USED = Area(offset=15 * MIB, length=2 * MIB)


@dataclass
class Customer:
    """A source and its file system, as a surveyor that needs the table before it can tell of the record."""

    bad: tuple[Area, ...] = ()
    now: float = 0.0
    asked: list[tuple[Area, ...]] = field(default_factory=list)
    told: list[str] = field(default_factory=list)
    progress: list[Progress] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.source = FakeMedium(random.Random(5).randbytes(MIB) * (SIZE // MIB), bad=self.bad)
        self.target = FakeMedium(bytes(SIZE), path="target")

    def survey(self, path: str, missing: Sequence[Area], seconds: float) -> Findings:
        assert path == "target"
        assert seconds <= looking.MOST_SECONDS
        self.asked.append(tuple(missing))
        for needed in (TABLE, RECORD):
            if any(overlap(needed, area) for area in missing):
                return Findings(lacking=(needed,))
            assert self.target.data[needed.offset : needed.end] == self.source.data[needed.offset : needed.end]
        return Findings(used_space=UsedSpace(structures=(TABLE, RECORD), used=(USED,)))

    def copy(
        self,
        surveyor: Callable[..., Findings] | None = None,
        *,
        losing_data: bool = False,
        policy: DamagePolicy = POLICY,
        store: MemoryStore | None = None,
    ) -> Receipt:
        settings, store = (
            CopySettings(policy=policy, losing_data=losing_data, least_left_bytes=MIB),
            store or MemoryStore(),
        )
        fresh = fresh_journal(end_of(self.source), end_of(self.target, "target"))
        journal = store.saved[-1] if store.saved else fresh
        watch = Watch(notify=self.told.append, on_progress=self.progress.append, clock=lambda: self.now, overlap=False)
        return copy_and_prove(
            self.source, self.target, journal, store, buffers(BLOCK), settings, watch,
            surveyor=surveyor or self.survey,
        )  # fmt: skip


def test_of_a_sound_source_nobody_asks() -> None:
    customer = Customer()
    assert customer.copy().verified
    assert customer.asked == []
    assert customer.source.reads[:96] == [Area(offset=at, length=BLOCK) for at in range(0, SIZE, BLOCK)]


def test_the_first_read_that_fails_has_what_is_used_come_first() -> None:
    bad = Area(offset=2 * MIB + 4096, length=512)
    customer = Customer(bad=(bad,))
    receipt = customer.copy()
    assert receipt.verified
    assert [area.length for area in receipt.unreadable] == [512]
    first = [area for area in customer.source.reads if not overlap(area, Area(offset=2 * MIB, length=BLOCK))]
    assert first[:8] == [Area(offset=at, length=BLOCK) for at in range(0, 2 * MIB, BLOCK)]
    piece = widen((RECORD,), 64 * KIB, SIZE)[0]
    following = [area for area in first[8:] if area.length > 512]
    assert following[0] == piece  # the table was copied already
    assert merge(following[1:9]) == (USED,)
    assert len(customer.asked) == 2
    assert "what is used comes first: 2.23 MB of 25.2 MB" in customer.told[0]
    good = [area for area in customer.source.reads if not overlap(area, bad)]
    assert sum(area.length for area in good) < SIZE + 64 * 512  # apart from asking whether it still reads


def test_of_a_source_known_to_lose_data_the_structures_come_first() -> None:
    customer = Customer()
    assert customer.copy(losing_data=True).verified
    assert total(customer.source.reads[:2]) == 2 * 64 * KIB
    assert merge(customer.source.reads[2:10]) == (USED,)
    assert total(customer.source.reads) == SIZE  # each byte once


def test_a_structure_that_cannot_be_read_is_asked_for_once_and_the_order_is_plain() -> None:
    customer = Customer(bad=(TABLE,))
    assert customer.copy(losing_data=True).verified
    assert "plain order" in customer.told[0]
    assert sum(overlap(area, TABLE) is not None for area in customer.source.reads) <= POLICY.touches


def test_whoever_asks_without_end_gets_a_hundredth_of_the_drive_at_most(monkeypatch) -> None:  # type: ignore[no-untyped-def]
    monkeypatch.setattr(looking, "_LEAST_BYTES", MIB)
    customer = Customer()

    def greedy(path: str, missing: Sequence[Area], seconds: float) -> Findings:
        return Findings(lacking=(Area(offset=missing[-1].offset, length=512),))

    assert customer.copy(greedy, losing_data=True).verified
    assert "takes more than a hundredth of the drive" in customer.told[0]
    looked = next(index for index, area in enumerate(customer.source.reads) if area.length == BLOCK)
    assert looked == 16


def test_whoever_takes_too_long_is_not_waited_for() -> None:
    customer = Customer()

    def slow(path: str, missing: Sequence[Area], seconds: float) -> Findings:
        customer.now += 200
        return Findings(lacking=(Area(offset=missing[-1].offset, length=512),))

    assert customer.copy(slow, losing_data=True).verified
    assert "takes more than five minutes" in customer.told[0]
    assert customer.now <= 600


def test_a_copy_until_what_is_used_leaves_the_rest_unread_and_proves_what_it_copied() -> None:
    bad = Area(offset=USED.offset + 4096, length=512)
    customer = Customer(bad=(bad,))
    store = MemoryStore()
    receipt = customer.copy(policy=UNTIL_USED, store=store)
    assert (receipt.verified, receipt.agrees, receipt.digest.whole) == (False, True, None)
    assert receipt.exit_code == ExitCode.INTERRUPTED
    assert receipt.contradiction == ""
    assert [(area.offset, area.length) for area in receipt.unreadable] == [(bad.offset, bad.length)]
    whole = Area(offset=0, length=SIZE)
    assert merge((*receipt.verified_areas, *receipt.unread, bad)) == (whole,)
    assert not any(overlap(USED, area) for area in receipt.unread)
    assert receipt.bytes_copied == total(receipt.verified_areas) == receipt.bytes_across
    assert total(receipt.verified_areas) < 4 * MIB
    assert [number for number, chunk in enumerate(receipt.digest.chunks) if chunk] == [0, 15, 16, 20]
    of_the_record = b"".join(
        customer.target.data[area.offset : area.end]
        for area in receipt.verified_areas
        if 20 * MIB <= area.offset < 21 * MIB
    )
    assert receipt.digest.chunks[20] == blake3(of_the_record).hexdigest()
    assert (receipt.looks, receipt.zero_fraction) == (None, None)
    for area in receipt.verified_areas:
        assert customer.target.data[area.offset : area.end] == customer.source.data[area.offset : area.end]
    assert all(not any(customer.target.data[area.offset : area.end]) for area in receipt.unread)
    assert store.saved[-1].phase == "copying"


def test_what_is_left_out_is_not_waited_for() -> None:
    customer = Customer()
    receipt = customer.copy(policy=UNTIL_USED)
    last = [progress for progress in customer.progress if progress.phase == "copying"][-1]
    assert (last.done, last.total) == (receipt.bytes_copied, receipt.bytes_copied)
    assert last.promising <= BLOCK  # the one that is being taken
    assert last.doubtful == 0


def test_reading_back_counts_to_what_is_to_be_read_back() -> None:
    customer = Customer()
    receipt = customer.copy(policy=UNTIL_USED)
    back = [progress for progress in customer.progress if progress.phase == "reading back"]
    assert {progress.total for progress in back} == {receipt.bytes_copied}
    assert back[-1].done == receipt.bytes_copied
    assert back[0].done == back[0].total - total(receipt.verified_areas) + receipt.verified_areas[0].length


def test_after_that_the_rest_is_read_and_nothing_twice() -> None:
    customer, store = Customer(), MemoryStore()
    customer.copy(policy=UNTIL_USED, store=store)
    first = len(customer.source.reads)
    receipt = customer.copy(store=store)
    assert receipt.verified
    assert (receipt.unread, receipt.verified_areas) == ((), ())
    assert total(customer.source.reads[first:]) < SIZE  # what is copied is only looked at again to know the source by
    assert bytes(customer.target.data) == customer.source.data


def test_bytes_that_differ_are_not_among_the_verified_ones() -> None:
    customer = Customer()
    spoilt = Area(offset=USED.offset, length=512)
    customer.target.faults = [before("bypass_cache", lambda: customer.target.store(spoilt.offset, bytes(512)))]
    receipt = customer.copy(policy=UNTIL_USED)
    assert receipt.exit_code == ExitCode.MISMATCH
    assert any(overlap(area, spoilt) for area in receipt.mismatched)
    assert not any(overlap(area, spoilt) for area in receipt.verified_areas)


def test_where_it_is_not_known_what_is_used_the_copy_stops_and_says_how_to_go_on() -> None:
    customer = Customer()
    with pytest.raises(Interrupted, match="what is used of the source is not known") as stopped:
        customer.copy(lambda path, missing, seconds: Findings(), policy=UNTIL_USED)
    assert "--resume without --until used" in stopped.value.message()
    assert customer.source.reads == []


def test_where_all_is_used_the_copy_is_whole() -> None:
    customer = Customer()
    whole = UsedSpace(used=(Area(offset=0, length=SIZE),))
    receipt = customer.copy(lambda path, missing, seconds: Findings(used_space=whole), policy=UNTIL_USED)
    assert receipt.verified
    assert receipt.unread == ()
