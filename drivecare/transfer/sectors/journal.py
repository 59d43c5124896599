"""The journal: from it an interrupted copy goes on, and the result is the same.

It is replaced as a whole, never edited. What it calls copied was flushed to the target before it was written, so it
may know less than the target holds and never more.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Literal, Protocol

import msgspec

from drivecare.documents import MOST_CHUNKS, Value, decode, encode, read_bytes
from drivecare.errors import BadInput, Refused
from drivecare.storage import write_file
from drivecare.transfer.areas import Area, ByteCount, area, count_pieces, pieces
from drivecare.transfer.sectors.digests import Segment
from drivecare.transfer.sectors.receipt import ChunkSize, End, Unreadable
from drivecare.transfer.sectors.stages import COPIED, UNREAD, Stages

DIGEST_BYTES = 32

CopyPhase = Literal["copying", "reading-back", "done"]


class CopiedRun(Area, frozen=True, kw_only=True):
    """Bytes that are on the target. `digests`: one SHA-256 of the source's bytes for each part of the run, which is
    cut at multiples of the chunk size."""

    digests: bytes


class Waiting(Area, frozen=True, kw_only=True):
    """An area that failed or was leapt over; `stage` is the pass of `transfer.sectors.damage` it waits for."""

    stage: int


class Parent(Value, frozen=True, kw_only=True):
    """What the source image's own receipt says of it."""

    whole: str
    parents: tuple[str, ...] = ()
    unreadable: tuple[Unreadable, ...] = ()
    origin: End


class Journal(Value, frozen=True, kw_only=True):
    """Where a copy stands. `check` is the SHA-256 of the rest, so that a damaged journal is not believed."""

    schema: Literal["drivecare/journal-1"] = "drivecare/journal-1"
    source: End
    target: End
    bytes_total: ByteCount
    chunk_bytes: ChunkSize
    fill: str
    started: str
    sessions: int = 1
    source_was_read_only: bool | None = None  # the kernel's flag before the copy set it; None where it has none
    source_modified_ns: int | None = None  # an image's own time of last change; a device has none
    acknowledged: tuple[str, ...] = ()
    job: str | None = None  # whose copy this is
    parent: Parent | None = None
    phase: CopyPhase = "copying"
    copied: tuple[CopiedRun, ...] = ()
    waiting: tuple[Waiting, ...] = ()
    reads: int = 0
    failed_reads: int = 0
    check: str = ""


class JournalStore(Protocol):
    """Where the journal is kept."""

    def save(self, journal: Journal) -> None:
        """Replace the journal, durably and as a whole."""


class JournalFile:
    """A journal in a file."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def save(self, journal: Journal) -> None:
        """Replace the file atomically and flush it. Raises Unavailable where the disk is full."""
        write_file(self.path, encode(sealed(journal)), replace=True)

    def load(self) -> Journal | None:
        """The journal, or None where there is none. Raises Refused where it cannot be believed."""
        if not self.path.exists():
            return None
        try:
            data = read_bytes(self.path)
            journal = decode(Journal, data, origin=str(self.path))
        except BadInput as error:
            raise _damaged(self.path, error.problem) from error
        if not _is_sealed(data, journal.check) or not _consistent(journal):
            raise _damaged(self.path, "its content does not agree with its own check sum")
        return journal


def _damaged(path: Path, why: str) -> Refused:
    return Refused(
        f"the journal is damaged ({why}), so it cannot say what was copied; nothing was written",
        guard="journal-damaged",
        location=str(path),
        hint="Move it away and copy anew; the target then needs --allow-overwrite, the source is untouched",
    )


def sealed(journal: Journal) -> Journal:
    """The journal with its check sum put in."""
    blank = msgspec.structs.replace(journal, check="")
    return msgspec.structs.replace(journal, check=hashlib.sha256(encode(blank)).hexdigest())


def _is_sealed(data: bytes, check: str) -> bool:
    """Whether `check` is that of the bytes as they lie there, so that a version with more fields reads earlier ones."""
    before, _, after = data.partition(f'"check": "{check}"'.encode())
    return hashlib.sha256(before + b'"check": ""' + after).hexdigest() == check


def _consistent(journal: Journal) -> bool:
    """Whether its parts fit together; told without making anything of the sizes it claims."""
    whole = Area(offset=0, length=journal.bytes_total)
    return (
        count_pieces(whole, journal.chunk_bytes) <= MOST_CHUNKS
        and _in_order(journal.copied, journal.bytes_total)
        and _in_order(journal.waiting, journal.bytes_total)
        and all(len(run.digests) == DIGEST_BYTES * count_pieces(run, journal.chunk_bytes) for run in journal.copied)
    )


def _in_order(runs: Sequence[Area], bytes_total: int) -> bool:
    """Whether none is empty, none begins before another's end, and all lie within the copy."""
    ends = (0, *(run.end for run in runs))
    return ends[-1] <= bytes_total and all(
        run.length > 0 and end <= run.offset for end, run in zip(ends, runs, strict=False)
    )


def pack(segments: Iterable[Segment], chunk_bytes: int) -> tuple[CopiedRun, ...]:
    """Segments in order as few runs: neighbours join where they meet at a multiple of the chunk size."""
    runs: list[tuple[int, int, list[bytes]]] = []
    for segment in segments:
        where = segment.where
        if runs and runs[-1][1] == where.offset and where.offset % chunk_bytes == 0:
            start, _, digests = runs.pop()
            digests.append(segment.digest)
            runs.append((start, where.end, digests))
        else:
            runs.append((where.offset, where.end, [segment.digest]))
    return tuple(CopiedRun(offset=start, length=end - start, digests=b"".join(digests)) for start, end, digests in runs)


def unpack(runs: Iterable[CopiedRun], chunk_bytes: int) -> list[Segment]:
    """The segments of the runs, in order."""
    return [
        Segment(part, run.digests[index * DIGEST_BYTES : (index + 1) * DIGEST_BYTES])
        for run in runs
        for index, part in enumerate(pieces(area(run.offset, run.end), chunk_bytes))
    ]


class Ledger:
    """What the engine knows now and the journal will know next: segments on the target, areas that wait."""

    def __init__(self, journal: Journal) -> None:
        self._journal = journal
        self.segments = {s.where.offset: s for s in unpack(journal.copied, journal.chunk_bytes)}
        self.stages = Stages(journal.bytes_total)
        for waiting in journal.waiting:
            self.stages.assign(waiting, waiting.stage)
        for run in journal.copied:
            self.stages.assign(run, COPIED)

    def add(self, segments: Iterable[Segment]) -> None:
        """These are on the target now."""
        for segment in segments:
            self.segments[segment.where.offset] = segment
            self.stages.assign(segment.where, COPIED)

    def drop(self, segments: Iterable[Segment]) -> None:
        """These are not on the target after all: they will be read from the source again."""
        for segment in segments:
            self.segments.pop(segment.where.offset, None)
            self.stages.assign(segment.where, UNREAD)

    def in_order(self) -> list[Segment]:
        """The segments by offset."""
        return [self.segments[offset] for offset in sorted(self.segments)]

    def snapshot(self, phase: CopyPhase, reads: int, failed: int) -> Callable[[], Journal]:
        """The journal of this moment; the work of putting it together is done when it is called."""
        segments = list(self.segments.values())
        waiting = tuple(
            Waiting(offset=where.offset, length=where.length, stage=stage)
            for where, stage in self.stages.runs()
            if stage > UNREAD
        )

        def assemble() -> Journal:
            segments.sort(key=lambda segment: segment.where.offset)
            return msgspec.structs.replace(
                self._journal,
                phase=phase,
                copied=pack(segments, self._journal.chunk_bytes),
                waiting=waiting,
                reads=self._journal.reads + reads,
                failed_reads=self._journal.failed_reads + failed,
            )

        return assemble
