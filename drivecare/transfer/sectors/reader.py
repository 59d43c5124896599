"""Reading the source: runs the policy's passes against the medium and tells bad sectors from a drive that went away."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass

from drivecare.errors import Interrupted
from drivecare.transfer.areas import Area, area, total
from drivecare.transfer.medium import Buffer, Gone, Medium, blame
from drivecare.transfer.sectors.damage import RETURN, Attempt, DamagePolicy, Leap, passes
from drivecare.transfer.sectors.liveness import FAILURES_BEFORE_DOUBT, PLACES, Doubt
from drivecare.transfer.sectors.pipeline import FreeBuffers
from drivecare.transfer.sectors.stages import COPIED, Stages
from drivecare.transfer.sectors.whole_transfers import read_fully


@dataclass(frozen=True, slots=True)
class Data:
    """Bytes of the source, in a buffer that the receiver gives back."""

    where: Area
    buffer: Buffer


@dataclass(frozen=True, slots=True)
class Moved:
    """An area that now waits in another stage: it failed, or was leapt over."""

    where: Area
    stage: int


ReadEvent = Data | Moved


@dataclass(slots=True)
class ReadCounts:
    """What reading took so far, in this session."""

    reads: int = 0
    failed: int = 0
    damage_seconds: float = 0.0


class SourceReader:
    """The readable bytes of a medium, as events, in the order the policy wants them."""

    def __init__(
        self,
        medium: Medium,
        stages: Stages,
        policy: DamagePolicy,
        tally: ReadCounts,
        free: FreeBuffers,
        clock: Callable[[], float],
    ) -> None:
        self._medium, self._stages, self._policy = medium, stages, policy
        self._tally, self._take, self._give, self._clock = tally, free.take, free.give, clock
        self._doubt = Doubt(medium)
        self._doubted: list[Moved] = []  # failures not believed before the drive has read something since
        self._failures = 0

    def events(self) -> Generator[ReadEvent]:
        """Every byte of every readable area once; every change of stage. Raises Gone, Stuck, Interrupted."""
        steps = passes(self._stages, self._policy, self._medium.sector_bytes)
        step, done = next(steps, None), 0
        while step is not None:
            if isinstance(step, Leap):
                yield Moved(step.where, RETURN)
            else:
                began, done = self._clock(), 0
                for event in self._attempt(step):
                    done = event.where.length if isinstance(event, Data) else done
                    yield event
                if step.on_damage or done < step.where.length:
                    self._spend(self._clock() - began)
            try:
                step = steps.send(done)
            except StopIteration:
                break
        if self._doubted:
            self._prove_alive()
        yield from self._believe()

    def _attempt(self, step: Attempt) -> Iterator[ReadEvent]:
        """One read. Yields Data for what came, Moved for what failed once it is believed."""
        buffer = self._take()
        self._tally.reads += 1
        done, error = read_fully(self._medium, step.where, buffer)
        if done:
            yield from self._believe()
            self._failures = 0
            yield Data(area(step.where.offset, step.where.offset + done), buffer)
        else:
            self._give(buffer)
        if error is None:
            return
        if blame(error) == "own":
            raise Interrupted(
                f"reading at byte {step.where.offset:,} failed on this machine's side: {error.strerror or error}",
                location=self._medium.path,
            ) from error
        if not self._medium.is_present():  # so this failure says nothing of the medium; those before it do
            yield from self._believe()
            raise Gone(f"{self._medium.path} is no longer there as it was") from error
        self._tally.failed += 1
        self._failures += 1
        self._doubted.append(Moved(area(step.where.offset + done, step.where.end), step.otherwise))
        if blame(error) == "transport" or self._failures % FAILURES_BEFORE_DOUBT == 0:
            self._prove_alive()

    def _prove_alive(self) -> None:
        """Raise Gone where the medium reads nothing any more, so that its failures say nothing of its sectors."""
        copied = self._stages.areas(COPIED)
        buffer = self._take()
        try:
            if self._doubt.still_reads(copied, buffer):
                return
        finally:
            self._give(buffer)
        across = f"{total(copied):,} of {self._medium.size_bytes:,} bytes could be read"
        what = (
            "no longer reads what it read before: it has dropped off the bus, or it has failed"
            if copied
            else f"answers no read, neither where the copy began nor at {PLACES} places from its start to its end"
        )
        raise Gone(f"{self._medium.path} {what}; {across}")

    def _believe(self) -> Iterator[ReadEvent]:
        doubted, self._doubted = self._doubted, []
        yield from doubted

    def _spend(self, seconds: float) -> None:
        self._tally.damage_seconds += seconds
        budget = self._policy.damage_seconds
        if budget is not None and self._tally.damage_seconds > budget:
            raise Interrupted(
                f"the time allowed for damaged areas, {budget:,.0f} s, is used up",
                location=self._medium.path,
            )
