"""One target of a copy: what lies on it, durably, the journal that says so, and the proof in the end.

A checkpoint flushes the target, asks whether it is still there (on some drives a flush succeeds after they were
pulled), and only then calls the bytes copied. What a target meets is its own affair: it is given up with its journal,
and other targets of the same copy go on.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterable
from concurrent.futures import Future
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from drivecare.errors import DriveCareError, Interrupted
from drivecare.transfer.areas import Area, intersect, merge, overlap, pieces, total, uncovered
from drivecare.transfer.interruption import Activity, HopelessRest, as_interruption
from drivecare.transfer.medium import Buffer, Gone, Medium, Progress, Stuck, Watch, require_present
from drivecare.transfer.sectors.comparison import ExpectedPart, ReadBack
from drivecare.transfer.sectors.fill import fill_bytes
from drivecare.transfer.sectors.finalize import CopyOutcome, expected_parts, make_receipt
from drivecare.transfer.sectors.journal import CopyPhase, Journal, JournalStore, Ledger
from drivecare.transfer.sectors.partitions import read_partition_table
from drivecare.transfer.sectors.pipeline import Background
from drivecare.transfer.sectors.readback import read_back
from drivecare.transfer.sectors.reader import ReadCounts
from drivecare.transfer.sectors.receipt import Reads, Receipt, Tail
from drivecare.transfer.sectors.recognition import check_content, check_last_window, complete_chunks
from drivecare.transfer.sectors.segments import Segment
from drivecare.transfer.sectors.stages import COPIED, UNREAD, Stages
from drivecare.transfer.sectors.tail import clear_tail
from drivecare.transfer.sectors.whole_transfers import hash_area, read_through, write_fully

if TYPE_CHECKING:
    from drivecare.transfer.sectors.engine import CopySettings

# What ends a copy in good order: of a medium, of the journal's disk, or somebody's wish. Anything else is a bug.
StopReason = Gone | Stuck | OSError | Interrupted
STOP_REASONS = (Gone, Stuck, OSError, Interrupted)


@dataclass(frozen=True, slots=True)
class CopyTarget:
    """A target and the journal of the copy to it. `by_content`: a side is known by what it holds alone."""

    medium: Medium
    journal: Journal
    store: JournalStore
    by_content: bool = False


@dataclass(slots=True)
class TargetSide:
    """A target during one session. `outcome`: its receipt, or why it was given up; None while it is being written.

    `spared`: what it holds already and is read again for another target.
    """

    target: CopyTarget
    source: Medium
    buffers: tuple[Buffer, ...]
    settings: CopySettings
    watch: Watch
    counts: ReadCounts
    outcome: Receipt | Interrupted | None = field(init=False, default=None)
    spared: tuple[Area, ...] = field(init=False, default=())
    ledger: Ledger = field(init=False)
    _tail: Tail | None = field(init=False, default=None)
    _unsaved: list[Segment] = field(init=False, default_factory=list)
    _saving: Future[None] | None = field(init=False, default=None)
    _journal_writer: Background[None] = field(init=False)

    def __post_init__(self) -> None:
        self.ledger = Ledger(self.journal)
        self._journal_writer = Background(overlap=self.watch.overlap)

    @property
    def medium(self) -> Medium:
        """What is written to."""
        return self.target.medium

    @property
    def journal(self) -> Journal:
        """The journal that this session began with."""
        return self.target.journal

    @property
    def unreadable(self) -> tuple[Area, ...]:
        """The areas that failed every read."""
        return merge(self.ledger.stages.areas_from(self.settings.policy.unreadable))

    @property
    def unread(self) -> tuple[Area, ...]:
        """What may still be read; none, but where the copy was to stop before."""
        policy = self.settings.policy
        runs = self.ledger.stages.runs() if policy.until_used else ()
        return merge(area for area, stage in runs if UNREAD <= stage < policy.unreadable)

    def give_up(self, reason: StopReason, activity: Activity) -> None:
        """End this target's session with an Interrupted that says how to continue."""
        if isinstance(reason, HopelessRest):
            self.ledger.rest_seconds = reason.rest_seconds
        if activity == "copying":
            self.leave()
        self.outcome = as_interruption(reason, self.medium.path, activity, self._bytes_safe)

    def leave(self) -> None:
        """Make a last checkpoint on the way out, if the target still lets us; the reason for leaving counts more."""
        with contextlib.suppress(Gone, Stuck, OSError, DriveCareError):
            self.checkpoint("copying")
            self._wait_for_journal()

    def close(self) -> None:
        """Finish what is being saved."""
        self._journal_writer.close()

    @property
    def _bytes_safe(self) -> int:
        """Bytes that are on the target, durably, and that the journal lists."""
        return total(segment.area for segment in self.ledger.segments.values())

    def begin(self) -> None:
        """Make the journal durable, then check the sides. Raises Refused.

        The target may have been given its size by now, so a journal that cannot be written leaves it half begun.
        """
        self._saving = self._journal_writer.submit(lambda: self.target.store.save(self.journal))
        self._wait_for_journal()
        if self.target.by_content:
            check_content(self.journal, self.source, self.medium, self._holds, self.watch.clock)
            self.ledger.drop([] if complete_chunks(self.journal) else self.ledger.in_order())
        else:
            copied, window_bytes = self.ledger.in_order(), self.settings.checkpoint_bytes
            self.ledger.drop(check_last_window(copied, window_bytes, self.source, self.medium, self._holds))

    def _holds(self, medium: Medium, segment: Segment) -> bool | None:
        """Whether a medium holds the bytes of a segment; None where they cannot be read."""
        digest = hash_area(medium, segment.area, self.buffers[0], self.journal.algorithm)
        return None if digest is None else digest == segment.digest

    def join(self, stages: Stages) -> None:
        """Take in what the targets of this copy know together: what is read again for another, and what failed."""
        self.spared = tuple(intersect(self.ledger.stages.areas(COPIED), stages.areas_from(UNREAD)))
        for area, stage in stages.runs():
            if stage > UNREAD:
                self.move(area, stage)

    def write(self, area: Area, buffer: Buffer) -> None:
        """Write what this target lacks of an area, which the buffer holds from its start."""
        for piece in uncovered(self.spared, area):
            start = piece.offset - area.offset
            write_fully(self.medium, piece, Buffer(buffer.view[start:], buffer.position + start))

    def take(self, segments: Iterable[Segment]) -> None:
        """Count segments as copied at the next checkpoint: all of their bytes were written."""
        self._unsaved += (s for s in segments if not any(overlap(s.area, area) for area in self.spared))

    def move(self, area: Area, stage: int) -> None:
        """Record that an area failed, but for what of it this target holds."""
        for piece in uncovered(self.spared, area):
            self.ledger.stages.assign(piece, stage)

    def checkpoint(self, phase: CopyPhase) -> None:
        """Flush, make sure that the target is there, then let the journal say so."""
        self._wait_for_journal()
        # Where the flush fails, a second one would succeed and prove nothing: all since the last one is read again.
        unsaved, self._unsaved = self._unsaved, []
        self.medium.flush()
        require_present(self.medium)
        self.ledger.add(unsaved)
        self._write_journal(phase)

    def complete(self) -> None:
        """Write what is not the source's: the fill of unreadable areas, and zeros at the end of a larger target."""
        self.ledger.rest_seconds = None  # all that was to be tried was
        self._write_fill()
        self._tail = clear_tail(self.medium, self.journal.bytes_total, self.buffers[0])
        self.checkpoint("copying" if self.unread else "reading-back")
        self._wait_for_journal()

    def _write_fill(self) -> None:
        unreadable = self.unreadable
        if not unreadable:
            return
        self.checkpoint("copying")  # the fill may take long; what was read must be safe by then
        buffer, filled, to_fill = self.buffers[0], 0, total(unreadable)
        for piece in (piece for area in unreadable for piece in pieces(area, len(buffer.view))):
            buffer.view[: piece.length] = fill_bytes(piece)
            write_fully(self.medium, piece, buffer)
            filled += piece.length
            self.watch.on_progress(Progress("filling unreadable areas", filled, to_fill))
            self.watch.raise_if_stopped()

    def prove(self) -> None:
        """Read the whole target back; the receipt says what that proves."""
        unread = self.unread  # before the ledger forgets what differs
        parts, proof = self._read_back()
        size = self.journal.bytes_total
        table = read_partition_table(read_through(self.medium, self.buffers[0], size), size)
        self._record(proof)
        self.outcome = make_receipt(
            CopyOutcome(
                journal=self.journal,
                parts=parts,
                unreadable=self.unreadable,
                unread=unread,
                read_back=proof,
                table=table,
                tail=self._tail,
                target_bytes=self.medium.size_bytes,
                reads=self._reads(),
                finished=self.watch.timestamp(),
            )
        )

    def _read_back(self) -> tuple[tuple[ExpectedPart, ...], ReadBack]:
        """What the target must hold, and what it holds."""
        chunk_bytes, bytes_total = self.journal.chunk_bytes, self.journal.bytes_total
        parts = expected_parts(self.ledger.in_order(), self.unreadable, self.unread, chunk_bytes, bytes_total)
        proof = read_back(
            self.medium,
            parts,
            unread=self.unread,
            bytes_total=bytes_total,
            chunk_bytes=chunk_bytes,
            algorithm=self.journal.algorithm,
            whole_algorithm=self.journal.whole_algorithm,
            buffers=self.buffers,
            watch=self.watch,
        )
        return parts, proof

    def _record(self, proof: ReadBack) -> None:
        """Let the journal say what the read-back found: a resume copies again what it did not confirm.

        It reads what is still unread, too, so that such a copy is not done.
        """
        done = proof.agrees and not self.unread
        if not proof.agrees:
            segments = self.ledger.in_order()
            self.ledger.drop(s for s in segments if any(overlap(s.area, area) for area in proof.bad))
        self._write_journal("done" if done else "copying")
        self._wait_for_journal()

    def _reads(self) -> Reads:
        return Reads(
            method="direct" if self.source.direct else "buffered",
            count=self.journal.reads + self.counts.reads,
            failed=self.journal.failed_reads + self.counts.failed,
            set_read_only=self.journal.source_was_read_only is not None,
            sessions=self.journal.sessions,
        )

    def _write_journal(self, phase: CopyPhase) -> None:
        snapshot = self.ledger.snapshot(phase, self.counts.reads, self.counts.failed)
        self._saving = self._journal_writer.submit(lambda: self.target.store.save(snapshot()))

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
