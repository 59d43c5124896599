"""Read the source in the order of `damage`, and tell bad sectors from a drive that went away."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator, Sequence
from dataclasses import dataclass

from drivecare.errors import Interrupted
from drivecare.transfer.areas import Area, total
from drivecare.transfer.interruption import HopelessRest
from drivecare.transfer.medium import Buffer, Gone, Medium, blame, vanished
from drivecare.transfer.sectors.damage import Attempt, DamagePolicy, Outcome, ReadingOrder, Reads
from drivecare.transfer.sectors.liveness import FAILURES_BEFORE_DOUBT, PLACES, Doubt
from drivecare.transfer.sectors.pipeline import FreeBuffers
from drivecare.transfer.sectors.stages import COPIED, Stages
from drivecare.transfer.sectors.whole_transfers import read_fully
from drivecare.transfer.sectors.worth import Rank


@dataclass(frozen=True, slots=True)
class Data:
    """Bytes of the source, in a buffer that the receiver gives back."""

    area: Area
    buffer: Buffer


@dataclass(frozen=True, slots=True)
class Moved:
    """An area that failed, and the stage that it is in now."""

    area: Area
    stage: int


ReadEvent = Data | Moved


@dataclass(slots=True)
class ReadCounts:
    """What reading has taken in this session so far."""

    reads: int = 0
    failed: int = 0
    damage_seconds: float = 0.0


class SourceReader:
    """The readable bytes of a medium, as events, in the order of the policy."""

    def __init__(
        self,
        medium: Medium,
        stages: Stages,
        policy: DamagePolicy,
        counts: ReadCounts,
        free: FreeBuffers,
        clock: Callable[[], float],
    ) -> None:
        self._medium, self._stages, self._policy = medium, stages, policy
        self._counts, self._free, self._clock = counts, free, clock
        self._doubt = Doubt(medium)
        self._doubted: list[Moved] = []  # failures not believed until the drive has read something since
        self._failures = 0
        self._order = ReadingOrder(stages, policy, medium.sector_bytes)
        self.stopped = False  # at a read that failed, as it was asked to

    @property
    def promising_bytes(self) -> int:
        """What was not reached yet, and is to come."""
        return max(self._order.unswept_bytes - self._order.left_out_bytes, 0)

    @property
    def left_out_bytes(self) -> int:
        """What is not to be read in this session."""
        return self._order.left_out_bytes

    @property
    def doubtful_bytes(self) -> int:
        """What has failed so far, and what was leapt over beside it."""
        return max(self._stages.missing_bytes - self._order.unswept_bytes, 0)

    def look(self, areas: Sequence[Area]) -> Generator[ReadEvent]:
        """Areas ahead of their turn, which is over then. Raises Gone, Stuck, Interrupted."""
        yield from self._follow(self._order.look(areas))

    def events(self, ranks: Sequence[Rank] = (), *, stop_at_failure: bool = False) -> Generator[ReadEvent]:
        """Every byte of every readable area once; every change of stage. Raises Gone, Stuck, Interrupted."""
        yield from self._follow(self._order.reads(ranks), stop_at_failure=stop_at_failure)
        if self._order.gave_up:
            raise HopelessRest(self._medium.path, self._stages.missing_bytes, self._order.rest_seconds)

    def _follow(self, reads: Reads, *, stop_at_failure: bool = False) -> Generator[ReadEvent]:
        attempt = next(reads, None)
        while attempt is not None and not self.stopped:
            outcome = yield from self._attempt(attempt)
            if attempt.on_damage or outcome.length < attempt.area.length:
                self._spend(outcome.seconds)
            self.stopped = stop_at_failure and outcome.length < attempt.area.length
            try:
                attempt = reads.send(outcome)
            except StopIteration:
                break
        if self._doubted:
            self._prove_alive()
        yield from self._believe()

    def _attempt(self, attempt: Attempt) -> Generator[ReadEvent, None, Outcome]:
        """One read and its outcome. Yields Data for what came, Moved for what failed once it is believed."""
        buffer = self._free.take()
        self._counts.reads += 1
        started = self._clock()
        count, error = read_fully(self._medium, attempt.area, buffer)
        outcome = Outcome(count, self._clock() - started)
        if count:
            yield from self._believe()
            self._failures = 0
            yield Data(Area.between(attempt.area.offset, attempt.area.offset + count), buffer)
        else:
            self._free.give(buffer)
        if error is None:
            return outcome
        if blame(error) == "own":
            raise Interrupted(
                f"reading at byte {attempt.area.offset:,} failed on this machine's side: {error.strerror or error}",
                location=self._medium.path,
            ) from error
        if not self._medium.is_present():  # so this failure says nothing of the medium; those before it do
            yield from self._believe()
            raise vanished(self._medium) from error
        self._counts.failed += 1
        self._failures += 1
        self._doubted.append(Moved(Area.between(attempt.area.offset + count, attempt.area.end), attempt.otherwise))
        if blame(error) == "transport" or self._failures % FAILURES_BEFORE_DOUBT == 0:
            self._prove_alive()
        return outcome

    def _prove_alive(self) -> None:
        """Raise Gone where the medium reads nothing any more, so that its failures say nothing of its sectors."""
        copied = self._stages.areas(COPIED)
        buffer = self._free.take()
        try:
            if self._doubt.still_reads(copied, buffer):
                return
        finally:
            self._free.give(buffer)
        extent = f"{total(copied):,} of {self._medium.size_bytes:,} bytes could be read"
        problem = (
            "no longer reads what it read before: it has dropped off the bus, or it has failed"
            if copied
            else f"answers no read, neither where the copy began nor at {PLACES} places from its start to its end"
        )
        raise Gone(f"{self._medium.path} {problem}; {extent}")

    def _believe(self) -> Iterator[ReadEvent]:
        doubted, self._doubted = self._doubted, []
        yield from doubted

    def _spend(self, seconds: float) -> None:
        self._counts.damage_seconds += seconds
        budget = self._policy.damage_seconds
        if budget is not None and self._counts.damage_seconds > budget:
            raise Interrupted(
                f"the time allowed for damaged areas, {budget:,.0f} s, is used up",
                location=self._medium.path,
            )
