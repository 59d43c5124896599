"""A seeded model of a failing hard drive on a clock of its own, to measure the policy for damaged sources.

Every number here is invented, and fixed so that runs can be compared: no drive is claimed to behave like this one.
"""

from __future__ import annotations

import errno
import random
from bisect import bisect_right
from dataclasses import dataclass, field

from drivecare.transfer.areas import Area, merge, overlap
from drivecare.transfer.medium import Buffer, Gone
from drivecare.transfer.sectors.damage import DamagePolicy
from drivecare.transfer.sectors.pipeline import FreeBuffers
from drivecare.transfer.sectors.reader import Data, ReadCounts, SourceReader
from drivecare.transfer.sectors.receipt import ReadBackMethod
from drivecare.transfer.sectors.stages import COPIED, Stages

SECTOR = 512
READ_BYTES = 4 << 20


@dataclass(frozen=True, kw_only=True)
class Model:
    """What is wrong with the drive. Times in seconds."""

    size_bytes: int = 1_000_204_886_016
    bytes_per_second: float = 120e6
    good_read_seconds: float = 0.008
    bad_read_seconds: float = 3.0
    clusters: int = 200
    longest_cluster_sectors: int = 2000
    weak_region_bytes: int = 512 << 20
    track_bytes: int = 1 << 20
    weak_track: int = 32  # of so many tracks in the region, one cannot be read
    third_try_sectors: int = 500
    drops_after_errors: int = 50
    drops: int = 5  # how often it drops off the bus at all
    replug_seconds: float = 60.0


@dataclass
class FailingDrive:
    """The medium. `touches` counts failed reads over each bad sector."""

    model: Model
    seed: int
    path: str = "failing drive"
    sector_bytes: int = SECTOR
    direct: bool = True
    sparse: bool = False
    now: float = 0.0
    bad_seconds: float = 0.0
    errors: int = 0
    drops: int = 0
    gone: bool = False
    dropped_on: list[Area] = field(default_factory=list)  # what was read when it went: that says nothing of the sector
    bad: tuple[Area, ...] = ()
    touches: dict[int, int] = field(default_factory=dict)
    slow: dict[int, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        chance, model = random.Random(self.seed), self.model
        self.size_bytes = model.size_bytes
        sectors = model.size_bytes // SECTOR
        clusters = [
            Area(
                offset=chance.randrange(sectors - model.longest_cluster_sectors) * SECTOR,
                length=chance.randint(1, model.longest_cluster_sectors) * SECTOR,
            )
            for _ in range(model.clusters)
        ]
        start = chance.randrange((model.size_bytes - model.weak_region_bytes) // model.track_bytes) * model.track_bytes
        step = model.track_bytes * model.weak_track
        tracks = [
            Area(offset=at, length=model.track_bytes) for at in range(start, start + model.weak_region_bytes, step)
        ]
        self.bad = merge((*clusters, *tracks))
        self._starts = [one.offset for one in self.bad]
        self.slow = {
            sector: 2
            for sector in chance.sample(range(sectors), model.third_try_sectors)
            if not self._overlapping(Area(offset=sector * SECTOR, length=SECTOR))
        }
        self._slow = sorted(self.slow)

    @property
    def readable_bytes(self) -> int:
        return self.size_bytes - sum(one.length for one in self.bad)

    def read(self, offset: int, buffer: Buffer, length: int) -> int:
        if self.gone:
            raise OSError(errno.ENODEV, "No such device")
        area = Area(offset=offset, length=length)
        hit = self._overlapping(area)
        slow = self._slow_in(area)
        self.now += length / self.model.bytes_per_second
        if not hit and not slow:
            self.now += self.model.good_read_seconds
            return length
        self.now += self.model.bad_read_seconds
        self.bad_seconds += self.model.bad_read_seconds
        for one in hit:
            both = overlap(one, area)
            assert both is not None
            for sector in range(both.offset // SECTOR, both.end // SECTOR):
                self.touches[sector] = self.touches.get(sector, 0) + 1
        for sector in slow:
            self.slow[sector] -= 1
        self.errors += 1
        if self.drops < self.model.drops and self.errors % self.model.drops_after_errors == 0:
            self.drops += 1
            self.gone = True
            self.dropped_on.append(area)
        raise OSError(errno.EIO, "Input/output error")

    def _overlapping(self, area: Area) -> list[Area]:
        first = max(bisect_right(self._starts, area.offset) - 1, 0)
        found = []
        for one in self.bad[first:]:
            if one.offset >= area.end:
                break
            if one.end > area.offset:
                found.append(one)
        return found

    def _slow_in(self, area: Area) -> list[int]:
        first = bisect_right(self._slow, area.offset // SECTOR - 1)
        found = []
        for sector in self._slow[first:]:
            if sector * SECTOR >= area.end:
                break
            if self.slow[sector] > 0:
                found.append(sector)
        return found

    def is_present(self) -> bool:
        return not self.gone

    def replug(self) -> None:
        self.gone = False
        self.now += self.model.replug_seconds

    def write(self, offset: int, buffer: Buffer, start: int, length: int) -> int:
        raise AssertionError("the source was written")

    def punch(self, area: Area) -> None:
        raise AssertionError("the source was written")

    def flush(self) -> None:
        raise AssertionError("the source was flushed")

    def bypass_cache(self) -> ReadBackMethod:
        return "direct"


@dataclass
class Rescue:
    """What the policy made of a drive. `curve`: seconds, seconds of them on failed reads, bytes copied."""

    drive: FailingDrive
    copied: Stages
    curve: list[tuple[float, float, int]]
    sessions: int

    @property
    def copied_bytes(self) -> int:
        return self.curve[-1][2]

    def at_share(self, share: float) -> tuple[float, float, int]:
        """The first point of the curve at which this share of the readable bytes was safe."""
        return next(point for point in self.curve if point[2] >= share * self.drive.readable_bytes)


def rescue(drive: FailingDrive, policy: DamagePolicy) -> Rescue:
    """Read all that the policy reads, across every loss of the drive, as the engine and its journal would."""
    known, curve, done, sessions = Stages(drive.size_bytes), [(0.0, 0.0, 0)], 0, 0
    while True:
        sessions += 1
        stages = Stages(drive.size_bytes)
        for area, stage in known.runs():
            stages.assign(area, stage)
        free = FreeBuffers(tuple(Buffer(memoryview(bytearray(READ_BYTES))) for _ in range(2)))
        try:
            for event in SourceReader(drive, stages, policy, ReadCounts(), free, lambda: drive.now).events():
                if isinstance(event, Data):
                    free.give(event.buffer)
                    known.assign(event.area, COPIED)
                    done += event.area.length
                    curve.append((drive.now, drive.bad_seconds, done))
                else:
                    known.assign(event.area, event.stage)
        except Gone:
            drive.replug()
            continue
        return Rescue(drive, known, curve, sessions)


def lost(found: Rescue, policy: DamagePolicy) -> tuple[Area, ...]:
    return merge(Area.between(one.offset, one.end) for one in found.copied.areas_from(policy.unreadable))
