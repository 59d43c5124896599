"""Reading the target back after a copy: what disagrees, what cannot be read, and a target that went away meanwhile."""

from __future__ import annotations

import errno
import random
from collections.abc import Callable

import pytest

from drivecare.errors import Interrupted
from drivecare.transfer.areas import Area
from drivecare.transfer.holds import AreaContents, not_looked_at
from drivecare.transfer.sectors.damage import DamagePolicy
from drivecare.transfer.sectors.engine import CopySettings, copy_and_prove
from drivecare.transfer.sectors.journal import Journal
from drivecare.transfer.sectors.receipt import Receipt
from tests.transfer.sectors.fake_medium import Call, FakeMedium, MemoryStore, before, buffers, end_of, fresh_journal

MIB = 1 << 20
BLOCK = MIB // 4
SETTINGS = CopySettings(policy=DamagePolicy(block_bytes=BLOCK), checkpoint_bytes=MIB)
DATA = random.Random(1).randbytes(4 * MIB)


class Spoiled(FakeMedium):
    """A target that takes every byte; once its cache was bypassed, `on_read` may spoil a read of it."""

    def __init__(self, data: bytes) -> None:
        super().__init__(data, faults=(before("bypass_cache", self._begin), self._spoil))
        self.on_read: Callable[[Area], None] | None = None
        self.reading_back = False

    def _begin(self) -> None:
        self.reading_back = True

    def _spoil(self, call: Call) -> None:
        if call.operation == "read" and self.reading_back and self.on_read is not None:
            self.on_read(call.area)


def copy_to(
    target: FakeMedium, store: MemoryStore, *, bad: tuple[Area, ...] = (), journal: Journal | None = None
) -> Receipt:
    source = FakeMedium(DATA, bad=bad)
    journal = journal or fresh_journal(end_of(source), end_of(target))
    return copy_and_prove(source, target, journal, store, buffers(BLOCK), SETTINGS)


def test_a_target_that_cannot_be_read_back_proves_nothing_and_is_copied_again_on_resume() -> None:
    lost = Area.between(MIB + 512, MIB + 1536)
    target, store = FakeMedium(bytes(len(DATA)), bad=[lost]), MemoryStore()
    receipt = copy_to(target, store)
    assert (receipt.verified, receipt.verification, receipt.exit_code) == (False, None, 21)
    assert (receipt.target_unreadable, receipt.mismatched, receipt.digest.whole) == (not_looked_at([lost]), (), None)
    assert receipt.digest.chunks[1] is not None  # the source's own, so that a later verification can compare
    written, target.bad = target.written, []
    assert copy_to(target, store, journal=store.saved[-1]).exit_code == 0
    assert target.written - written == MIB


@pytest.mark.parametrize("quarter", range(4))
def test_a_wrong_fill_is_a_mismatch_wherever_it_is_in_its_chunk(quarter: int) -> None:
    """A chunk comes in several reads, and only one of them is wrong."""
    wrong_at = MIB + quarter * BLOCK + 700

    def forget() -> None:
        target.data[wrong_at] ^= 1

    target = FakeMedium(bytes(len(DATA)), faults=[before("bypass_cache", forget)])
    receipt = copy_to(target, MemoryStore(), bad=(Area.between(MIB, 2 * MIB),))
    assert [(lost.offset, lost.end) for lost in receipt.unreadable] == [(MIB, 2 * MIB)]
    assert (receipt.mismatched, receipt.verified, receipt.exit_code) == (
        (AreaContents.between(MIB, 2 * MIB),),
        False,
        21,
    )


@pytest.mark.parametrize("fault", ["wrong byte", "unreadable"])
def test_only_a_target_that_agrees_is_called_done(fault: str) -> None:
    target, store = Spoiled(bytes(len(DATA))), MemoryStore()
    if fault == "unreadable":
        target.bad = [Area.between(3 * MIB, 3 * MIB + 512)]
    else:
        target.on_read = lambda area: target.data.__setitem__(3 * MIB, DATA[3 * MIB] ^ 1)
    assert copy_to(target, store).exit_code == 21
    unproven = store.saved[-1]
    target.bad, target.on_read, target.reading_back = [], None, False
    assert copy_to(target, store, journal=unproven).exit_code == 0
    assert (unproven.phase, store.saved[-1].phase) == ("copying", "done")


def _failing(error: int, *, smaller_than: int = len(DATA)) -> Callable[[Spoiled], Callable[[Area], None]]:
    """Every read behind 2 MiB that is smaller than that many bytes ends in `error`; the device is still shown."""

    def arm(target: Spoiled) -> Callable[[Area], None]:
        def on_read(area: Area) -> None:
            if area.offset >= 2 * MIB:
                raise OSError(error if area.length < smaller_than else errno.EIO, "failed")

        return on_read

    return arm


def _pulled(after_failures: int) -> Callable[[Spoiled], Callable[[Area], None]]:
    """Every read behind 2 MiB is EIO, and from the failure of that number on the device is not shown any more."""

    def arm(target: Spoiled) -> Callable[[Area], None]:
        failures = iter(range(10**6))

        def on_read(area: Area) -> None:
            if area.offset >= 2 * MIB:
                target.gone = target.gone or next(failures) >= after_failures
                raise OSError(errno.EIO, "Input/output error")

        return on_read

    return arm


def _pulled_behind_the_last_byte(target: Spoiled) -> Callable[[Area], None]:
    def on_read(area: Area) -> None:
        target.gone = area.end >= len(DATA)

    return on_read


GONE: dict[str, Callable[[Spoiled], Callable[[Area], None]]] = {
    # which error means what: block/blk-core.c in the Linux sources
    "the way to it failed": _failing(errno.ETIMEDOUT),
    "the way to it failed, sector by sector": _failing(errno.ENOLINK, smaller_than=BLOCK),
    "EIO, and it is not shown any more": _pulled(0),
    "EIO, and it vanishes among the sectors": _pulled(8),
    "it vanishes after its last byte was read": _pulled_behind_the_last_byte,
    "a fault of this machine": _failing(errno.EINVAL),
    "a fault of this machine, sector by sector": _failing(errno.ENOMEM, smaller_than=BLOCK),
}


@pytest.mark.promise(3)
@pytest.mark.parametrize("fault", GONE)
def test_a_target_that_went_away_is_neither_unreadable_nor_proven(fault: str) -> None:
    target, store = Spoiled(bytes(len(DATA))), MemoryStore()
    target.on_read = GONE[fault](target)
    with pytest.raises(Interrupted) as caught:
        copy_to(target, store)
    assert caught.value.exit_code == 23
    assert ("this machine" in caught.value.message()) is ("this machine" in fault)
    # a drive that is not there is not asked for each of its sectors
    assert any(area.length < BLOCK for area in target.reads) is ("sector" in fault)
    journal = store.saved[-1]
    assert journal.phase == "reading-back"
    assert sum(run.length for run in journal.copied) == len(DATA)  # not one sector was taken for a bad one
    written, target.on_read, target.gone = target.written, None, False
    assert copy_to(target, store, journal=journal).exit_code == 0
    assert target.written == written
