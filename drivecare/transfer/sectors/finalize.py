"""After the last flush: read everything back, then say in a receipt what is proven."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from drivecare import __version__
from drivecare.errors import Interrupted
from drivecare.transfer.areas import Area, merge, overlap, pieces, total
from drivecare.transfer.interruption import as_interruption
from drivecare.transfer.medium import Buffer, Gone, Medium, Stuck, Watch
from drivecare.transfer.sectors.digests import Segment
from drivecare.transfer.sectors.engine import CopySession, CopySettings
from drivecare.transfer.sectors.fill import FILL
from drivecare.transfer.sectors.journal import Journal, JournalStore, Parent
from drivecare.transfer.sectors.partitions import PartitionTable, partition_names_at, read_partition_table, read_through
from drivecare.transfer.sectors.readback import Expected, ReadBack, read_back
from drivecare.transfer.sectors.receipt import (
    Digest,
    End,
    Note,
    PartitionEntry,
    Reads,
    Receipt,
    Unreadable,
    Verification,
    chunk_bytes_for,
)
from drivecare.transfer.sectors.tail import displaced_backup


def new_journal(source: End, target: End, *, started: str | None = None, parent: Parent | None = None) -> Journal:
    """The journal of a copy that has not begun."""
    return Journal(
        source=source,
        target=target,
        bytes_total=source.size_bytes,
        chunk_bytes=chunk_bytes_for(source.size_bytes),
        fill=FILL,
        started=started or now(),
        parent=parent,
    )


def now() -> str:
    """The time here, ISO 8601 with offset, to the second."""
    return datetime.now().astimezone().isoformat(timespec="seconds")


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
    watch = watch or Watch()
    copying = CopySession(source, target, journal, store, buffers, settings or CopySettings(), watch)
    with copying:
        copying.run()
        expected = list(_expected(copying))
        try:
            proof = read_back(
                target,
                expected,
                bytes_total=journal.bytes_total,
                chunk_bytes=journal.chunk_bytes,
                buffers=buffers,
                watch=watch,
            )
            table = read_partition_table(read_through(target, buffers[0], journal.bytes_total), journal.bytes_total)
        except (Gone, Stuck, OSError, Interrupted) as error:
            raise as_interruption(error, target.path, "reading back") from error
        if not proof.agrees:  # a resume copies these again
            copying.ledger.drop(_touched(copying.ledger.in_order(), (*proof.mismatched, *proof.unreadable)))
        copying.record("done" if proof.agrees else "copying")
    return _receipt(copying, expected, proof, table)


def _expected(copying: CopySession) -> Iterator[Expected]:
    """Every part of the target in order: segments, and the fill between them."""
    parts = [Expected(segment.where, segment.digest) for segment in copying.ledger.in_order()]
    parts += [
        Expected(piece, None) for lost in copying.unreadable for piece in pieces(lost, copying.journal.chunk_bytes)
    ]
    parts.sort(key=lambda part: part.where.offset)
    covered = merge(part.where for part in parts)
    assert total(part.where for part in parts) == copying.journal.bytes_total == total(covered), "parts leave a gap"
    yield from parts


def _touched(segments: list[Segment], areas: tuple[Area, ...]) -> list[Segment]:
    return [segment for segment in segments if any(overlap(segment.where, one) for one in areas)]


def _receipt(copying: CopySession, expected: list[Expected], proof: ReadBack, table: PartitionTable) -> Receipt:
    journal = copying.journal
    broken = _broken(journal.parent, proof, bool(copying.unreadable))
    own = tuple(_unreadable(lost, table, inherited=False) for lost in copying.unreadable)
    inherited = () if journal.parent is None else journal.parent.unreadable
    unreadable = _together(own, tuple(_unreadable(lost, table, inherited=True) for lost in inherited))
    looks = "zero" if proof.zero_fraction == 1.0 else "random" if proof.looks_random else "mixed"
    displaced = displaced_backup(table, journal.bytes_total, copying.target.size_bytes)
    notes = (*broken, *_LOOKS.get(looks, ()), *((displaced,) if displaced else ()))
    finished = now()
    return Receipt(
        source=journal.source,
        target=journal.target,
        bytes_total=journal.bytes_total,
        bytes_copied=journal.bytes_total - total(copying.unreadable),
        digest=_digest(expected, proof, journal),
        unreadable=unreadable,
        fill=journal.fill,
        parents=_parents(journal.parent) if journal.parent is not None and proof.whole == journal.parent.whole else (),
        verified=proof.agrees,
        verification=Verification(method=proof.method, at=finished) if proof.agrees else None,
        partitions=tuple(_with_losses(one, unreadable) for one in table.partitions),
        zero_fraction=proof.zero_fraction,
        started=journal.started,
        finished=finished,
        tool_version=__version__,
        job=journal.job,
        origin=None if journal.parent is None else journal.parent.origin,
        mismatched=proof.mismatched,
        target_unreadable=proof.unreadable,
        looks=looks,  # type: ignore[arg-type]
        reads=Reads(
            method="direct" if copying.source.direct else "buffered",
            count=journal.reads + copying.tally.reads,
            failed=journal.failed_reads + copying.tally.failed,
            set_read_only=journal.source_was_read_only is not None,
            sessions=journal.sessions,
        ),
        acknowledged=journal.acknowledged,
        tail=copying.tail,
        notes=notes,
    )


_LOOKS = {
    "zero": (
        Note(
            code="source-wholly-zero",
            text="The source holds nothing but zeros: it was wiped, never used, or hides its content.",
        ),
    ),
    "random": (
        Note(
            code="source-wholly-random",
            text="The source looks like chance from end to end, as an encrypted or locked drive does. The copy is "
            "exact and may still be of no use: find out what unlocks it before the source leaves the house.",
        ),
    ),
}


def _broken(parent: Parent | None, proof: ReadBack, lost_here: bool) -> tuple[Note, ...]:
    """What to say where no digest ties this copy to the image's own receipt; its losses stay listed all the same."""
    if parent is None or proof.whole == parent.whole:
        return ()
    text = (
        "Parts of the image could not be read, so no digest ties this copy to the image's own receipt."
        if lost_here
        else "The image is not what its own receipt says: it was changed since. The copy is of what it holds now; "
        "nothing shows that what was lost in the image's own copy was mended, so it stays listed."
    )
    return (Note(code="chain-broken", text=text),)


def _parents(parent: Parent) -> tuple[str, ...]:
    return (parent.whole, *(one for one in parent.parents if one != parent.whole))


def _unreadable(lost: Area, table: PartitionTable, *, inherited: bool) -> Unreadable:
    names = partition_names_at(table.partitions, lost) if table.partitions else ()
    return Unreadable(offset=lost.offset, length=lost.length, partitions=names, inherited=inherited)


def _together(own: tuple[Unreadable, ...], inherited: tuple[Unreadable, ...]) -> tuple[Unreadable, ...]:
    """Both, in order; what was lost here counts once."""
    more = (one for one in inherited if not any(overlap(one, lost) for lost in own))
    return tuple(sorted((*own, *more), key=lambda one: one.offset))


def _with_losses(partition: PartitionEntry, unreadable: tuple[Unreadable, ...]) -> PartitionEntry:
    lost = total(part for one in unreadable if (part := overlap(partition, one)) is not None)
    return PartitionEntry(
        offset=partition.offset,
        length=partition.length,
        number=partition.number,
        table=partition.table,
        type=partition.type,
        name=partition.name,
        unreadable_bytes=lost,
    )


def _digest(expected: list[Expected], proof: ReadBack, journal: Journal) -> Digest:
    """What the target must hold. Where the read-back does not prove it, what the source's own digests tell."""
    if proof.agrees:
        return Digest(whole=proof.whole, chunk_bytes=journal.chunk_bytes, chunks=proof.chunks)
    known: dict[int, str] = {}
    for part in expected:
        offset, length = part.where.offset, part.where.length
        whole_chunk = offset % journal.chunk_bytes == 0 and (
            length == journal.chunk_bytes or offset + length == journal.bytes_total
        )
        if whole_chunk and part.digest is not None:
            known[offset // journal.chunk_bytes] = part.digest.hex()
    bad = (*proof.mismatched, *proof.unreadable)
    chunks = tuple(
        known.get(number) or (None if any(overlap(chunk, one) for one in bad) else proof.chunks[number])
        for number, chunk in enumerate(
            pieces(Area(offset=0, length=journal.bytes_total), journal.chunk_bytes),
        )
    )
    return Digest(whole=None, chunk_bytes=journal.chunk_bytes, chunks=chunks)
