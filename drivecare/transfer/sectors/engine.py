"""The copy engine: one pass over the source for one target or several, each with a journal that never claims too much.

The order is the promise; `CopySession.run` tells it. The journal of a target is on its disk before its first byte is
written, and calls bytes copied only once they are durable (`target_side`):

    read ------> digest + write ------> checkpoint: flush target, is it present? ------> journal says "copied"
    (thread)     (threads)              (only now is what was read safe)                 (saved in a thread)

Reader and digests are there once; ledger, journal, read-back and receipt once for each target. A target that fails is
given up and the others go on; what stops the reading stops all of them.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass, field
from functools import partial

import msgspec

from drivecare.documents import Value
from drivecare.errors import Interrupted
from drivecare.transfer.areas import total
from drivecare.transfer.interruption import Activity
from drivecare.transfer.medium import Buffer, Medium, Progress, Watch
from drivecare.transfer.sectors.damage import DamagePolicy
from drivecare.transfer.sectors.joint_progress import joint_watches
from drivecare.transfer.sectors.journal import Journal, JournalStore
from drivecare.transfer.sectors.looking import LEAST_LEFT_BYTES, Look, Surveyor
from drivecare.transfer.sectors.pipeline import Background, FreeBuffers, read_ahead
from drivecare.transfer.sectors.reader import Data, ReadCounts, ReadEvent, SourceReader
from drivecare.transfer.sectors.receipt import Receipt
from drivecare.transfer.sectors.segments import Segment, Segmenter
from drivecare.transfer.sectors.stages import COPIED, Stages, furthest
from drivecare.transfer.sectors.target_side import STOP_REASONS, CopyTarget, TargetSide


class CopySettings(Value, frozen=True, kw_only=True):
    """What a copy may be told beside its ends.

    `checkpoint_bytes`: the journals are brought up to date after so many bytes; a kill costs at most about twice that.
    `losing_data`: the source is known to; else a read that fails tells. With less than `least_left_bytes` to read
    nobody asks what is used.
    """

    policy: DamagePolicy = DamagePolicy()
    checkpoint_bytes: int = 96 << 20
    losing_data: bool = False
    least_left_bytes: int = LEAST_LEFT_BYTES


def copy_and_prove(
    source: Medium,
    target: Medium,
    journal: Journal,
    store: JournalStore,
    buffers: tuple[Buffer, ...],
    settings: CopySettings | None = None,
    watch: Watch | None = None,
    *,
    by_content: bool = False,
    surveyor: Surveyor | None = None,
) -> Receipt:
    """Copy to one target. Raises Interrupted where it stopped midway, and as `copy_to_all` does."""
    targets = (CopyTarget(target, journal, store, by_content),)
    (outcome,) = copy_to_all(source, targets, buffers, settings, watch, surveyor)
    if isinstance(outcome, Interrupted):
        raise outcome
    return outcome


def copy_to_all(
    source: Medium,
    targets: Sequence[CopyTarget],
    buffers: tuple[Buffer, ...],
    settings: CopySettings | None = None,
    watch: Watch | None = None,
    surveyor: Surveyor | None = None,
) -> tuple[Receipt | Interrupted, ...]:
    """Copy all that can be read of the source to each target and prove it, from where its journal stands.

    Every guard has passed, and the journals agree on the source and on its digests. An Interrupted stands for a target
    whose copy stopped midway; its journal lists what was copied, unless the journal or the target failed. `surveyor` is
    asked what is used once the source is known to lose data.
    Raises Refused where a resume meets another medium; nothing was written then.
    """
    settings, watch, counts = settings or CopySettings(), watch or Watch(), ReadCounts()
    watches = joint_watches(watch, len(targets))
    sides = tuple(
        TargetSide(target, source, buffers[number :: len(targets)], settings, watches[number], counts)
        for number, target in enumerate(targets)
    )
    session = CopySession(source, sides, buffers, settings, watch, counts, surveyor)
    try:
        return session.run()
    finally:
        session.close()


@dataclass(slots=True)
class CopySession:
    """One session of a copy: what it works with, and how far it is."""

    source: Medium
    sides: tuple[TargetSide, ...]
    buffers: tuple[Buffer, ...]
    settings: CopySettings
    watch: Watch
    counts: ReadCounts
    _reader: SourceReader = field(init=False)
    surveyor: Surveyor | None = None
    _look: Look | None = field(init=False, default=None)
    _segmenter: Segmenter = field(init=False)
    _since_checkpoint: int = field(init=False, default=0)
    _copied: int = field(init=False, default=0)
    _workers: Background[None] = field(init=False)

    def __post_init__(self) -> None:
        self._workers = Background(overlap=self.watch.overlap, threads=len(self.sides))

    def close(self) -> None:
        """Finish what is being saved."""
        self._workers.close()
        for side in self.sides:
            side.close()

    def run(self) -> tuple[Receipt | Interrupted, ...]:
        """The whole copy, in the order that makes its receipts true."""
        for side in self.sides:  # one after the other, since each looks at the source
            self._attempt(TargetSide.begin, "copying", side)
        while self._open_sides and not self._copy_readable():
            pass
        self._with_all(TargetSide.complete)
        self._with_all(TargetSide.prove, "reading back")
        return tuple(side.outcome for side in self.sides if side.outcome is not None)

    @property
    def _open_sides(self) -> list[TargetSide]:
        """The targets that are not given up."""
        return [side for side in self.sides if side.outcome is None]

    @property
    def _bytes_total(self) -> int:
        return self.sides[0].journal.bytes_total

    def _with_all(self, act: Callable[[TargetSide], object], activity: Activity = "copying") -> None:
        """Do something about all targets at the same time, the first of them in this thread."""
        attempt = partial(self._attempt, act, activity)
        running = [self._workers.submit(partial(attempt, side)) for side in self._open_sides[1:]]
        for side in self._open_sides[:1]:
            attempt(side)
        for other in running:
            other.result()

    def _attempt(self, act: Callable[[TargetSide], object], activity: Activity, side: TargetSide) -> None:
        """Do something about a target; what stops it gives up this one, and a person is told while others go on."""
        try:
            act(side)
        except STOP_REASONS as reason:
            side.give_up(reason, activity)
            if self._open_sides and self.watch.stop_reason() is None:
                others = ", ".join(other.medium.path for other in self._open_sides)
                self.watch.notify(f"{side.outcome}. Meanwhile the copy to {others} goes on.")

    def _copy_readable(self) -> bool:
        """Read what any target lacks; False where that has to begin anew.

        Either one was given up, so that the others need less, or a read failed, so that what is used comes first now.
        """
        free, sides, policy = FreeBuffers(self.buffers), self._open_sides, self.settings.policy
        stages = furthest(self._bytes_total, [side.ledger.stages for side in sides])
        for side in sides:
            side.join(stages)
        cuts = {edge for side in sides for area in side.spared for edge in (area.offset, area.end)}
        self._segmenter = Segmenter(sides[0].journal.chunk_bytes, sides[0].journal.algorithm, cuts)
        self._copied = total(stages.areas(COPIED))
        policy = msgspec.structs.replace(policy, block_bytes=min(policy.block_bytes, len(self.buffers[0].view)))
        self._reader = SourceReader(self.source, stages, policy, self.counts, free, self.watch.clock)
        if self._copied + total(stages.areas_from(policy.unreadable)) < self._bytes_total:
            self._report_progress()  # a phase that does not happen gets no bar
        events = self._look_if_losing_data(stages)
        digester: Background[list[Segment]] = Background(overlap=self.watch.overlap)
        try:
            ended = self._receive(events, free, digester)
            if ended:
                events = self._read_in_order(free)
                ended = self._receive(events, free, digester) and not self._reader.stopped
            self._take(self._segmenter.close())
        except STOP_REASONS as reason:
            events.close()
            self._take(self._segmenter.close())
            for side in self._open_sides:
                side.give_up(reason, "copying")
            return True
        except BaseException:
            events.close()
            for side in self._open_sides:
                side.leave()
            raise
        finally:
            events.close()
            digester.close()
        if not ended:  # the ledgers know only what a checkpoint has told them
            self._with_all(lambda side: side.checkpoint("copying"))
        return ended

    @property
    def _may_look(self) -> bool:
        """Whether a look at what is used is still to come, should the source lose data, and enough is left for it."""
        least = 1 if self.settings.policy.until_used else self.settings.least_left_bytes
        return self.surveyor is not None and self._look is None and self._bytes_total - self._copied >= least

    def _look_if_losing_data(self, stages: Stages) -> Generator[ReadEvent]:
        """Find out what is used, once, where the source has lost data or no more is wanted: what it reads is copied."""
        losing = self.settings.losing_data or self.counts.failed or any(s.journal.failed_reads for s in self.sides)
        if self.surveyor is not None and self._may_look and (losing or self.settings.policy.until_used):
            side = self._open_sides[0]
            self._look = Look(
                self.surveyor, side.medium.path, self.settings.policy, side.journal.chunk_bytes, self.watch
            )
            yield from self._look.events(self._reader, stages)

    def _read_in_order(self, free: FreeBuffers) -> Generator[ReadEvent]:
        """All that is left, read ahead; the first read that fails ends it where a look can tell more."""
        ranks = self._look.ranks if self._look is not None else ()
        events = self._reader.events(ranks, stop_at_failure=self._may_look)
        return read_ahead(events, free, self._reason_to_leave) if self.watch.overlap else events

    def _reason_to_leave(self) -> str | None:
        """Why a read that hangs is not waited for: a stop, or nobody left to begin anew with the same buffers."""
        return self.watch.stop_reason() or (None if self._open_sides else "no target is left")

    def _receive(self, events: Generator[ReadEvent], free: FreeBuffers, digester: Background[list[Segment]]) -> bool:
        """Take what is read: digest and write it at the same time, count it as copied at the next checkpoint."""
        count = len(self._open_sides)
        self.watch.raise_if_stopped()
        for event in events:
            if isinstance(event, Data):
                self._store(event, digester)
                free.give(event.buffer)
            else:
                for side in self._open_sides:
                    side.move(event.area, event.stage)
            if not self._open_sides or (self._segmenter.cuts and len(self._open_sides) < count):
                return False
            self._report_progress()
            self.watch.raise_if_stopped()
        return True

    def _store(self, data: Data, digester: Background[list[Segment]]) -> None:
        digests = digester.submit(lambda: self._segmenter.add(data.area, data.buffer.view))
        try:
            self._with_all(lambda side: side.write(data.area, data.buffer))
        finally:
            segments = digests.result()
        self._take(segments)
        self._copied += data.area.length
        self._since_checkpoint += data.area.length
        if self._since_checkpoint >= self.settings.checkpoint_bytes:
            self._since_checkpoint = 0
            self._with_all(lambda side: side.checkpoint("copying"))

    def _take(self, segments: Sequence[Segment]) -> None:
        """Hand segments to the targets that hold all of their bytes: to those not given up."""
        for side in self._open_sides:
            side.take(segments)

    def _report_progress(self) -> None:
        """Report how far it is, and what is to be expected of the rest by the reader, which runs ahead of that."""
        promising, doubtful = self._reader.promising_bytes, self._reader.doubtful_bytes
        to_copy = self._bytes_total - self._reader.left_out_bytes
        self.watch.on_progress(Progress("copying", self._copied, to_copy, promising, doubtful))
