"""The journal: an interrupted copy continues from it, and the result is the same.

It is replaced as a whole, never edited. What it calls copied was flushed to the target before the journal was written,
so it may list less than the target holds and never more. `transfer.sectors.journal_file` keeps it on a disk.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Sequence
from typing import Annotated, Literal, Protocol

import msgspec
from msgspec import Meta

from drivecare import __version__
from drivecare.documents import MOST_CHUNKS, Value, encode
from drivecare.transfer.areas import Area, ByteCount, count_pieces, pieces
from drivecare.transfer.sectors.digests import DIGEST_BYTES, Algorithm
from drivecare.transfer.sectors.fill import FILL
from drivecare.transfer.sectors.receipt import ChunkSize, End, Unreadable, chunk_bytes_for
from drivecare.transfer.sectors.segments import Segment
from drivecare.transfer.sectors.stages import COPIED, UNREAD, Stages, stage_of_journal

CopyPhase = Literal["copying", "reading-back", "done"]


class CopiedRun(Area, frozen=True, kw_only=True):
    """Bytes that are on the target.

    `digests`: one of the source's bytes for each part of the run, which is cut at multiples of the chunk size.
    """

    digests: bytes


class Waiting(Area, frozen=True, kw_only=True):
    """An area that failed; `stage` is the smallest read of it that did, as `transfer.sectors.stages` numbers them."""

    stage: int


class Parent(Value, frozen=True, kw_only=True):
    """What a source image's own receipt says about it."""

    whole: str
    whole_algorithm: Algorithm = "sha256"
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
    algorithm: Algorithm = "sha256"  # of the chunks; that of 0.1.0, which did not say
    whole_algorithm: Algorithm = "sha256"
    fill: str
    started: str
    tool_version: str | None = None  # of what began the copy; None in journals of 0.2.0 and before
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
    rest_seconds: Annotated[float, Meta(ge=0)] | None = None  # what the rest takes, where a copy has stopped before it
    check: str = ""


class JournalStore(Protocol):
    """Where the journal is kept."""

    def save(self, journal: Journal) -> None:
        """Replace the journal, durably and as a whole."""


def new_journal(
    source: End,
    target: End,
    *,
    started: str,
    parent: Parent | None = None,
    whole_algorithm: Algorithm = "sha256",
) -> Journal:
    """The journal of a copy that has not begun. `started`: ISO 8601 with offset."""
    return Journal(
        source=source,
        target=target,
        bytes_total=source.size_bytes,
        chunk_bytes=chunk_bytes_for(source.size_bytes),
        algorithm="blake3",
        whole_algorithm=whole_algorithm,
        fill=FILL,
        started=started,
        tool_version=__version__,
        parent=parent,
    )


def sealed(journal: Journal) -> Journal:
    """The journal with its checksum filled in."""
    blank = msgspec.structs.replace(journal, check="")
    return msgspec.structs.replace(journal, check=hashlib.sha256(encode(blank)).hexdigest())


def contradiction(journal: Journal, data: bytes) -> str:
    """Say why a journal that was read from `data` cannot be believed; "" where it can.

    The check is that of the bytes as they were read, so that a version with more fields reads earlier journals. The
    rest is looked at without allocating anything of the sizes it claims.
    """
    before, _, after = data.partition(f'"check": "{journal.check}"'.encode())
    if hashlib.sha256(before + b'"check": ""' + after).hexdigest() != journal.check:
        return "its content does not agree with its own checksum"
    whole = Area(offset=0, length=journal.bytes_total)
    consistent = (
        count_pieces(whole, journal.chunk_bytes) <= MOST_CHUNKS
        and _in_order(journal.copied, journal.bytes_total)
        and _in_order(journal.waiting, journal.bytes_total)
        and all(len(run.digests) == DIGEST_BYTES * count_pieces(run, journal.chunk_bytes) for run in journal.copied)
    )
    return "" if consistent else "its parts contradict each other"


def _in_order(runs: Sequence[Area], bytes_total: int) -> bool:
    """Tell whether none is empty, none begins before the previous one's end, and all lie within the copy."""
    ends = (0, *(run.end for run in runs))
    return ends[-1] <= bytes_total and all(
        run.length > 0 and end <= run.offset for end, run in zip(ends, runs, strict=False)
    )


def pack(segments: Iterable[Segment], chunk_bytes: int) -> tuple[CopiedRun, ...]:
    """Join segments in order into few runs: neighbours that meet at a multiple of the chunk size share one."""
    runs: list[tuple[int, int, list[bytes]]] = []
    for segment in segments:
        area = segment.area
        # Elsewhere a run would not say where its second digest begins: `unpack` cuts at chunk boundaries only.
        if runs and runs[-1][1] == area.offset and area.offset % chunk_bytes == 0:
            start, _, digests = runs.pop()
            digests.append(segment.digest)
            runs.append((start, area.end, digests))
        else:
            runs.append((area.offset, area.end, [segment.digest]))
    return tuple(CopiedRun(offset=start, length=end - start, digests=b"".join(digests)) for start, end, digests in runs)


def unpack(runs: Iterable[CopiedRun], chunk_bytes: int) -> list[Segment]:
    """The segments of the runs, in order."""
    return [
        Segment(part, run.digests[index * DIGEST_BYTES : (index + 1) * DIGEST_BYTES])
        for run in runs
        for index, part in enumerate(pieces(Area.between(run.offset, run.end), chunk_bytes))
    ]


class Ledger:
    """What the engine knows now and the next journal will say: segments on the target, areas that failed."""

    def __init__(self, journal: Journal) -> None:
        self._journal = journal
        self.rest_seconds = journal.rest_seconds
        self.segments = {segment.area.offset: segment for segment in unpack(journal.copied, journal.chunk_bytes)}
        self.stages = Stages(journal.bytes_total)
        for waiting in journal.waiting:
            self.stages.assign(waiting, stage_of_journal(waiting.stage))
        for run in journal.copied:
            self.stages.assign(run, COPIED)

    def add(self, segments: Iterable[Segment]) -> None:
        """Record segments that are on the target now."""
        for segment in segments:
            self.segments[segment.area.offset] = segment
            self.stages.assign(segment.area, COPIED)

    def drop(self, segments: Iterable[Segment]) -> None:
        """Give up segments that are not on the target after all: they will be read from the source again."""
        for segment in segments:
            self.segments.pop(segment.area.offset, None)
            self.stages.assign(segment.area, UNREAD)

    def in_order(self) -> list[Segment]:
        """The segments, by offset."""
        return [self.segments[offset] for offset in sorted(self.segments)]

    def snapshot(self, phase: CopyPhase, reads: int, failed: int) -> Callable[[], Journal]:
        """Return a function that makes the journal of this moment; the thread that saves it does the costly part."""
        segments, rest_seconds = list(self.segments.values()), self.rest_seconds
        waiting = tuple(
            Waiting(offset=area.offset, length=area.length, stage=stage)
            for area, stage in self.stages.runs()
            if stage > UNREAD
        )

        def assemble() -> Journal:
            segments.sort(key=lambda segment: segment.area.offset)
            return msgspec.structs.replace(
                self._journal,
                phase=phase,
                copied=pack(segments, self._journal.chunk_bytes),
                waiting=waiting,
                reads=self._journal.reads + reads,
                failed_reads=self._journal.failed_reads + failed,
                rest_seconds=rest_seconds,
            )

        return assemble
