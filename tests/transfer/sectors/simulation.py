"""A deterministic world for the engine: disks with caches, faults and crashes, all from one seed.

A target has three layers: what its cache answers, writes on their way, and the medium. A write enters the cache at
once and the medium at a flush; a crash keeps a random part of what was on its way, sector by sector, in any order. A
lost or corrupted write shows only on the medium. The source is never written: its `write` fails the test.
"""

from __future__ import annotations

import errno
import hashlib
import random
from collections.abc import Iterator
from dataclasses import dataclass

import msgspec
from blake3 import blake3

from drivecare.errors import Interrupted, Refused, Unavailable
from drivecare.transfer.areas import Area, overlap
from drivecare.transfer.medium import Watch
from drivecare.transfer.sectors.damage import DamagePolicy
from drivecare.transfer.sectors.engine import CopySettings, copy_and_prove
from drivecare.transfer.sectors.fill import fill_bytes
from drivecare.transfer.sectors.journal import Journal, new_journal
from drivecare.transfer.sectors.receipt import End, ReadBackMethod, Receipt
from tests.transfer.sectors.fake_medium import Call, FakeMedium, Fault, Operation, buffers, never_written

SECTOR = 512
BLOCK, PIECE, CHUNK, CHECKPOINT = 8 * SECTOR, 2 * SECTOR, 16 * SECTOR, 24 * SECTOR
SETTINGS = CopySettings(
    policy=DamagePolicy(block_bytes=BLOCK, piece_bytes=PIECE, retries=2, farthest_leap_bytes=8 * BLOCK),
    checkpoint_bytes=CHECKPOINT,
)
CALM_AFTER = 8  # sessions; from then on nothing new goes wrong, so that every schedule comes to an end
MOST_SESSIONS = 60


class Crash(BaseException):
    """Power cut, or kill -9: nothing of the program runs any more."""


@dataclass
class Fate:
    """What goes wrong, and when. Probabilities are per call."""

    random: random.Random
    read_error: float = 0.0
    short: float = 0.0
    lost_write: float = 0.0
    corrupt_write: float = 0.0
    crash: float = 0.0
    pulled: float = 0.0
    full: float = 0.0
    flush_error: float = 0.0
    journal_full: float = 0.0
    calm: bool = False
    silent_faults: int = 0

    def strikes(self, chance: float) -> bool:
        return not self.calm and chance > 0 and self.random.random() < chance


class SimDisk(FakeMedium):
    """What both ends share: crashes, being pulled, short transfers."""

    def __init__(self, fate: Fate, data: bytes, *, sparse: bool = False, faults: tuple[Fault, ...] = ()) -> None:
        super().__init__(data, sparse=sparse, path="disk", faults=(self._strike, *faults, self._shorten))
        self.fate = fate

    def touch(self) -> None:
        if self.fate.strikes(self.fate.crash):
            raise Crash
        if self.fate.strikes(self.fate.pulled):
            self.gone = True

    def _strike(self, call: Call) -> int | None:
        self.touch()
        return self._answer_when_gone(call) if self.gone else None

    def _answer_when_gone(self, call: Call) -> int | None:
        raise NotImplementedError

    def _shorten(self, call: Call) -> int | None:
        length = call.area.length
        if call.operation in ("read", "write") and length > SECTOR and self.fate.strikes(self.fate.short):
            return self.fate.random.randrange(1, length // SECTOR + 1) * SECTOR
        return None


class SimSource(SimDisk):
    def __init__(self, fate: Fate, data: bytes, *, bad: set[int], third_try: dict[int, int]) -> None:
        super().__init__(fate, data, faults=(never_written,))
        self.bad_sectors, self.third_try = bad, third_try
        self.failed: set[int] = set()

    def _answer_when_gone(self, call: Call) -> int | None:
        if call.operation == "bypass_cache" or self.fate.random.random() < 0.5:
            return 0  # bench: usb-storage and nvme end like a file
        raise OSError(errno.ENODEV, "No such device")

    def _ask(self, operation: Operation, area: Area) -> int:
        length = min(super()._ask(operation, area), self.size_bytes - area.offset)
        if operation == "read" and length and not self.gone:
            self._fail_where_bad(Area(offset=area.offset, length=length))
        return length

    def _fail_where_bad(self, area: Area) -> None:
        sectors = list(_sectors(area))
        late = [sector for sector in sectors if self.third_try.get(sector, 0) > 0]
        for sector in late:
            self.third_try[sector] -= 1
        if late or self.bad_sectors.intersection(sectors) or self.fate.strikes(self.fate.read_error):
            self.failed.update(sectors)
            raise OSError(self.fate.random.choice((errno.EIO, errno.ENODATA, errno.ETIMEDOUT)), "medium error")


class SimTarget(SimDisk):
    """`data` is what its cache answers, `coming` the writes on their way, `medium` what a power cut leaves."""

    def __init__(self, fate: Fate, data: bytes, *, sparse: bool) -> None:
        super().__init__(fate, data, sparse=sparse, faults=(self._fill_up,))
        self.medium = bytearray(data)
        self.coming: list[tuple[int, bytes]] = []

    def _answer_when_gone(self, call: Call) -> int | None:
        if call.operation == "write":
            raise OSError(self.fate.random.choice((errno.ENODEV, errno.ENOSPC, errno.EIO)), "gone")
        if call.operation == "bypass_cache":
            return 0
        if call.operation != "punch" and self.fate.random.random() < 0.5:
            return 0  # bench: on nvme a flush succeeds after removal
        raise OSError(errno.EIO, "Input/output error")

    def _fill_up(self, call: Call) -> int | None:
        if call.operation == "write" and self.fate.strikes(self.fate.full):
            raise OSError(errno.ENOSPC, "No space left on device")
        return None

    def store(self, offset: int, data: bytes) -> None:
        super().store(offset, data)
        if self.fate.strikes(self.fate.lost_write):
            self.fate.silent_faults += 1
            return
        if self.fate.strikes(self.fate.corrupt_write):
            self.fate.silent_faults += 1
            at = self.fate.random.randrange(len(data))
            data = data[:at] + bytes([data[at] ^ 0x40]) + data[at + 1 :]
        self.coming.append((offset, data))

    def flush(self) -> None:
        super().flush()
        if self.gone:
            return
        if self.fate.strikes(self.fate.flush_error):
            self.coming.clear()  # like Linux: what failed once counts as clean, and the next flush succeeds
            raise OSError(errno.EIO, "Input/output error")
        self._arrive(self.coming)

    def bypass_cache(self) -> ReadBackMethod:
        method = super().bypass_cache()
        if not self.gone:
            self._arrive(self.coming)  # dropping a cache writes it back first
            self.data[:] = self.medium
        return method

    def lose_power(self) -> None:
        """Of what was on its way some sectors arrived, in no order."""
        sectors = [
            (offset + at, data[at : at + SECTOR]) for offset, data in self.coming for at in range(0, len(data), SECTOR)
        ]
        self.fate.random.shuffle(sectors)
        self._arrive(sectors[: self.fate.random.randrange(len(sectors) + 1)])
        self.coming.clear()
        self.data[:] = self.medium

    def _arrive(self, writes: list[tuple[int, bytes]]) -> None:
        for offset, data in writes:
            self.medium[offset : offset + len(data)] = data
        writes.clear()


@dataclass
class SimStore:
    fate: Fate
    journal: Journal | None = None

    def save(self, journal: Journal) -> None:
        if self.fate.strikes(self.fate.journal_full):
            raise Unavailable("cannot be written: No space left on device", location="journal")
        if self.fate.strikes(self.fate.crash):
            if self.fate.random.random() < 0.5:
                self.journal = journal
            raise Crash
        self.journal = journal


class Schedule:
    """One seed's world and its run to a receipt."""

    def __init__(self, seed: int, *, source: type[SimSource] = SimSource, target: type[SimTarget] = SimTarget) -> None:
        self.seed = seed
        chance = random.Random(seed)
        size = chance.randrange(1, 160) * SECTOR + chance.choice((0, 0, 0, 100))
        data = bytearray(chance.randbytes(size))
        for _ in range(chance.randrange(3)):
            start = chance.randrange(size)
            end = min(size, start + chance.randrange(40) * SECTOR)
            data[start:end] = bytes(end - start)
        self.fate = Fate(random=random.Random(seed + 1))
        for kind in chance.sample(KINDS, chance.randrange(4)):
            setattr(self.fate, kind, chance.choice((0.003, 0.01, 0.05)))
        if chance.random() < 0.5:
            self.fate.crash = chance.choice((0.005, 0.02))
        sectors = range((size + SECTOR - 1) // SECTOR)
        bad = {sector for sector in sectors if chance.random() < chance.choice((0, 0, 0.02, 0.2))}
        if len(bad) == len(sectors):
            bad.pop()  # a source that reads nothing at all never comes to a receipt: test_liveness.py
        slow = {sector: 2 for sector in sectors if chance.random() < chance.choice((0, 0, 0.02))}
        self.source = source(self.fate, bytes(data), bad=bad, third_try=slow)
        larger = size + chance.choice((0, 0, 4096, 40 * SECTOR))
        junk = chance.randbytes(larger)
        self.target = target(self.fate, junk, sparse=chance.random() < 0.3)
        self.store = SimStore(self.fate)
        self.receipts: list[Receipt] = []

    def run(self) -> Receipt:
        """Sessions until a receipt is verified; every receipt on the way is checked for truth."""
        for session in range(MOST_SESSIONS):
            self.fate.calm = session >= CALM_AFTER
            if self.target.gone:
                self.target.lose_power()
            self.source.gone = self.target.gone = False
            try:
                receipt = self._session()
            except Crash:
                self.target.lose_power()
                continue
            except Interrupted:
                continue
            except Unavailable:
                continue  # the journal could not even be begun
            except Refused as refusal:
                if refusal.guard != "target-changed" or not self.fate.silent_faults:
                    raise AssertionError(self.explain(f"refused without a reason: {refusal}")) from refusal
                self.store.journal = None
                continue
            self.receipts.append(receipt)
            self._check(receipt)
            if receipt.verified:
                return receipt
        raise AssertionError(self.explain("came to no end"))

    def _session(self) -> Receipt:
        ends = (
            End(path="s", kind="image", size_bytes=self.source.size_bytes),
            End(path="t", kind="image", size_bytes=self.target.size_bytes),
        )
        journal = self.store.journal or msgspec.structs.replace(new_journal(*ends, started="now"), chunk_bytes=CHUNK)
        watch = Watch(overlap=False, clock=lambda: 0.0)
        return copy_and_prove(self.source, self.target, journal, self.store, buffers(BLOCK, 2), SETTINGS, watch)

    def _check(self, receipt: Receipt) -> None:
        size = self.source.size_bytes
        must = bytearray(self.source.data)
        for lost in receipt.unreadable:
            must[lost.offset : lost.end] = fill_bytes(lost)
            assert all(sector in self.source.failed for sector in _sectors(lost)), self.explain("listed a good sector")
        assert not self.target.coming, self.explain("not all of the target was flushed")
        holds = self.target.medium[:size]
        lost_bytes = sum(lost.length for lost in receipt.unreadable)
        assert receipt.bytes_copied == size - lost_bytes, self.explain("miscounted")
        wrong = [at for at in range(0, size, SECTOR) if holds[at : at + SECTOR] != must[at : at + SECTOR]]
        if receipt.verified:
            assert not wrong, self.explain(f"verified, and sectors {[at // SECTOR for at in wrong][:8]} differ")
            assert receipt.digest.whole == hashlib.sha256(must).hexdigest(), self.explain("whole digest")
            chunks = tuple(blake3(must[at : at + CHUNK]).hexdigest() for at in range(0, size, CHUNK))
            assert receipt.digest.chunks == chunks, self.explain("chunk digests")
        else:
            assert wrong, self.explain("not verified, and nothing differs")
            assert self.fate.silent_faults, self.explain("mismatch without a faulty write")
            for at in wrong:
                named = any(overlap(Area(offset=at, length=1), area) for area in receipt.mismatched)
                assert named, self.explain(f"sector {at // SECTOR} differs and is not named")
            assert receipt.verification is None
            assert receipt.digest.whole is None

    def explain(self, problem: str) -> str:
        return f"seed {self.seed}: {problem}. Replay: python -m tests.transfer.sectors.simulation {self.seed}"


KINDS = ("read_error", "short", "lost_write", "corrupt_write", "pulled", "full", "flush_error", "journal_full")


def _sectors(area: Area) -> Iterator[int]:
    return iter(range(area.offset // SECTOR, (area.end - 1) // SECTOR + 1))


if __name__ == "__main__":
    import sys

    for argument in sys.argv[1:]:
        schedule = Schedule(int(argument))
        print(schedule.fate)
        print(schedule.run())
