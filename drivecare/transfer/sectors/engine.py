"""The copy engine: from a journal to a receipt, with a journal in between that never claims more than is durable.

The order is the promise; `CopySession.run` tells it. The journal is on its disk before the first byte is written.
A checkpoint flushes the target, asks whether it is still there (on some drives a flush succeeds after they were
pulled), and only then calls the bytes copied:

    read ------> digest + write ------> checkpoint: flush target, is it present? ------> journal says "copied"
    (thread)     (digest in a thread)   (only now is what was read safe)                 (saved in a thread)
"""

from __future__ import annotations

import contextlib
from collections.abc import Generator, Iterator
from concurrent.futures import Future
from dataclasses import dataclass, field

import msgspec

from drivecare.documents import Value
from drivecare.errors import DriveCareError, Interrupted, Refused
from drivecare.transfer.areas import Area, merge, overlap, pieces, total
from drivecare.transfer.interruption import Activity, as_interruption
from drivecare.transfer.medium import Buffer, Gone, Medium, Progress, Stuck, Watch, require_present
from drivecare.transfer.sectors.comparison import ExpectedPart, ReadBack
from drivecare.transfer.sectors.damage import DamagePolicy
from drivecare.transfer.sectors.fill import fill_bytes
from drivecare.transfer.sectors.finalize import CopyOutcome, expected_parts, make_receipt
from drivecare.transfer.sectors.journal import CopyPhase, Journal, JournalStore, Ledger
from drivecare.transfer.sectors.partitions import read_partition_table
from drivecare.transfer.sectors.pipeline import Background, FreeBuffers, read_ahead
from drivecare.transfer.sectors.readback import read_back
from drivecare.transfer.sectors.reader import Data, ReadCounts, ReadEvent, SourceReader
from drivecare.transfer.sectors.receipt import Reads, Receipt
from drivecare.transfer.sectors.recognition import check_content, complete_chunks
from drivecare.transfer.sectors.segments import Segment, Segmenter
from drivecare.transfer.sectors.stages import Stages
from drivecare.transfer.sectors.tail import clear_tail
from drivecare.transfer.sectors.whole_transfers import hash_area, read_through, write_fully


class CopySettings(Value, frozen=True, kw_only=True):
    """What a copy may be told beside its two ends.

    `checkpoint_bytes`: after this many bytes the journal is brought up to date; a kill costs at most about twice that.
    `by_content`: a side is known by what it holds alone.
    """

    policy: DamagePolicy = DamagePolicy()
    checkpoint_bytes: int = 96 << 20
    by_content: bool = False


def copy_and_prove(
    source: Medium,
    target: Medium,
    journal: Journal,
    store: JournalStore,
    buffers: tuple[Buffer, ...],
    settings: CopySettings | None = None,
    watch: Watch | None = None,
) -> Receipt:
    """Copy all that can be read of the source and prove it, from the beginning or from where `journal` stands.

    Every guard has passed. Raises Interrupted where it stopped midway, Refused where a resume meets another medium.
    """
    with CopySession(source, target, journal, store, buffers, settings or CopySettings(), watch or Watch()) as session:
        return session.run()


@dataclass(slots=True)
class CopySession:
    """One session of a copy: what it works with, and how far it is."""

    source: Medium
    target: Medium
    journal: Journal
    store: JournalStore
    buffers: tuple[Buffer, ...]
    settings: CopySettings
    watch: Watch
    ledger: Ledger = field(init=False)
    counts: ReadCounts = field(init=False, default_factory=ReadCounts)
    _segmenter: Segmenter = field(init=False)
    _unsaved: list[Segment] = field(init=False, default_factory=list)
    _since_checkpoint: int = field(init=False, default=0)
    _copied: int = field(init=False, default=0)
    _phase: str = field(init=False, default="copying")
    _saving: Future[None] | None = field(init=False, default=None)
    _journal_writer: Background[None] = field(init=False)

    def __post_init__(self) -> None:
        self.ledger = Ledger(self.journal)
        self._segmenter = Segmenter(self.journal.chunk_bytes, self.journal.algorithm)
        self._journal_writer = Background(overlap=self.watch.overlap)

    def __enter__(self) -> CopySession:
        return self

    def __exit__(self, *_: object) -> None:
        self._journal_writer.close()

    def run(self) -> Receipt:
        """The whole copy, in the order that makes its receipt true.

        Raises Interrupted where it had to stop; the journal then lists what was copied, unless the journal or the
        target failed.
        """
        with self._interruptible("copying"):
            self._begin_journal()
            self._check_sides()
            self._copy_readable()
            self._write_fill()
            tail = clear_tail(self.target, self.journal.bytes_total, self.buffers[0])
            self._checkpoint("reading-back")
            self._wait_for_journal()
        with self._interruptible("reading back"):
            parts, proof = self._read_back()
            size = self.journal.bytes_total
            table = read_partition_table(read_through(self.target, self.buffers[0], size), size)
        self._record(proof)
        return make_receipt(
            CopyOutcome(
                journal=self.journal,
                parts=parts,
                unreadable=self.unreadable,
                read_back=proof,
                table=table,
                tail=tail,
                target_bytes=self.target.size_bytes,
                reads=self._reads(),
                finished=self.watch.timestamp(),
            )
        )

    @contextlib.contextmanager
    def _interruptible(self, activity: Activity) -> Iterator[None]:
        """Turn whatever stops the copy into an Interrupted that says how to continue."""
        try:
            yield
        except (Gone, Stuck, OSError, Interrupted) as error:
            raise as_interruption(error, self.target.path, activity, self._bytes_safe) from error

    @property
    def unreadable(self) -> tuple[Area, ...]:
        """The areas that failed every pass."""
        return merge(self.ledger.stages.areas_from(self.settings.policy.unreadable))

    @property
    def _bytes_safe(self) -> int:
        """Bytes that are on the target, durably, and that the journal lists."""
        return total(segment.area for segment in self.ledger.segments.values())

    def _begin_journal(self) -> None:
        """The target may have been given its size by now, so a journal that cannot be written leaves it half begun."""
        self._saving = self._journal_writer.submit(lambda: self.store.save(self.journal))
        self._wait_for_journal()

    def _check_sides(self) -> None:
        """Before a resume writes: are these the two sides that the journal tells of, and do they hold what it says?"""
        if self.settings.by_content:
            check_content(self.journal, self.source, self.target, self._holds, self.watch.clock)
            self.ledger.drop([] if complete_chunks(self.journal) else self.ledger.in_order())
        else:
            self._check_last_window()

    def _check_last_window(self) -> None:
        """Check before a resume that the target holds what was last written, the source what was read first and last.

        What the target lost is read again. A target that holds none of it, or a source that reads otherwise, is
        another medium or was written to.
        """
        copied = self.ledger.in_order()
        window, size = [], 0
        for segment in reversed(copied):
            window.append(segment)
            size += segment.area.length
            if size >= self.settings.checkpoint_bytes:
                break
        agreeing = [segment for segment in window if self._holds(self.target, segment)]
        require_present(self.target)
        if len(window) > 1 and not agreeing:
            raise Refused(
                "the target holds nothing of what was last copied to it",
                guard="target-changed",
                location=self.target.path,
                hint="Is it the right one? Otherwise move the journal away and start a new copy",
            )
        self.ledger.drop(segment for segment in window if segment not in agreeing)
        for segment in (*copied[:1], *agreeing[:1]):
            if self._holds(self.source, segment) is False:
                raise Refused(
                    f"the source no longer holds at byte {segment.area.offset:,} what was copied from there",
                    guard="source-changed",
                    location=self.source.path,
                    hint="It is another one or was written to: move the journal away and start a new copy",
                )

    def _holds(self, medium: Medium, segment: Segment) -> bool | None:
        """Whether a medium holds the bytes of a segment; None where they cannot be read."""
        digest = hash_area(medium, segment.area, self.buffers[0], self.journal.algorithm)
        return None if digest is None else digest == segment.digest

    def _copy_readable(self) -> None:
        free = FreeBuffers(self.buffers)
        stages = Stages(self.journal.bytes_total)
        for area, stage in self.ledger.stages.runs():
            stages.assign(area, stage)
        policy = self.settings.policy
        policy = msgspec.structs.replace(policy, block_bytes=min(policy.block_bytes, len(self.buffers[0].view)))
        events = SourceReader(self.source, stages, policy, self.counts, free, self.watch.clock).events()
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
        self._copied = self._bytes_safe
        if self._copied + total(self.unreadable) < self.journal.bytes_total:  # a phase that does not happen gets no bar
            self._report_progress()
        self.watch.raise_if_stopped()
        for event in events:
            if isinstance(event, Data):
                self._unsaved += self._store(event, digester)
                free.give(event.buffer)
                self._copied += event.area.length
                self._since_checkpoint += event.area.length
                if self._since_checkpoint >= self.settings.checkpoint_bytes:
                    self._checkpoint("copying")
            else:
                self.ledger.stages.assign(event.area, event.stage)
            self._report_progress()
            self.watch.raise_if_stopped()

    def _store(self, data: Data, digester: Background[list[Segment]]) -> list[Segment]:
        digests = digester.submit(lambda: self._segmenter.add(data.area, data.buffer.view))
        try:
            write_fully(self.target, data.area, data.buffer)
        except BaseException:
            digests.result()
            self._segmenter.forget()  # its last bytes may not have arrived
            raise
        return digests.result()

    def _report_progress(self) -> None:
        """Report how far it is; once only what failed or was leapt over is left, that is another phase."""
        waiting = self.ledger.stages.waiting_bytes
        if waiting and self._copied + waiting == self.journal.bytes_total:
            self._phase = "coming back to damage"
        self.watch.on_progress(Progress(self._phase, self._copied, self.journal.bytes_total, waiting))

    def _write_fill(self) -> None:
        unreadable = self.unreadable
        if not unreadable:
            return
        self._checkpoint("copying")  # the fill may take long; what was read must be safe by then
        buffer, filled, to_fill = self.buffers[0], 0, total(unreadable)
        for piece in (piece for area in unreadable for piece in pieces(area, len(buffer.view))):
            buffer.view[: piece.length] = fill_bytes(piece)
            write_fully(self.target, piece, buffer)
            filled += piece.length
            self.watch.on_progress(Progress("filling unreadable areas", filled, to_fill, to_fill))
            self.watch.raise_if_stopped()

    def _checkpoint(self, phase: CopyPhase) -> None:
        """Flush, make sure that the target is there, then let the journal say so."""
        self._wait_for_journal()
        unsaved, self._unsaved, self._since_checkpoint = self._unsaved, [], 0
        try:
            self.target.flush()
        except BaseException:  # a second flush would succeed and prove nothing, so all since the last one is read again
            self._segmenter.forget()
            raise
        require_present(self.target)
        self.ledger.add(unsaved)
        self._write_journal(phase)

    def _write_journal(self, phase: CopyPhase) -> None:
        snapshot = self.ledger.snapshot(phase, self.counts.reads, self.counts.failed)
        self._saving = self._journal_writer.submit(lambda: self.store.save(snapshot()))

    def _wait_for_journal(self) -> None:
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
                hint="Make room there, then continue with --resume",
            ) from error

    def _leave(self) -> None:
        """Make a last checkpoint on the way out, if the target still lets us; the reason for leaving counts more."""
        with contextlib.suppress(Gone, Stuck, OSError, DriveCareError):
            self._checkpoint("copying")
            self._wait_for_journal()

    def _read_back(self) -> tuple[tuple[ExpectedPart, ...], ReadBack]:
        """What the target must hold, and what it holds."""
        chunk_bytes, bytes_total = self.journal.chunk_bytes, self.journal.bytes_total
        parts = expected_parts(self.ledger.in_order(), self.unreadable, chunk_bytes, bytes_total)
        proof = read_back(
            self.target,
            parts,
            bytes_total=bytes_total,
            chunk_bytes=chunk_bytes,
            algorithm=self.journal.algorithm,
            whole_algorithm=self.journal.whole_algorithm,
            buffers=self.buffers,
            watch=self.watch,
        )
        return parts, proof

    def _record(self, proof: ReadBack) -> None:
        """Let the journal say what the read-back found: a resume copies again what it did not confirm."""
        if not proof.agrees:
            segments = self.ledger.in_order()
            self.ledger.drop(s for s in segments if any(overlap(s.area, area) for area in proof.bad))
        self._write_journal("done" if proof.agrees else "copying")
        self._wait_for_journal()

    def _reads(self) -> Reads:
        return Reads(
            method="direct" if self.source.direct else "buffered",
            count=self.journal.reads + self.counts.reads,
            failed=self.journal.failed_reads + self.counts.failed,
            set_read_only=self.journal.source_was_read_only is not None,
            sessions=self.journal.sessions,
        )
