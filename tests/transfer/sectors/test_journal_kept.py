"""A copy waits for its journal, is never ahead of what the journal can say, and tells where it cannot be kept."""

from __future__ import annotations

import errno
import itertools
import random
import time

import pytest

from drivecare.errors import Interrupted, Unavailable
from drivecare.transfer.areas import Area
from drivecare.transfer.medium import Gone, Progress, Stuck, Watch
from drivecare.transfer.sectors.damage import DamagePolicy
from drivecare.transfer.sectors.engine import CopySettings, copy_and_prove
from drivecare.transfer.sectors.journal import Journal
from drivecare.transfer.sectors.receipt import Receipt
from tests.transfer.sectors.fake_medium import Call, FakeMedium, MemoryStore, buffers, end_of, fails, fresh_journal

MIB = 1 << 20
BLOCK = MIB // 4
SETTINGS = CopySettings(policy=DamagePolicy(block_bytes=BLOCK), checkpoint_bytes=MIB)
DATA = random.Random(2).randbytes(8 * MIB)


class FullDisk(MemoryStore):
    """Takes the journal until `full` says that its disk has no room for this one."""

    def __init__(self, phase: str) -> None:
        super().__init__()
        self.phase = phase

    def save(self, journal: Journal) -> None:
        if journal.phase == self.phase and journal.copied:
            raise Unavailable("cannot be written: No space left on device", location="t.journal.json")
        super().save(journal)


def copy_with(
    store: MemoryStore, target: FakeMedium, *, journal: Journal | None = None, watch: Watch | None = None
) -> Receipt:
    source = FakeMedium(DATA)
    return copy_and_prove(
        source, target, journal or fresh_journal(end_of(source), end_of(target)), store, buffers(BLOCK), SETTINGS, watch
    )


@pytest.mark.promise(6)
@pytest.mark.parametrize("overlap", [True, False], ids=["threads", "in order"])
@pytest.mark.parametrize("phase", ["copying", "reading-back", "done"])
def test_a_journal_that_cannot_be_written_stops_the_copy_with_a_way_on(phase: str, overlap: bool) -> None:
    calls: list[Call] = []
    store, target = FullDisk(phase), FakeMedium(bytes(len(DATA)), faults=[calls.append])
    with pytest.raises(Interrupted) as caught:
        copy_with(store, target, watch=Watch(overlap=overlap))
    assert caught.value.exit_code == 23
    message = caught.value.message()
    assert "journal" in message
    assert "No space left on device" in message
    assert "t.journal.json" in message
    assert "--resume" in message
    read_back = any(call.operation == "bypass_cache" for call in calls)
    assert read_back is (phase == "done")  # what no journal calls copied is not worth proving
    store.phase = "none"
    assert copy_with(store, target, journal=store.saved[-1]).exit_code == 0
    assert target.data == DATA


def test_a_copy_is_never_more_than_a_checkpoint_ahead_of_its_journal() -> None:
    """Else a kill costs more than what is promised, and a journal that cannot be written is noticed at the end."""
    store, target = FullDisk("copying"), FakeMedium(bytes(len(DATA)))
    with pytest.raises(Interrupted):
        copy_with(store, target)
    assert target.written <= 2 * SETTINGS.checkpoint_bytes


def test_the_journal_of_a_checkpoint_is_durable_before_the_next_one_begins() -> None:
    class Slow(MemoryStore):
        def save(self, journal: Journal) -> None:
            time.sleep(0.02)
            super().save(journal)

    flushes = itertools.count()

    def is_kept(call: Call) -> None:
        if call.operation == "flush":
            assert len(store.saved) > next(flushes), "flushed before the journal of the last checkpoint was kept"
        elif call.operation == "bypass_cache":
            assert store.saved[-1].phase == "reading-back"

    store = Slow()
    target = FakeMedium(bytes(len(DATA)), faults=[is_kept])
    assert copy_with(store, target).exit_code == 0
    assert next(flushes) > len(DATA) // SETTINGS.checkpoint_bytes
    assert store.saved[-1].phase == "done"


def test_after_a_flush_that_failed_nothing_since_the_last_one_is_called_copied() -> None:
    """On Linux the next flush succeeds: what could not be written counts as clean then, and is lost (Rebello et al.,
    "Can Applications Recover from fsync Failures?", USENIX ATC 2020)."""

    calls: list[Call] = []
    second_flush = fails("flush", OSError(errno.EIO, "Input/output error"), after=1, times=1)
    store, target = MemoryStore(), FakeMedium(bytes(len(DATA)), faults=[calls.append, second_flush])
    settings = CopySettings(policy=SETTINGS.policy, checkpoint_bytes=3 * BLOCK)  # in the midst of a chunk
    source = FakeMedium(DATA)
    with pytest.raises(Interrupted):
        copy_and_prove(source, target, fresh_journal(end_of(source), end_of(target)), store, buffers(BLOCK), settings)
    assert [call.operation for call in calls].count("flush") >= 2
    assert all(run.end <= 3 * BLOCK for journal in store.saved for run in journal.copied)


def test_the_journal_of_a_sound_copy_lists_nothing_that_waits() -> None:
    """It grows with the damage, not with what is yet to be read."""
    store = MemoryStore()
    copy_with(store, FakeMedium(bytes(len(DATA))))
    assert {journal.waiting for journal in store.saved} == {()}


@pytest.mark.parametrize(
    "farewell",
    [Gone("the target is gone"), Stuck("the target hangs", 4712), OSError(errno.EIO, "the target fails"), None],
    ids=["gone", "hanging", "failing", "its journal cannot be written"],
)
def test_the_reason_for_leaving_counts_more_than_what_fails_on_the_way_out(farewell: Exception | None) -> None:
    hangs = Stuck("reading has not come back for 300 s", 4711)
    source = FakeMedium(DATA, faults=[fails("read", hangs, from_offset=MIB // 2)])
    target = FakeMedium(bytes(len(DATA)), faults=[] if farewell is None else [fails("flush", farewell)])
    store = MemoryStore() if farewell is not None else FullDisk("copying")
    with pytest.raises(Interrupted) as caught:
        copy_and_prove(source, target, fresh_journal(end_of(source), end_of(target)), store, buffers(BLOCK), SETTINGS)
    assert "4711" in caught.value.message()
    assert "--resume" in caught.value.message()


def interrupted_at(position: int, target: FakeMedium) -> Journal:
    """The journal of a copy that was stopped there."""
    store, reports = MemoryStore(), [0]

    def stop() -> str | None:
        return "stopped by SIGINT" if reports[-1] >= position else None

    def follow(progress: Progress) -> None:
        reports.append(progress.done)

    with pytest.raises(Interrupted):
        copy_with(store, target, watch=Watch(on_progress=follow, stop_reason=stop))
    return store.saved[-1]


@pytest.mark.parametrize("fault", ["wrong byte", "unreadable"])
def test_what_the_target_lost_of_the_last_window_is_copied_again(fault: str) -> None:
    """A power cut may keep some of what was written last: only that is read again, and the end is the same."""
    target = FakeMedium(bytes(len(DATA)))
    journal = interrupted_at(4 * MIB, target)
    end = journal.copied[-1].end
    lost = Area.between(end - 1, end)
    if fault == "wrong byte":
        target.data[lost.offset] ^= 1
    else:
        target.bad = [Area.between(end - 512, end)]
    store = MemoryStore()

    def mend(call: Call) -> None:
        """A bad sector is sound again once it was written, as a drive's is."""
        if call.operation == "write":
            again.bad = [bad for bad in again.bad if not (call.area.offset <= bad.offset and bad.end <= call.area.end)]

    again = FakeMedium(target.data, bad=target.bad, faults=[mend])
    # a window of two segments, so that the other one still shows that it is the right target
    settings = CopySettings(policy=SETTINGS.policy, checkpoint_bytes=2 * MIB)
    receipt = copy_and_prove(FakeMedium(DATA), again, journal, store, buffers(BLOCK), settings)
    assert (receipt.exit_code, receipt.mismatched, receipt.target_unreadable) == (0, (), ())
    assert again.data == DATA
    copied = sum(run.length for run in journal.copied)
    assert len(DATA) - copied < again.written <= len(DATA) - copied + MIB
