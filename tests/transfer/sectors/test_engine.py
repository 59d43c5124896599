"""The engine on media in memory, threads and all."""

from __future__ import annotations

import errno
import hashlib
import random
import threading
from collections.abc import Callable

import msgspec
import pytest
from blake3 import blake3

from drivecare import __version__
from drivecare.errors import Interrupted, Refused
from drivecare.transfer.areas import Area, merge, total
from drivecare.transfer.holds import AreaContents
from drivecare.transfer.medium import Progress, Stuck, Watch
from drivecare.transfer.sectors.bad_places import WithBadAreas
from drivecare.transfer.sectors.comparison import ExpectedPart
from drivecare.transfer.sectors.damage import DamagePolicy
from drivecare.transfer.sectors.engine import CopySettings, copy_and_prove
from drivecare.transfer.sectors.fill import FILL, fill_bytes
from drivecare.transfer.sectors.journal import Journal, Parent
from drivecare.transfer.sectors.readback import read_back
from drivecare.transfer.sectors.receipt import End, Receipt, Unreadable
from tests.transfer.sectors.fake_medium import (
    Call,
    FakeMedium,
    Fault,
    MemoryStore,
    Operation,
    before,
    buffers,
    end_of,
    fails,
    fresh_journal,
)

MIB = 1 << 20
QUICK = CopySettings(policy=DamagePolicy(block_bytes=MIB // 4), checkpoint_bytes=MIB)


def random_bytes(size: int, seed: int = 1) -> bytes:
    return random.Random(seed).randbytes(size)


def run(
    source: FakeMedium,
    target: FakeMedium,
    *,
    journal: Journal | None = None,
    store: MemoryStore | None = None,
    settings: CopySettings = QUICK,
    watch: Watch | None = None,
) -> Receipt:
    journal = journal or fresh_journal(end_of(source), end_of(target))
    return copy_and_prove(source, target, journal, store or MemoryStore(), buffers(MIB // 4), settings, watch)


@pytest.mark.parametrize("size", [1, 511, 512, MIB - 1, MIB, 3 * MIB + 700], ids=str)
@pytest.mark.parametrize("overlap", [True, False], ids=["threads", "in order"])
def test_a_sound_source_is_copied_and_proven(size: int, overlap: bool) -> None:
    source = FakeMedium(random_bytes(size))
    target = FakeMedium(bytes(size))
    receipt = run(source, target, watch=Watch(overlap=overlap))
    assert target.data == source.data
    assert receipt.digest.whole == hashlib.sha256(source.data).hexdigest()
    assert receipt.digest.chunks == tuple(blake3(source.data[at : at + MIB]).hexdigest() for at in range(0, size, MIB))
    assert (receipt.verified, receipt.exit_code, receipt.bytes_copied) == (True, 0, size)
    assert receipt.begun_by_version == receipt.tool_version == __version__
    assert receipt.verification is not None
    assert receipt.verification.method == "direct"


def test_unreadable_areas_are_listed_to_the_sector_and_filled() -> None:
    data = bytearray(random_bytes(4 * MIB))
    bad = (
        Area.between(512 * 100, 512 * 103),
        Area.between(3 * MIB, 3 * MIB + 70_000 // 512 * 512),
        Area.between(4 * MIB - 512, 4 * MIB),
    )
    source, target = FakeMedium(data, bad=bad), FakeMedium(random_bytes(4 * MIB, 2))
    receipt = run(source, target)
    assert merge(receipt.unreadable) == bad
    assert (receipt.verified, receipt.exit_code) == (True, 20)
    assert receipt.bytes_copied == 4 * MIB - total(bad)
    for area in bad:
        data[area.offset : area.end] = fill_bytes(area)
    assert target.data == data
    assert receipt.digest.whole == hashlib.sha256(data).hexdigest()
    assert receipt.fill == FILL
    assert b"could not be read at byte 00000000000000051200" in target.data[51200:51712]


def test_the_fill_is_the_same_however_it_is_cut() -> None:
    whole = fill_bytes(Area.between(0, 4096))
    assert whole[:4095] == b"".join(fill_bytes(Area.between(at, at + 7)) for at in range(0, 4095, 7))
    assert fill_bytes(Area.between(1000, 1100)) == whole[1000:1100]


def test_no_bad_sector_is_touched_more_than_the_budget() -> None:
    bad = Area.between(512 * 1000, 512 * 1007)
    source = FakeMedium(random_bytes(2 * MIB), bad=[bad])
    run(source, FakeMedium(bytes(2 * MIB)))
    for sector in range(1000, 1007):
        touches = sum(area.offset <= sector * 512 < area.end for area in source.reads)
        assert touches <= QUICK.policy.touches


def test_zeros_become_holes_in_an_image_and_are_written_to_a_device() -> None:
    data = random_bytes(MIB) + bytes(MIB) + random_bytes(MIB)
    image, device = FakeMedium(random_bytes(3 * MIB, 2), sparse=True), FakeMedium(random_bytes(3 * MIB, 2))
    run(FakeMedium(data), image)
    run(FakeMedium(data), device)
    assert image.data == device.data == data
    assert merge(image.punched) == (Area.between(MIB, 2 * MIB),)
    assert image.written == 2 * MIB
    assert device.punched == []
    assert device.written == 3 * MIB


@pytest.mark.promise(6)
def test_the_journal_lies_there_before_the_first_byte() -> None:
    store = MemoryStore()

    def is_journalled(call: Call) -> None:
        assert store.saved or call.operation != "write", "a byte was written before the journal"

    run(FakeMedium(random_bytes(MIB)), FakeMedium(bytes(MIB), faults=[is_journalled]), store=store)
    assert [journal.phase for journal in store.saved][-1] == "done"


def test_a_stop_leaves_a_journal_and_a_resume_reads_only_the_rest() -> None:
    source, target, store = FakeMedium(random_bytes(8 * MIB)), FakeMedium(bytes(8 * MIB)), MemoryStore()
    reports: list[Progress] = []

    def stop() -> str | None:
        return "stopped by SIGINT" if reports and reports[-1].done >= 4 * MIB else None

    with pytest.raises(Interrupted, match="stopped by SIGINT") as caught:
        run(source, target, store=store, watch=Watch(on_progress=reports.append, stop_reason=stop))
    assert caught.value.exit_code == 23
    assert "--resume" in caught.value.message()
    copied = total(store.saved[-1].copied)
    assert copied >= 4 * MIB
    source.reads.clear()
    receipt = run(source, target, journal=store.saved[-1], store=store)
    read_again = total(source.reads) - (8 * MIB - copied)
    assert read_again <= 2 * MIB  # one chunk of what was copied last, one of what was copied first
    assert receipt.digest.whole == hashlib.sha256(source.data).hexdigest()


def test_a_finished_copy_resumed_is_read_back_again() -> None:
    source, target, store = FakeMedium(random_bytes(2 * MIB)), FakeMedium(bytes(2 * MIB)), MemoryStore()
    first = run(source, target, store=store)
    source.reads.clear()
    target.written = 0
    again = run(source, target, journal=store.saved[-1], store=store)
    assert again.digest == first.digest
    assert target.written == 0


def test_a_wrong_byte_is_named_and_a_resume_writes_it_again() -> None:
    def forget() -> None:
        target.data[5 * MIB // 2] ^= 1

    source, target, store = FakeMedium(random_bytes(4 * MIB)), FakeMedium(bytes(4 * MIB)), MemoryStore()
    target.faults = [before("bypass_cache", forget)]
    receipt = run(source, target, store=store)
    assert (receipt.verified, receipt.verification, receipt.exit_code) == (False, None, 21)
    assert receipt.mismatched == (AreaContents.between(2 * MIB, 3 * MIB),)
    assert receipt.digest.whole is None
    assert receipt.digest.chunks[2] == blake3(source.data[2 * MIB : 3 * MIB]).hexdigest()
    target.faults = []
    assert run(source, target, journal=store.saved[-1], store=store).exit_code == 0
    assert target.data == source.data


@pytest.mark.promise(3)
def test_read_wrong_and_not_readable_are_two_things() -> None:
    data = random_bytes(2 * MIB)
    target = FakeMedium(data, bad=[Area.between(512, 1024)])
    parts = [ExpectedPart(Area.between(at, at + MIB), blake3(data[at : at + MIB]).digest()) for at in (0, MIB)]
    target.data[-1] ^= 1
    proof = read_back(
        target,
        parts,
        bytes_total=2 * MIB,
        chunk_bytes=MIB,
        algorithm="blake3",
        whole_algorithm="sha256",
        buffers=buffers(MIB // 4),
        watch=Watch(),
    )
    assert proof.unreadable == (Area.between(512, 1024),)
    assert proof.mismatched == (Area.between(MIB, 2 * MIB),)
    assert proof.whole is None
    assert proof.chunks[0] is None


@pytest.mark.parametrize("version", ["0.1.9", None])
def test_a_copy_says_which_version_began_it_and_which_ended_it(version: str | None) -> None:
    source, target = FakeMedium(random_bytes(MIB)), FakeMedium(bytes(MIB))
    begun = msgspec.structs.replace(fresh_journal(end_of(source), end_of(target)), tool_version=version)
    receipt = run(source, target, journal=begun)
    assert (receipt.begun_by_version, receipt.tool_version) == (version, __version__)


@pytest.mark.parametrize(
    ("make", "looks", "code", "zero_fraction"),
    [
        (lambda: bytes(MIB), "zero", "source-wholly-zero", 1.0),
        (lambda: random_bytes(MIB), "random", "source-wholly-random", 0.0),
        (lambda: b"some text, over and over. " * 40_000, "mixed", None, 0.0),
        (lambda: random_bytes(MIB // 2) + bytes(MIB // 2), "mixed", None, 0.5),
    ],
    ids=["zeros", "random", "text", "half"],
)
def test_a_source_that_means_nothing_is_said_aloud(
    make: Callable[[], bytes], looks: str, code: str | None, zero_fraction: float
) -> None:
    data = make()
    receipt = run(FakeMedium(data), FakeMedium(bytes(len(data))))
    assert receipt.looks == looks
    assert receipt.zero_fraction == zero_fraction
    assert [note.code for note in receipt.notes] == ([code] if code else [])
    assert receipt.exit_code == 0


def pulled(medium: FakeMedium, error: int | None) -> Fault:
    """From 2 MiB on the medium is gone; its reads and writes end as a file does, or in `error`."""

    def fault(call: Call) -> int | None:
        if call.area.offset < 2 * MIB:
            return None
        medium.gone = True
        if error is None:
            return 0
        raise OSError(error, "pulled")

    return fault


def failing(operation: Operation, error: Exception) -> Callable[[FakeMedium], Fault]:
    return lambda _: fails(operation, error, from_offset=2 * MIB)


FAULTS: dict[str, tuple[str, Callable[[FakeMedium], Fault], str]] = {
    # errors after removal: measured on emulated hardware with Linux 6.1, see tests/bench
    "source pulled, like end of file": ("source", lambda m: pulled(m, None), "before its size"),
    "source pulled, ENODEV": ("source", lambda m: pulled(m, errno.ENODEV), "no longer there"),
    "source pulled, EIO": ("source", lambda m: pulled(m, errno.EIO), "no longer there"),
    "source hangs": ("source", failing("read", Stuck("reading has not come back", 4711)), "process 4711"),
    "source, our own fault": ("source", failing("read", OSError(errno.EINVAL, "failed")), "this machine's side"),
    "target pulled, ENODEV": ("target", lambda m: pulled(m, errno.ENODEV), "writing failed"),
    "target full": ("target", failing("write", OSError(errno.ENOSPC, "failed")), "no space is left"),
    "target full, nothing written": ("target", lambda m: pulled(m, None), "no space is left"),
}


@pytest.mark.promise(6)
@pytest.mark.parametrize("fault", FAULTS)
def test_interruptions_end_in_23_and_a_resume_ends_in_the_same(fault: str) -> None:
    end, make_fault, words = FAULTS[fault]
    data = random_bytes(4 * MIB)
    source, target, store = FakeMedium(data), FakeMedium(bytes(4 * MIB)), MemoryStore()
    broken = source if end == "source" else target
    broken.faults.append(make_fault(broken))
    with pytest.raises(Interrupted, match=words) as caught:
        run(source, target, store=store)
    assert caught.value.exit_code == 23
    journal = store.saved[-1]
    broken.faults, broken.gone = [], False
    receipt = run(source, target, journal=journal, store=store)
    assert receipt.exit_code == 0
    assert receipt.unreadable == ()
    assert target.data == data


@pytest.mark.promise(2)
def test_a_flush_after_removal_is_not_believed() -> None:
    store, target = MemoryStore(), FakeMedium(bytes(4 * MIB))
    target.gone = True  # and its flushes succeed all the same, as those of NVMe do
    with pytest.raises(Interrupted, match="no longer there"):
        run(FakeMedium(random_bytes(4 * MIB)), target, store=store)
    assert store.saved[-1].copied == ()


@pytest.mark.promise(3)
def test_errors_of_a_drive_that_fell_off_the_bus_mark_no_sector() -> None:
    """EIO for everything, and the kernel still shows the device: it has to read what it read before."""

    error = OSError(errno.EIO, "Input/output error")
    source = FakeMedium(random_bytes(8 * MIB), faults=[fails("read", error, after=8)])
    store = MemoryStore()
    with pytest.raises(Interrupted, match="dropped off the bus"):
        run(source, FakeMedium(bytes(8 * MIB)), store=store)
    assert store.saved[-1].waiting == ()


def test_a_source_that_changed_is_refused() -> None:
    source, target, store = FakeMedium(random_bytes(2 * MIB)), FakeMedium(bytes(2 * MIB)), MemoryStore()
    run(source, target, store=store)
    source.data[-1] ^= 1
    with pytest.raises(Refused) as caught:
        run(source, target, journal=store.saved[-1])
    assert caught.value.guard == "source-changed"


def test_another_target_is_refused() -> None:
    source, target, store = FakeMedium(random_bytes(4 * MIB)), FakeMedium(bytes(4 * MIB)), MemoryStore()
    run(source, target, store=store)
    with pytest.raises(Refused) as caught:
        run(
            source,
            FakeMedium(bytes(4 * MIB)),
            journal=store.saved[-1],
            settings=msgspec.structs.replace(QUICK, checkpoint_bytes=2 * MIB),
        )
    assert caught.value.guard == "target-changed"


def test_the_time_allowed_for_damage_is_kept() -> None:
    ticks = iter(range(10**9))
    source = FakeMedium(random_bytes(2 * MIB), bad=[Area.between(MIB, MIB + 65536)])
    settings = msgspec.structs.replace(QUICK, policy=DamagePolicy(block_bytes=MIB // 4, damage_seconds=3))
    with pytest.raises(Interrupted, match="time allowed for damaged areas"):
        run(source, FakeMedium(bytes(2 * MIB)), settings=settings, watch=Watch(clock=lambda: float(next(ticks))))


def test_threads_end_with_the_copy() -> None:
    """A copy that was stopped does not wait for its threads; they end all the same, if a moment later."""
    before = set(threading.enumerate())
    with pytest.raises(Interrupted):
        run(FakeMedium(random_bytes(4 * MIB)), FakeMedium(bytes(4 * MIB)), watch=Watch(stop_reason=lambda: "stopped"))
    run(FakeMedium(random_bytes(4 * MIB)), FakeMedium(bytes(4 * MIB)))
    for thread in set(threading.enumerate()) - before:
        thread.join(timeout=60)
        assert not thread.is_alive(), thread.name


class TestChains:
    """Drive to image today, image to replacement next week."""

    data = random_bytes(2 * MIB)
    drive = End(path="/dev/sdb", kind="device", size_bytes=2 * MIB, serial="KX25-00417")

    def parent(self, whole: str | None = None, **more: object) -> Parent:
        digest = whole or hashlib.sha256(self.data).hexdigest()
        lost = Unreadable(offset=4096, length=512)
        return msgspec.structs.replace(Parent(whole=digest, unreadable=(lost,), origin=self.drive), **more)

    def copied(self, parent: Parent, bad: tuple[Area, ...] = ()) -> Receipt:
        source, target = FakeMedium(self.data, bad=bad), FakeMedium(bytes(2 * MIB))
        return run(source, target, journal=fresh_journal(end_of(source), end_of(target), parent=parent))

    def test_the_second_receipt_names_the_first_and_inherits_its_losses(self) -> None:
        receipt = self.copied(self.parent())
        assert receipt.parents == (hashlib.sha256(self.data).hexdigest(),)
        assert [(area.offset, area.length, area.inherited) for area in receipt.unreadable] == [(4096, 512, True)]
        assert receipt.origin == self.drive
        assert receipt.bytes_copied == 2 * MIB
        assert (receipt.verified, receipt.exit_code) == (True, 20)

    def test_an_image_that_changed_breaks_the_chain_and_mends_no_loss(self) -> None:
        receipt = self.copied(self.parent(whole="0" * 64))
        assert receipt.parents == ()
        assert [(area.offset, area.inherited) for area in receipt.unreadable] == [(4096, True)]
        (note,) = [note for note in receipt.notes if note.code == "chain-broken"]
        assert "it was changed since" in note.text

    def test_a_loss_of_its_own_breaks_it_too_and_keeps_what_was_lost_before(self) -> None:
        receipt = self.copied(self.parent(), bad=(Area.between(MIB, MIB + 512),))
        assert receipt.parents == ()
        assert [(area.offset, area.inherited) for area in receipt.unreadable] == [(4096, True), (MIB, False)]
        (note,) = [note for note in receipt.notes if note.code == "chain-broken"]
        assert note.text.startswith("Parts of the image could not be read")

    def test_three_in_a_row(self) -> None:
        receipt = self.copied(self.parent(parents=("1" * 64,)))
        assert receipt.parents == (hashlib.sha256(self.data).hexdigest(), "1" * 64)


@pytest.mark.parametrize("before", [True, False, None])
def test_the_receipt_says_whether_the_source_was_set_read_only(before: bool | None) -> None:
    source, target = FakeMedium(random_bytes(MIB)), FakeMedium(bytes(MIB))
    journal = msgspec.structs.replace(fresh_journal(end_of(source), end_of(target)), source_was_read_only=before)
    assert run(source, target, journal=journal).reads.set_read_only is (before is not None)


def test_a_read_may_be_larger_than_a_chunk_and_cut_across_it() -> None:
    source, target = FakeMedium(random_bytes(9 * MIB + 700)), FakeMedium(bytes(9 * MIB + 700))
    settings = CopySettings(policy=DamagePolicy(block_bytes=4 * MIB))
    receipt = copy_and_prove(
        source, target, fresh_journal(end_of(source), end_of(target)), MemoryStore(), buffers(4 * MIB), settings
    )
    assert receipt.digest.chunks == tuple(
        blake3(source.data[at : at + MIB]).hexdigest() for at in range(0, 9 * MIB + 700, MIB)
    )
    assert receipt.verified


def test_bad_areas_over_a_sound_medium() -> None:
    inner = FakeMedium(random_bytes(MIB))
    source = WithBadAreas(inner, (Area.between(1024, 2048),))
    target = FakeMedium(bytes(MIB))
    journal = fresh_journal(end_of(inner), end_of(target))
    receipt = copy_and_prove(source, target, journal, MemoryStore(), buffers(MIB // 4), QUICK)
    assert [(area.offset, area.length) for area in receipt.unreadable] == [(1024, 1024)]


def test_a_long_fill_can_be_stopped_and_what_was_read_is_safe() -> None:
    source = FakeMedium(random_bytes(8 * MIB), bad=[Area.between(2 * MIB, 6 * MIB)])
    target, store = FakeMedium(bytes(8 * MIB)), MemoryStore()
    reports: list[Progress] = []

    def stop() -> str | None:
        return "stopped by SIGINT" if reports and reports[-1].phase.startswith("filling") else None

    with pytest.raises(Interrupted, match="stopped by SIGINT"):
        run(source, target, store=store, watch=Watch(on_progress=reports.append, stop_reason=stop))
    assert reports[-1].done == MIB // 4
    assert reports[-1].total == 4 * MIB
    assert total(store.saved[-1].copied) == 4 * MIB
    assert run(source, target, journal=store.saved[-1], store=store).exit_code == 20
