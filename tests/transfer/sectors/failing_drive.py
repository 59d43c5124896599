"""A seeded model of a failing hard drive on a clock of its own, to measure the policy for damaged sources.

Every number here is invented, and fixed so that runs can be compared: no drive is claimed to behave like this one.
"""

from __future__ import annotations

import errno
import random
from bisect import bisect_left, bisect_right
from dataclasses import dataclass

from drivecare.transfer.areas import Area, merge, overlap, total
from drivecare.transfer.medium import Gone
from drivecare.transfer.sectors.damage import DamagePolicy
from drivecare.transfer.sectors.pipeline import FreeBuffers
from drivecare.transfer.sectors.reader import Data, ReadCounts, SourceReader
from drivecare.transfer.sectors.stages import COPIED, Stages
from tests.transfer.sectors.fake_medium import Call, FakeMedium, buffers, never_written

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


# A tenth of the whole model, which shows the same in a tenth of the time.
TENTH = Model(size_bytes=100_020_486_144, clusters=20, weak_region_bytes=64 << 20, third_try_sectors=50)


class FailingDrive(FakeMedium):
    """The medium. `touches` counts failed reads over each bad sector."""

    def __init__(self, model: Model, seed: int) -> None:
        super().__init__(
            size_bytes=model.size_bytes, path="failing drive", faults=(never_written, self._fail_where_damaged)
        )
        self.model = model
        self.now = self.bad_seconds = 0.0
        self.errors = self.drops = 0
        self.dropped_on: list[Area] = []  # what was read when it went: that says nothing of the sector
        self.touches: dict[int, int] = {}
        chance = random.Random(seed)
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
        self.damage = merge((*clusters, *tracks))
        self._starts = [damage.offset for damage in self.damage]
        self.late = {
            sector: 2
            for sector in chance.sample(range(sectors), model.third_try_sectors)
            if not self._overlapping(Area(offset=sector * SECTOR, length=SECTOR))
        }
        self._late = sorted(self.late)

    @property
    def readable_bytes(self) -> int:
        return self.size_bytes - total(self.damage)

    def _fail_where_damaged(self, call: Call) -> int | None:
        if call.operation != "read":
            return None
        if self.gone:
            raise OSError(errno.ENODEV, "No such device")
        area = call.area
        hit, late = self._overlapping(area), self._late_in(area)
        self.now += area.length / self.model.bytes_per_second
        if not hit and not late:
            self.now += self.model.good_read_seconds
            return None
        self.now += self.model.bad_read_seconds
        self.bad_seconds += self.model.bad_read_seconds
        for shared in (overlap(damage, area) for damage in hit):
            assert shared is not None
            for sector in range(shared.offset // SECTOR, shared.end // SECTOR):
                self.touches[sector] = self.touches.get(sector, 0) + 1
        for sector in late:
            self.late[sector] -= 1
        self.errors += 1
        if self.drops < self.model.drops and self.errors % self.model.drops_after_errors == 0:
            self.drops += 1
            self.gone = True
            self.dropped_on.append(area)
        raise OSError(errno.EIO, "Input/output error")

    def replug(self) -> None:
        self.gone = False
        self.now += self.model.replug_seconds

    def _overlapping(self, area: Area) -> list[Area]:
        first = max(bisect_right(self._starts, area.offset) - 1, 0)
        last = bisect_left(self._starts, area.end)
        return [damage for damage in self.damage[first:last] if damage.end > area.offset]

    def _late_in(self, area: Area) -> list[int]:
        first, last = bisect_left(self._late, area.offset // SECTOR), bisect_left(self._late, -(-area.end // SECTOR))
        return [sector for sector in self._late[first:last] if self.late[sector] > 0]


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
    safe, curve, copied_bytes, sessions = Stages(drive.size_bytes), [(0.0, 0.0, 0)], 0, 0
    while True:
        sessions += 1
        stages = Stages(drive.size_bytes)
        for area, stage in safe.runs():
            stages.assign(area, stage)
        free = FreeBuffers(buffers(READ_BYTES, 2))
        try:
            for event in SourceReader(drive, stages, policy, ReadCounts(), free, lambda: drive.now).events():
                if isinstance(event, Data):
                    free.give(event.buffer)
                    safe.assign(event.area, COPIED)
                    copied_bytes += event.area.length
                    curve.append((drive.now, drive.bad_seconds, copied_bytes))
                else:
                    safe.assign(event.area, event.stage)
        except Gone:
            drive.replug()
            continue
        return Rescue(drive, safe, curve, sessions)


def lost(rescued: Rescue, policy: DamagePolicy) -> tuple[Area, ...]:
    return merge(rescued.copied.areas_from(policy.unreadable))
