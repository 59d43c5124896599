"""Thousands of seeded schedules of faults and crashes; and broken promises, which the schedules must notice."""

from __future__ import annotations

import os
from concurrent.futures import ProcessPoolExecutor

import pytest

from drivecare.transfer.areas import Area
from drivecare.transfer.medium import Buffer
from drivecare.transfer.sectors.fill import fill_bytes
from drivecare.transfer.sectors.receipt import ReadBackMethod
from tests.transfer.sectors.simulation import Crash, Schedule, SimSource, SimTarget

FEW, MANY = 300, 10_000
CATCH_WITHIN = 600


@pytest.fixture(scope="module")
def schedules() -> list[Schedule]:
    few = [Schedule(seed) for seed in range(FEW)]
    for schedule in few:
        schedule.run()
    return few


@pytest.mark.promise(2)
def test_every_schedule_ends_in_a_true_receipt(schedules: list[Schedule]) -> None:
    assert all(schedule.receipts[-1].verified for schedule in schedules)


def _run(seeds: range) -> None:
    for seed in seeds:
        Schedule(seed).run()


@pytest.mark.promise(6)
@pytest.mark.slow
@pytest.mark.timeout(300)
def test_ten_thousand_schedules() -> None:
    with ProcessPoolExecutor(max_workers=os.cpu_count()) as pool:
        step = 250
        list(pool.map(_run, [range(first, first + step) for first in range(FEW, FEW + MANY, step)]))


def test_schedules_meet_what_they_claim_to(schedules: list[Schedule]) -> None:
    """A simulation in which nothing happens would pass, too."""
    assert sum(s.fate.silent_faults > 0 for s in schedules) > 20
    assert sum(any(not receipt.verified for receipt in s.receipts) for s in schedules) > 10
    assert sum(bool(s.receipts[-1].unreadable) for s in schedules) > 20
    assert sum(s.fate.crash > 0 for s in schedules) > 100
    assert sum((s.store.journal is not None and s.store.journal.sessions >= 1) for s in schedules) > 200


def test_a_schedule_is_the_same_every_time() -> None:
    first, second = Schedule(17).run(), Schedule(17).run()
    assert (first.digest, first.unreadable, first.reads) == (second.digest, second.unreadable, second.reads)


# --- an engine that breaks one promise, as its media see it ---------------------------------------------------------


class NeverFlushed(SimTarget):
    def flush(self) -> None:
        self.touch()


class ReadFromTheCache(SimTarget):
    def bypass_cache(self) -> ReadBackMethod:
        self.touch()
        return "direct"


class FlushedAfterTheJournal(SimTarget):
    """What one flush should have made durable, the next one does."""

    before: int = 0

    def flush(self) -> None:
        later = self.coming[self.before :]
        self.coming = self.coming[: self.before]
        try:
            super().flush()
        finally:
            self.coming += later
            self.before = len(self.coming)


class BelievedWhenPulled(SimTarget):
    def is_present(self) -> bool:
        return True


class FlushedAgainAfterAFailure(SimTarget):
    def flush(self) -> None:
        try:
            super().flush()
        except OSError:
            super().flush()


class FailedWritesCountedAsDone(SimTarget):
    def write(self, offset: int, buffer: Buffer, start: int, length: int) -> int:
        try:
            return super().write(offset, buffer, start, length)
        except OSError:
            return length


class ShortWritesTakenForWhole(SimTarget):
    def write(self, offset: int, buffer: Buffer, start: int, length: int) -> int:
        super().write(offset, buffer, start, length)
        return length


class NoFill(SimTarget):
    def write(self, offset: int, buffer: Buffer, start: int, length: int) -> int:
        data = bytes(buffer.view[start : start + length])
        if data == fill_bytes(Area.between(offset, offset + length)):
            return length
        return super().write(offset, buffer, start, length)


class ShortReadsTakenForWhole(SimSource):
    def read(self, offset: int, buffer: Buffer, length: int) -> int:
        count = super().read(offset, buffer, length)
        return length if count else 0


class FailedReadsTakenForData(SimSource):
    def read(self, offset: int, buffer: Buffer, length: int) -> int:
        try:
            return super().read(offset, buffer, length)
        except OSError:
            return length


BROKEN: tuple[type[SimSource] | type[SimTarget], ...] = (
    NeverFlushed,
    ReadFromTheCache,
    FlushedAfterTheJournal,
    BelievedWhenPulled,
    FlushedAgainAfterAFailure,
    FailedWritesCountedAsDone,
    ShortWritesTakenForWhole,
    NoFill,
    ShortReadsTakenForWhole,
    FailedReadsTakenForData,
)


@pytest.mark.promise(2)
@pytest.mark.parametrize("broken", BROKEN)
def test_the_schedules_notice_a_broken_promise(broken: type[SimSource] | type[SimTarget]) -> None:
    """They would be worth nothing if an engine could break it and pass. What small slips of the engine itself come
    through is asked by `python -m tests.mutation`."""
    source, target = (broken, SimTarget) if issubclass(broken, SimSource) else (SimSource, broken)
    for seed in range(CATCH_WITHIN):
        try:
            Schedule(seed, source=source, target=target).run()
        except (AssertionError, Crash):
            return
    pytest.fail(f"{CATCH_WITHIN} schedules did not notice: {broken.__name__}")
