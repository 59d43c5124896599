"""One pass over a source for two targets: each with its own journal, its own fate and its own receipt."""

from __future__ import annotations

import errno
import hashlib
import random
import threading

import pytest

from drivecare.errors import Interrupted, Refused
from drivecare.transfer.areas import Area, overlap, total
from drivecare.transfer.medium import Buffer, Progress, Watch
from drivecare.transfer.sectors import pipeline
from drivecare.transfer.sectors.damage import DamagePolicy
from drivecare.transfer.sectors.engine import CopySettings, copy_to_all
from drivecare.transfer.sectors.fill import fill_bytes
from drivecare.transfer.sectors.journal import Journal
from drivecare.transfer.sectors.receipt import Receipt
from drivecare.transfer.sectors.target_side import CopyTarget
from tests.transfer.sectors.fake_medium import (
    Call,
    FakeMedium,
    MemoryStore,
    before,
    buffers,
    end_of,
    fails,
    fresh_journal,
)

MIB = 1 << 20
SIZE = 8 * MIB
DATA = random.Random(18).randbytes(SIZE)
SETTINGS = CopySettings(policy=DamagePolicy(block_bytes=MIB // 4), checkpoint_bytes=2 * MIB)
FULL = OSError(errno.ENOSPC, "No space left on device")
OVERLAP = pytest.mark.parametrize("overlap", [True, False], ids=["threads", "in order"])


class Bench:
    """A source and two targets, with the journal of each."""

    def __init__(self, *, bad: tuple[Area, ...] = (), overlap: bool = True) -> None:
        self.source = FakeMedium(DATA, bad=bad, path="source")
        self.targets = tuple(FakeMedium(bytes(SIZE), path=name) for name in ("clone", "image"))
        self.stores = tuple(MemoryStore() for _ in self.targets)
        self.overlap = overlap
        self.reports: list[Progress] = []
        self.sentences: list[str] = []

    def copy(self, *numbers: int, stop_at: int = 10 * SIZE) -> list[Receipt | Interrupted]:
        """Begin, or go on from the journals, with the targets of these numbers, or with both."""

        def stop() -> str | None:
            return "stopped by SIGINT" if self.reports and self.reports[-1].done >= stop_at else None

        self.source.reads.clear()
        self.reports.clear()
        targets = [self._target(number) for number in numbers or (0, 1)]
        watch = Watch(
            overlap=self.overlap, on_progress=self.reports.append, notify=self.sentences.append, stop_reason=stop
        )
        return list(copy_to_all(self.source, targets, buffers(MIB // 4), SETTINGS, watch))

    def _target(self, number: int) -> CopyTarget:
        medium, store = self.targets[number], self.stores[number]
        return CopyTarget(medium, self.journal(number), store)

    def journal(self, number: int) -> Journal:
        saved = self.stores[number].saved
        return saved[-1] if saved else fresh_journal(end_of(self.source), end_of(self.targets[number]))

    def copied(self, number: int) -> int:
        return total(self.journal(number).copied)


def verified(outcomes: list[Receipt | Interrupted]) -> list[bool]:
    return [isinstance(outcome, Receipt) and outcome.verified for outcome in outcomes]


@OVERLAP
def test_the_source_is_read_once_and_both_are_proven(overlap: bool) -> None:
    bench = Bench(overlap=overlap)
    outcomes = bench.copy()
    assert verified(outcomes) == [True, True]
    assert total(bench.source.reads) == SIZE
    back = [report.done for report in bench.reports if report.phase == "reading back"]
    assert (back, back[-1]) == (sorted(back), 2 * SIZE)
    assert [target.data for target in bench.targets] == [DATA, DATA]
    assert {o.digest.whole for o in outcomes if isinstance(o, Receipt)} == {hashlib.sha256(DATA).hexdigest()}
    assert [bench.journal(number).phase for number in (0, 1)] == ["done", "done"]


def test_a_bad_sector_is_touched_once_for_both_and_listed_in_each_receipt() -> None:
    bad = Area.between(3 * MIB + 512, 3 * MIB + 1536)
    bench = Bench(bad=(bad,))
    outcomes = bench.copy()
    touches = sum(overlap(area, Area(offset=bad.offset, length=512)) is not None for area in bench.source.reads)
    assert touches <= SETTINGS.policy.touches
    assert [o.exit_code for o in outcomes] == [20, 20]
    holds = DATA[: bad.offset] + fill_bytes(bad) + DATA[bad.end :]
    assert [target.data for target in bench.targets] == [holds, holds]


@OVERLAP
@pytest.mark.parametrize("failing", [0, 1])
@pytest.mark.parametrize("operation", ["write", "flush"])
def test_a_target_that_fails_is_given_up_and_the_other_goes_on(operation: str, failing: int, overlap: bool) -> None:
    bench = Bench(overlap=overlap)
    after = 9 if operation == "write" else 1
    bench.targets[failing].faults = [fails(operation, FULL, after=after)]  # type: ignore[arg-type]
    outcomes = bench.copy()
    assert verified(outcomes) == [failing == 1, failing == 0]
    assert bench.targets[1 - failing].data == DATA
    given_up = outcomes[failing]
    assert isinstance(given_up, Interrupted)
    assert "no space is left" in given_up.message()
    assert bench.targets[failing].path in given_up.message()
    assert bench.sentences == [f"{given_up}. Meanwhile the copy to {bench.targets[1 - failing].path} goes on."]
    assert 0 < bench.copied(failing) < 3 * MIB
    assert total(bench.source.reads) == SIZE


@OVERLAP
def test_what_was_given_up_goes_on_alone_from_its_own_journal(overlap: bool) -> None:
    bench = Bench(overlap=overlap)
    bench.targets[1].faults = [fails("write", FULL, after=9)]
    bench.copy()
    across, bench.targets[1].faults = bench.copied(1), []
    assert verified(bench.copy(1)) == [True]
    assert bench.targets[1].data == DATA
    assert total(bench.source.reads) <= SIZE - across + 2 * MIB  # and two chunks to know the source by


@OVERLAP
def test_a_stop_leaves_two_journals_and_a_resume_ends_in_the_same(overlap: bool) -> None:
    bench = Bench(overlap=overlap)
    outcomes = bench.copy(stop_at=4 * MIB)
    assert all("stopped by SIGINT" in str(outcome) for outcome in outcomes)
    assert bench.copied(0) == bench.copied(1) >= 4 * MIB
    assert bench.sentences == []
    assert verified(bench.copy()) == [True, True]
    assert [target.data for target in bench.targets] == [DATA, DATA]


@OVERLAP
def test_what_one_holds_already_is_read_for_the_other_and_not_written_again(overlap: bool) -> None:
    bench = Bench(overlap=overlap)
    bench.targets[0].faults = [fails("write", FULL, from_offset=5 * MIB + MIB // 4)]  # in the midst of a chunk
    bench.copy(0)
    bench.targets[1].faults = [fails("write", FULL, from_offset=2 * MIB)]
    bench.copy(1)
    ahead = bench.copied(0)
    assert ahead > bench.copied(1) > 0
    for target in bench.targets:
        target.faults, target.written = [], 0
    assert verified(bench.copy()) == [True, True]
    assert [target.data for target in bench.targets] == [DATA, DATA]
    assert bench.targets[0].written == SIZE - ahead


def test_an_area_that_no_longer_reads_stays_on_the_target_that_has_it() -> None:
    """One reading of a dying drive may be all it gets: what is across is neither given up nor filled over."""
    bench = Bench()
    bench.targets[0].faults = [fails("write", FULL, from_offset=6 * MIB)]
    bench.copy(0)
    bench.targets[0].faults = []
    lost = Area.between(4 * MIB, 4 * MIB + 1024)
    bench.source.bad = [lost]
    clone, image = bench.copy()
    assert isinstance(clone, Receipt)
    assert isinstance(image, Receipt)
    assert bench.targets[0].data == DATA
    assert (clone.exit_code, clone.unreadable) == (0, ())
    assert (image.exit_code, [(area.offset, area.end) for area in image.unreadable]) == (20, [(lost.offset, lost.end)])


def test_once_the_one_that_lacked_more_is_given_up_no_byte_is_read_for_it() -> None:
    bench = Bench(overlap=False)
    bench.copy(0, stop_at=7 * MIB)
    bench.targets[1].faults = [fails("write", FULL, from_offset=MIB)]
    assert verified(bench.copy()) == [True, False]
    assert bench.targets[0].data == DATA
    for_nobody = Area.between(3 * MIB, 6 * MIB)  # between what knows the source, at both ends of what is across
    assert not any(overlap(area, for_nobody) for area in bench.source.reads)


class LateMedium(FakeMedium):
    """One read, of the area `late`, hangs until `let_go`; then its bytes land in the buffer. Half a second at most."""

    late, ahead = Area(offset=5 * MIB // 4, length=MIB // 4), Area(offset=27 * MIB // 4, length=MIB // 4)

    def __init__(self) -> None:
        super().__init__(DATA, path="source")
        self.hangs, self.let_go, self.landed, self.is_ahead = (threading.Event() for _ in range(4))
        self.faults = [before("read", self._hang)]

    def _hang(self) -> None:
        if self.reads[-1] == self.late and not self.hangs.is_set():
            self.hangs.set()
            self.let_go.wait(timeout=0.5)

    def read(self, offset: int, buffer: Buffer, length: int) -> int:
        count = super().read(offset, buffer, length)
        for area, event in ((self.late, self.landed), (self.ahead, self.is_ahead)):
            if offset == area.offset:
                event.set()
        return count

    def wait_for_hang(self, call: Call) -> None:
        """The fault of a target: what it writes third waits until the read hangs, in the buffer of its second."""
        if call.area.offset >= MIB // 2:
            self.hangs.wait(timeout=1)

    def come_back(self) -> None:
        """Let the read land, once four more have filled as many buffers."""
        self.is_ahead.wait(timeout=1)
        self.let_go.set()
        self.landed.wait(timeout=1)


def test_a_read_that_hangs_while_a_target_is_given_up_spoils_nothing_that_is_read_for_the_other(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """It comes back late, with bytes of another place, while what was read since waits to be written."""
    monkeypatch.setattr(pipeline, "READER_PATIENCE_SECONDS", 0.0)
    bench = Bench()
    bench.copy(0, stop_at=6 * MIB)
    source = bench.source = LateMedium()
    bench.targets[0].faults = [before("write", source.come_back)]  # it lacks the end only, so in the second attempt
    bench.targets[1].faults = [source.wait_for_hang, fails("write", FULL, after=2)]
    assert verified(bench.copy()) == [True, False]
    assert source.landed.is_set()
    assert bench.targets[0].data == DATA


def test_nobody_waits_for_a_read_that_hangs_once_no_target_is_left(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pipeline, "READER_PATIENCE_SECONDS", 0.0)
    bench = Bench()
    source = bench.source = LateMedium()
    for target in bench.targets:
        target.faults = [source.wait_for_hang, fails("write", FULL, after=2)]
    outcomes = bench.copy()
    assert all("no space is left" in str(outcome) for outcome in outcomes)
    assert not source.landed.is_set()
    source.let_go.set()


def test_a_failure_of_the_source_stops_both_with_what_is_across() -> None:
    bench = Bench()
    bench.source.faults = [before("read", lambda: setattr(bench.source, "gone", len(bench.source.reads) > 20))]
    bench.source.faults.append(fails("read", OSError(errno.ENODEV, "No such device"), after=20))
    outcomes = bench.copy()
    assert all("no longer there" in str(outcome) for outcome in outcomes)
    assert bench.copied(0) == bench.copied(1) > 0


def test_a_target_that_does_not_read_back_does_not_spoil_the_other() -> None:
    bench = Bench()

    def forget() -> None:
        bench.targets[0].data[5 * MIB] ^= 1

    bench.targets[0].faults = [before("bypass_cache", forget)]
    clone, image = bench.copy()
    assert isinstance(clone, Receipt)
    assert (clone.exit_code, verified([image])) == (21, [True])


@pytest.mark.parametrize("seed", range(40))
def test_whatever_each_of_them_missed_both_end_in_the_same(seed: int) -> None:
    chance = random.Random(seed)
    sectors = [chance.randrange(SIZE // 512) * 512 for _ in range(chance.choice((0, 0, 3, 20)))]
    bad = tuple(Area.between(start, min(SIZE, start + chance.randrange(1, 40) * 512)) for start in sectors)
    bench = Bench(bad=bad, overlap=chance.random() < 0.3)
    for _ in range(chance.randrange(1, 5)):
        for target in bench.targets:
            wear = chance.randrange(2, 60)
            target.faults = [fails(chance.choice(("write", "flush")), FULL, after=wear)]
        bench.copy(*chance.choice(((0,), (1,), (0, 1), (0, 1))), stop_at=chance.randrange(1, 2 * SIZE))
    for target in bench.targets:
        target.faults = []
    holds = bytearray(DATA)
    for area in bad:
        holds[area.offset : area.end] = fill_bytes(area)
    assert verified(bench.copy()) == [True, True]
    assert [target.data == holds for target in bench.targets] == [True, True]


def test_another_medium_is_refused_before_either_is_written() -> None:
    bench = Bench()
    bench.copy(stop_at=4 * MIB)
    bench.targets[1].data[:] = bytes(SIZE)
    for target in bench.targets:
        target.written = 0
    with pytest.raises(Refused, match="holds nothing of what was last copied"):
        bench.copy()
    assert [target.written for target in bench.targets] == [0, 0]
