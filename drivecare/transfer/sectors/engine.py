"""The copy up to its last flush: read, digest, write, and a journal that never claims more than is durable.

The order is the promise. The journal lies on its medium before the first byte is written. A checkpoint flushes the
target, asks whether it is still there (on some drives a flush succeeds after they were pulled), and only then calls
the bytes copied. `transfer.sectors.finalize` reads everything back afterwards.
"""

from __future__ import annotations

from collections.abc import Generator
from concurrent.futures import Future
from dataclasses import dataclass, field

import msgspec

from drivecare.documents import Value
from drivecare.errors import DriveCareError, Interrupted, Refused
from drivecare.transfer.areas import Area, merge, pieces, total
from drivecare.transfer.interruption import as_interruption
from drivecare.transfer.medium import Buffer, Gone, Medium, Progress, Stuck, Watch
from drivecare.transfer.sectors.damage import DamagePolicy
from drivecare.transfer.sectors.digests import Segment, Segmenter
from drivecare.transfer.sectors.fill import fill_bytes
from drivecare.transfer.sectors.journal import CopyPhase, Journal, JournalStore, Ledger
from drivecare.transfer.sectors.pipeline import Background, FreeBuffers, read_ahead
from drivecare.transfer.sectors.reader import Data, ReadCounts, ReadEvent, SourceReader
from drivecare.transfer.sectors.receipt import Tail
from drivecare.transfer.sectors.stages import Stages
from drivecare.transfer.sectors.tail import clear_tail
from drivecare.transfer.sectors.whole_transfers import hash_area, write_fully


class CopySettings(Value, frozen=True, kw_only=True):
    """What a copy may be told beside its two ends.

    `checkpoint_bytes`: after so many bytes the journal is brought up to date; a kill costs at most about twice that.
    """

    policy: DamagePolicy = DamagePolicy()
    checkpoint_bytes: int = 96 << 20


@dataclass(slots=True)
class CopySession:
    """One session of a copy: what it works with, and where it stands."""

    source: Medium
    target: Medium
    journal: Journal
    store: JournalStore
    buffers: tuple[Buffer, ...]
    settings: CopySettings
    watch: Watch
    ledger: Ledger = field(init=False)
    tally: ReadCounts = field(init=False, default_factory=ReadCounts)
    tail: Tail | None = field(init=False, default=None)
    _segmenter: Segmenter = field(init=False)
    _unsaved: list[Segment] = field(init=False, default_factory=list)
    _since: int = field(init=False, default=0)
    _done: int = field(init=False, default=0)
    _phase: str = field(init=False, default="copying")
    _saving: Future[None] | None = field(init=False, default=None)
    _scribe: Background[None] = field(init=False)

    def __post_init__(self) -> None:
        self.ledger = Ledger(self.journal)
        self._segmenter = Segmenter(self.journal.chunk_bytes)
        self._scribe = Background(overlap=self.watch.overlap)

    def run(self) -> None:
        """Bring every readable byte to the target, and the fill where nothing could be read; flush.

        Raises Interrupted where it had to stop; what it had copied by then stands in the journal, unless that or the
        target failed.
        """
        try:
            self._begin_journal()
            self._check_last_window()
            self._copy_readable()
            self._write_fill()
            self.tail = clear_tail(self.target, self.journal.bytes_total, self.buffers[0])
            self.checkpoint("reading-back")
            self.wait_for_journal()
        except (Gone, Stuck, OSError, Interrupted) as error:
            raise as_interruption(error, self.target.path, "copying", self._bytes_safe) from error

    def record(self, phase: CopyPhase) -> None:
        """Let the journal say what the read-back found. Raises Interrupted where it cannot be written."""
        self._write_journal(phase)
        self.wait_for_journal()

    def __enter__(self) -> CopySession:
        return self

    def __exit__(self, *_: object) -> None:
        self._scribe.close()

    @property
    def unreadable(self) -> tuple[Area, ...]:
        """The areas that failed every pass."""
        return merge(self.ledger.stages.areas_from(self.settings.policy.unreadable))

    @property
    def _bytes_safe(self) -> int:
        """Bytes that are on the target, durably, and that the journal knows of."""
        return sum(segment.where.length for segment in self.ledger.segments.values())

    def _begin_journal(self) -> None:
        """The target may have been given its size by now, so a journal that cannot be written leaves it half begun."""
        self._saving = self._scribe.do(lambda: self.store.save(self.journal))
        self.wait_for_journal()

    def _copy_readable(self) -> None:
        free = FreeBuffers(self.buffers)
        stages = Stages(self.journal.bytes_total)
        for where, stage in self.ledger.stages.runs():
            stages.assign(where, stage)
        policy = self.settings.policy
        policy = msgspec.structs.replace(policy, block_bytes=min(policy.block_bytes, len(self.buffers[0].view)))
        source = SourceReader(self.source, stages, policy, self.tally, free, self.watch.clock)
        events = source.events()
        if self.watch.overlap:
            events = read_ahead(events, free, self.watch.stop_reason)
        digester: Background[list[Segment]] = Background(overlap=self.watch.overlap)
        try:
            self._receive(events, free, digester)
            self._unsaved += self._segmenter.close()
        except BaseException:
            events.close()
            self._unsaved += self._segmenter.close()
            self._leave()
            raise
        finally:
            digester.close()

    def _receive(self, events: Generator[ReadEvent], free: FreeBuffers, digester: Background[list[Segment]]) -> None:
        """Take what is read: digest and write it at the same time, count it as copied at the next checkpoint."""
        self._done = self._bytes_safe
        if self._done + total(self.unreadable) < self.journal.bytes_total:  # no bar for what does not happen
            self._tell()
        self.watch.raise_if_stopped()
        for event in events:
            if isinstance(event, Data):
                self._unsaved += self._store(event, digester)
                free.give(event.buffer)
                self._done += event.where.length
                self._since += event.where.length
                if self._since >= self.settings.checkpoint_bytes:
                    self.checkpoint("copying")
            else:
                self.ledger.stages.assign(event.where, event.stage)
            self._tell()
            self.watch.raise_if_stopped()

    def _store(self, data: Data, digester: Background[list[Segment]]) -> list[Segment]:
        digests = digester.do(lambda: self._segmenter.add(data.where, data.buffer.view))
        try:
            write_fully(self.target, data.where, data.buffer)
        except BaseException:
            digests.result()
            self._segmenter.forget()  # its last bytes may not have arrived
            raise
        return digests.result()

    def _tell(self) -> None:
        """Say how far it is; once only what failed or was leapt over is left, that is another phase."""
        waiting = self.ledger.stages.waiting_bytes
        if waiting and self._done + waiting == self.journal.bytes_total:
            self._phase = "coming back to damage"
        self.watch.on_progress(Progress(self._phase, self._done, self.journal.bytes_total, waiting))

    def _write_fill(self) -> None:
        lost = self.unreadable
        if not lost:
            return
        self.checkpoint("copying")  # the fill may take long, and what was read is to be safe meanwhile
        buffer, done, whole = self.buffers[0], 0, total(lost)
        for where in (piece for one in lost for piece in pieces(one, len(buffer.view))):
            buffer.view[: where.length] = fill_bytes(where)
            write_fully(self.target, where, buffer)
            done += where.length
            self.watch.on_progress(Progress("filling unreadable areas", done, whole, whole))
            self.watch.raise_if_stopped()

    def checkpoint(self, phase: CopyPhase) -> None:
        """Flush, make sure the target is there, then let the journal say so."""
        self.wait_for_journal()
        unsaved, self._unsaved, self._since = self._unsaved, [], 0
        try:
            self.target.flush()
        except BaseException:  # a second flush would succeed and prove nothing, so all since the last one is read again
            self._segmenter.forget()
            raise
        if not self.target.is_present():
            raise Gone(f"{self.target.path} is no longer there as it was")
        self.ledger.add(unsaved)
        self._write_journal(phase)

    def _write_journal(self, phase: CopyPhase) -> None:
        snapshot = self.ledger.snapshot(phase, self.tally.reads, self.tally.failed)
        self._saving = self._scribe.do(lambda: self.store.save(snapshot()))

    def wait_for_journal(self) -> None:
        """Return when the journal of the last checkpoint is durable. Raises Interrupted where it could not be."""
        saving, self._saving = self._saving, None
        if saving is None:
            return
        try:
            saving.result()
        except DriveCareError as error:
            raise Interrupted(
                f"the journal cannot be written: {error.problem}",
                location=error.location,
                hint="Make room there, then go on with --resume",
            ) from error

    def _leave(self) -> None:
        """A last checkpoint on the way out, if the target still lets us; the reason for leaving counts more."""
        try:
            self.checkpoint("copying")
            self.wait_for_journal()
        except (Gone, Stuck, OSError, DriveCareError):
            return

    def _check_last_window(self) -> None:
        """Before going on: does the target hold what was written last, and the source what was read there and first?

        What the target lost is read again. A target that holds none of it, or a source that reads otherwise, is
        another medium or was written to.
        """
        window, size = [], 0
        copied = self.ledger.in_order()
        for segment in reversed(copied):
            window.append(segment)
            size += segment.where.length
            if size >= self.settings.checkpoint_bytes:
                break
        agreeing = [s for s in window if hash_area(self.target, s.where, self.buffers[0]) == s.digest]
        if not self.target.is_present():
            raise Gone(f"{self.target.path} is no longer there as it was")
        if len(window) > 1 and not agreeing:
            raise Refused(
                "the target holds nothing of what was last copied to it",
                guard="target-changed",
                location=self.target.path,
                hint="Is it the right one? Otherwise move the journal away and copy anew",
            )
        self.ledger.drop(s for s in window if s not in agreeing)
        for segment in (*copied[:1], *agreeing[:1]):
            found = hash_area(self.source, segment.where, self.buffers[0])
            if found is not None and found != segment.digest:
                raise Refused(
                    f"the source no longer holds at byte {segment.where.offset:,} what was copied from there",
                    guard="source-changed",
                    location=self.source.path,
                    hint="It is another one or was written to: move the journal away and copy anew",
                )
