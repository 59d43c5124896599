"""A timed read of a surface: what cannot be read, what is slow for its neighbourhood, how the speed changes.

Nothing is written. Reads are blocks of one size, so that their times can be compared; a block that fails is read again
in halves down to the sector. There is no fixed limit for slow: a drive is slower towards its end, and an old one slower
than a new one. A block counts as slow when it took far longer than the blocks of its own zone (median and median
absolute deviation, which a few outliers do not move) and did so again when it was read a second time, at the end: once
may be this machine's doing.
"""

from __future__ import annotations

import itertools
import math
import random
from array import array
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Literal

from drivecare.documents import Value
from drivecare.errors import BadInput, Interrupted
from drivecare.reading.model import Drive
from drivecare.reading.surface import Latency, SlowArea, SpeedPoint, SurfaceScan, UnreadableArea
from drivecare.transfer.areas import Area, merge, total
from drivecare.transfer.medium import Buffer, Gone, Medium, Progress, Stuck, Watch, blame
from drivecare.transfer.sectors.whole_transfers import read_fully

SMALLEST_BLOCK_BYTES = 1 << 20
MOST_BLOCKS = 1 << 20  # bounds memory: four bytes a block, whatever the drive's size
ZONES = 256
STRATA = 1000


class ScanPolicy(Value, frozen=True, kw_only=True):
    """When a read is slow and when a scan gives up: all of it our judgement."""

    slow_factor: float = 4.0  # a block is slow at this many times its zone's median,
    slow_deviations: float = 12.0  # and this many deviations above it,
    slow_least_milliseconds: float = 20.0  # and this much above it: one turn of a slow disk and a seek
    most_slow_checks: int = 512
    most_unreadable_areas: int = 64  # enough to know; more only wears a drive that should be copied
    most_failed_reads: int = 600
    temperature_seconds: float = 60.0


class ScanState(Value, frozen=True, kw_only=True):
    """Where an unfinished scan stands; kept beside the result so that the scan can be continued.

    `times`: one 32-bit float for each block in the machine's byte order, in milliseconds; NaN where not read or not
    readable. `done`: how many blocks of the plan were read; `seed`: of the random sample.
    """

    schema: Literal["drivecare/readscan-state-1"] = "drivecare/readscan-state-1"
    path: str
    bytes_total: int
    block_bytes: int
    sample_percent: float
    seed: int
    done: int
    times: bytes
    unreadable: tuple[Area, ...] = ()
    failed_reads: int = 0
    temperature_max_celsius: int | None = None
    started: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Thermometer:
    """How to ask the drive for its temperature (None: it does not say), and the limit that it states itself."""

    celsius: Callable[[], int | None] = lambda: None
    limit_celsius: int | None = None


def block_bytes_for(size_bytes: int) -> int:
    """The block size: a power of two of at least 1 MiB that gives at most 1,048,576 blocks."""
    return max(SMALLEST_BLOCK_BYTES, 1 << max(0, math.ceil(size_bytes / MOST_BLOCKS) - 1).bit_length())


def new_state(medium: Medium, *, sample_percent: float, started: str, seed: int = 1) -> ScanState:
    """The state of a scan not yet begun. Raises BadInput where there is nothing to read."""
    if not medium.size_bytes:
        raise BadInput("is empty, there is nothing to read", location=medium.path, hint="Check the path, or the dock")
    size = block_bytes_for(medium.size_bytes)
    blocks = -(-medium.size_bytes // size)
    return ScanState(
        path=medium.path,
        bytes_total=medium.size_bytes,
        block_bytes=size,
        sample_percent=sample_percent,
        seed=seed,
        done=0,
        times=array("f", [math.nan]).tobytes() * blocks,
        started=started,
    )


def plan_blocks(blocks: int, sample_percent: float, seed: int) -> Iterator[int]:
    """Yield block numbers in order. A sample takes a run from every stratum, so that no region is missed."""
    if sample_percent >= 100:
        yield from range(blocks)
        return
    draw = random.Random(seed)
    strata = min(STRATA, max(1, int(blocks * sample_percent / 100)))
    for stratum in range(strata):
        first, last = blocks * stratum // strata, blocks * (stratum + 1) // strata
        run = max(1, round((last - first) * sample_percent / 100))
        start = draw.randrange(first, last - run + 1)
        yield from range(start, start + run)


class Scan:
    """One scan. `run` reads until all is done or something stops it; then ask for `state` and `result`."""

    def __init__(
        self,
        medium: Medium,
        buffer: Buffer,
        state: ScanState,
        *,
        watch: Watch | None = None,
        thermometer: Thermometer | None = None,
        policy: ScanPolicy | None = None,
    ) -> None:
        if state.bytes_total != medium.size_bytes:
            hint = "Scan it from the beginning, without --resume."
            raise BadInput("is not the drive that the scan began on: its size differs", location=medium.path, hint=hint)
        self._medium, self._buffer = medium, buffer
        self._watch, self._thermometer = watch or Watch(), thermometer or Thermometer()
        self._policy = policy or ScanPolicy()
        self._first_state = state
        self._blocks_done = state.done
        self._times = array("f", state.times)
        self._unreadable = list(state.unreadable)
        self._failed_reads = state.failed_reads
        self._hottest = state.temperature_max_celsius
        self._stopped: str | None = None
        self.settled_early = False  # stopped because the damage so far settles it
        self._asked_at = -math.inf

    def run(self, *, on_pause: Callable[[ScanState], None] = lambda _: None) -> None:
        """Read every planned block. `on_pause` gets the state about once a minute, to save it."""
        try:
            for number in itertools.islice(self._plan(), self._blocks_done, None):
                if self._should_stop(on_pause):
                    return
                self._time_block(self._block(number), number)
                self._blocks_done += 1
                self._report_progress("reading")
            self._reread_slow(on_pause)
        except KeyboardInterrupt:
            self._stopped = "interrupted"
        except Gone as gone:
            self._stopped = str(gone)
        except Stuck as stuck:
            self._stopped = f"{stuck}; process {stuck.pid} was left behind"

    @property
    def stopped_because(self) -> str | None:
        """Why it ended early; None where it did not."""
        return self._stopped

    def state(self) -> ScanState:
        """Where it stands."""
        return ScanState(
            path=self._first_state.path,
            bytes_total=self._first_state.bytes_total,
            block_bytes=self._first_state.block_bytes,
            sample_percent=self._first_state.sample_percent,
            seed=self._first_state.seed,
            done=self._blocks_done,
            times=self._times.tobytes(),
            unreadable=merge(self._unreadable),
            failed_reads=self._failed_reads,
            temperature_max_celsius=self._hottest,
            started=self._first_state.started,
        )

    def result(self, *, finished: str, drive: Drive | None) -> SurfaceScan:
        """The result so far. `drive`: what the drive says of itself, where it could be asked."""
        drive = drive or Drive()
        zones, block_bytes = self._zones(), self._first_state.block_bytes
        milliseconds = sorted(time for time in self._times if not math.isnan(time))
        slow = [(self._block(number), self._times[number], expected) for number, expected in self._slow(zones)]
        return SurfaceScan(
            path=self._medium.path,
            model=drive.model,
            serial=drive.serial,
            wwn=drive.identity.wwn,
            identity=drive.identity,
            started=self._first_state.started,
            finished=finished,
            bytes_total=self._first_state.bytes_total,
            bytes_read=total(self._block(number) for number in itertools.islice(self._plan(), self._blocks_done)),
            logical_sector_bytes=drive.attached_sector_bytes or drive.logical_sector_bytes,
            sample_percent=self._first_state.sample_percent,
            unreadable=tuple(UnreadableArea(offset=a.offset, length=a.length) for a in merge(self._unreadable)),
            slow=tuple(
                SlowArea(
                    offset=a.offset, length=a.length, milliseconds=round(took, 1), expected_milliseconds=round(e, 1)
                )
                for a, took, e in slow
            ),
            curve=tuple(
                SpeedPoint(offset=zone[0] * block_bytes, mb_per_s=round(block_bytes / middle / 1e3, 1))
                for zone, middle, _ in zones
            ),
            latency=_latency(milliseconds),
            temperature_max_celsius=self._hottest,
            complete=self._stopped is None,
            stopped_because=self._stopped,
        )

    def _plan(self) -> Iterator[int]:
        return plan_blocks(len(self._times), self._first_state.sample_percent, self._first_state.seed)

    def _block(self, number: int) -> Area:
        size = self._first_state.block_bytes
        return Area.between(number * size, min((number + 1) * size, self._first_state.bytes_total))

    def _report_progress(self, phase: str) -> None:
        blocks = len(self._times) * min(100.0, self._first_state.sample_percent) / 100
        size = self._first_state.block_bytes
        done = self._blocks_done * size
        self._watch.on_progress(Progress(phase, done, max(int(blocks * size), done)))

    def _should_stop(self, on_pause: Callable[[ScanState], None]) -> bool:
        policy = self._policy
        self._stopped = self._watch.stop_reason()
        damage = None
        if len(merge(self._unreadable)) >= policy.most_unreadable_areas:
            damage = f"{policy.most_unreadable_areas} unreadable areas are"
        elif self._failed_reads >= policy.most_failed_reads:
            damage = f"{self._failed_reads} failed reads are"
        if damage is not None:
            self.settled_early, self._stopped = True, f"{damage} enough to know: copy it, do not scan it"
        if self._watch.clock() - self._asked_at >= policy.temperature_seconds:
            self._asked_at = self._watch.clock()
            on_pause(self.state())
            self._take_temperature()
        return self._stopped is not None

    def _take_temperature(self) -> None:
        celsius, limit = self._thermometer.celsius(), self._thermometer.limit_celsius
        if celsius is not None:
            self._hottest = max(celsius, self._hottest if self._hottest is not None else celsius)
            if limit is not None and celsius > limit:
                self._stopped = (
                    f"the drive is at {celsius} °C, above its own limit of {limit} °C: let it cool, then resume"
                )

    def _time_block(self, area: Area, number: int) -> None:
        started = self._watch.clock()
        if self._reads(area):
            self._times[number] = (self._watch.clock() - started) * 1000
        else:
            self._narrow_down(area)

    def _reads(self, area: Area) -> bool:
        """Tell whether an area can be read. Raises Gone and Stuck, which say nothing of the surface."""
        _, error = read_fully(self._medium, area, self._buffer)
        if error is None:
            return True
        if blame(error) == "own":
            raise Interrupted(f"reading failed on this machine's side: {error.strerror}", location=self._medium.path)
        if not self._medium.is_present():
            raise Gone(f"{self._medium.path} is no longer there") from error
        self._failed_reads += 1
        return False

    def _narrow_down(self, area: Area) -> None:
        """Halve what failed down to the sectors. What the budget leaves unread is not called unreadable."""
        sector = self._medium.sector_bytes
        if area.length <= sector:
            self._unreadable.append(area)
            return
        middle = area.offset + max(sector, area.length // 2 // sector * sector)
        for half in (Area.between(area.offset, middle), Area.between(middle, area.end)):
            if self._failed_reads < self._policy.most_failed_reads and not self._reads(half):
                self._narrow_down(half)

    def _zones(self) -> list[tuple[Sequence[int], float, float]]:
        """(block numbers read, median milliseconds, median absolute deviation) of every zone that was read."""
        zones: list[tuple[Sequence[int], float, float]] = []
        count = min(ZONES, max(1, len(self._times) // 8))
        for zone in range(count):
            numbers = range(len(self._times) * zone // count, len(self._times) * (zone + 1) // count)
            read = [number for number in numbers if not math.isnan(self._times[number])]
            if read:
                middle = median(self._times[number] for number in read)
                zones.append((read, max(middle, 1e-3), median(abs(self._times[n] - middle) for n in read)))
        return zones

    def _slow(self, zones: list[tuple[Sequence[int], float, float]]) -> list[tuple[int, float]]:
        """(block number, expected milliseconds) of blocks far above their zone."""
        policy = self._policy
        return [
            (number, middle)
            for read, middle, deviation in zones
            for number in read
            if self._times[number]
            > middle
            + max(
                (policy.slow_factor - 1) * middle,
                policy.slow_deviations * 1.4826 * deviation,  # scales it to a standard deviation of a normal spread
                policy.slow_least_milliseconds,
            )
        ]

    def _reread_slow(self, on_pause: Callable[[ScanState], None]) -> None:
        """Read slow blocks once more and keep the better time."""
        suspects = sorted(self._slow(self._zones()), key=lambda slow: -self._times[slow[0]] / slow[1])
        for number, _ in sorted(suspects[: self._policy.most_slow_checks]):
            if self._should_stop(on_pause):
                return
            first, self._times[number] = self._times[number], math.nan
            self._time_block(self._block(number), number)
            self._times[number] = min(first, self._times[number])
            self._report_progress("looking again at slow areas")


def _latency(milliseconds: Sequence[float]) -> Latency:
    """Percentiles (nearest rank) of sorted times."""
    if not milliseconds:
        return Latency()

    def rank(share: float) -> float:
        return round(milliseconds[max(0, math.ceil(share * len(milliseconds)) - 1)], 2)

    return Latency(p50=rank(0.5), p95=rank(0.95), p99=rank(0.99), p999=rank(0.999), longest=rank(1.0))
