"""What a copy has proven: its receipt, made from the journal, the parts the target must hold, and the read-back."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import msgspec

from drivecare import __version__
from drivecare.transfer.areas import Area, intersect, merge, overlap, pieces, total, uncovered
from drivecare.transfer.holds import not_looked_at
from drivecare.transfer.sectors.comparison import ExpectedPart, ReadBack, is_whole_chunk
from drivecare.transfer.sectors.journal import Journal, Parent
from drivecare.transfer.sectors.partitions import PartitionTable, displaced_backup, partition_names_at
from drivecare.transfer.sectors.receipt import (
    Digest,
    Note,
    PartitionEntry,
    Reads,
    Receipt,
    Tail,
    Unreadable,
    Verification,
)
from drivecare.transfer.sectors.segments import Segment


@dataclass(frozen=True, kw_only=True, slots=True)
class CopyOutcome:
    """What a copy ended with, read back. `unreadable` and `unread`: of the source, in this copy."""

    journal: Journal
    parts: tuple[ExpectedPart, ...]
    unreadable: tuple[Area, ...]
    unread: tuple[Area, ...] = ()
    read_back: ReadBack
    table: PartitionTable
    tail: Tail | None
    target_bytes: int
    reads: Reads
    finished: str


def expected_parts(
    segments: Iterable[Segment],
    unreadable: Iterable[Area],
    unread: Iterable[Area],
    chunk_bytes: int,
    bytes_total: int,
) -> tuple[ExpectedPart, ...]:
    """Every part of the target in order: segments, and the fill between them; all but what is unread."""
    parts = [ExpectedPart(segment.area, segment.digest) for segment in segments]
    parts += [ExpectedPart(piece, None) for area in unreadable for piece in pieces(area, chunk_bytes)]
    parts.sort(key=lambda part: part.area.offset)
    left = bytes_total - total(unread)
    covered = merge(part.area for part in parts)
    assert total(part.area for part in parts) == left == total(covered), "parts leave a gap"
    assert not any(intersect(covered, merge(unread))), "a part is unread"
    return tuple(parts)


def make_receipt(outcome: CopyOutcome) -> Receipt:
    """The receipt of a copy that was read back, whatever the read-back found."""
    journal, read_back, parent = outcome.journal, outcome.read_back, outcome.journal.parent
    unreadable = _with_inherited(outcome.unreadable, parent, outcome.table)
    proven = read_back.agrees and not outcome.unread
    looks = None if outcome.unread else _describe_looks(read_back)
    return Receipt(
        source=journal.source,
        target=journal.target,
        bytes_total=journal.bytes_total,
        bytes_copied=journal.bytes_total - total((*outcome.unreadable, *outcome.unread)),
        digest=_digest_of_copy(outcome),
        unreadable=unreadable,
        unread=not_looked_at(outcome.unread),
        verified_areas=_agreeing(outcome) if outcome.unread else (),
        fill=journal.fill,
        parents=_digests_of_chain(parent) if parent is not None and read_back.whole == parent.whole else (),
        verified=proven,
        verification=Verification(method=read_back.method, at=outcome.finished) if read_back.agrees else None,
        partitions=tuple(_with_unreadable_bytes(entry, unreadable) for entry in outcome.table.partitions),
        zero_fraction=None if outcome.unread else read_back.zero_fraction,
        started=journal.started,
        finished=outcome.finished,
        tool_version=__version__,
        begun_by_version=journal.tool_version,
        job=journal.job,
        origin=None if parent is None else parent.origin,
        mismatched=not_looked_at(read_back.mismatched),
        target_unreadable=not_looked_at(read_back.unreadable),
        looks=looks,
        reads=outcome.reads,
        acknowledged=journal.acknowledged,
        tail=outcome.tail,
        notes=(
            *_broken_chain(outcome),
            *_LOOKS.get(looks or "", ()),
            *displaced_backup(outcome.table, journal.bytes_total, outcome.target_bytes),
        ),
    )


def _describe_looks(read_back: ReadBack) -> Literal["zero", "random", "mixed"]:
    if read_back.zero_fraction == 1.0:
        return "zero"
    return "random" if read_back.looks_random else "mixed"


def _agreeing(outcome: CopyOutcome) -> tuple[Area, ...]:
    """What was copied, was read back and agrees."""
    bad = merge(outcome.read_back.bad)
    copied = merge(part.area for part in outcome.parts if part.digest is not None)
    return tuple(agreeing for area in copied for agreeing in uncovered(bad, area))


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
            text="The source looks random from end to end, as an encrypted or locked drive does. The copy is exact and "
            "may still be of no use: find out what unlocks it before the source leaves the house.",
        ),
    ),
}


def _broken_chain(outcome: CopyOutcome) -> tuple[Note, ...]:
    """What to note where no digest ties this copy to the image's own receipt; its losses stay listed all the same."""
    parent = outcome.journal.parent
    if parent is None or outcome.read_back.whole == parent.whole:
        return ()
    if outcome.unreadable or outcome.unread:
        reason = "could not be read" if outcome.unreadable else "were not read"
        text = f"Parts of the image {reason}, so no digest ties this copy to the image's own receipt."
    else:
        text = (
            "The image no longer matches its own receipt: it was changed since. The copy is of what it holds now; "
            "nothing shows that what was lost in the image's own copy was mended, so it stays listed."
        )
    return (Note(code="chain-broken", text=text),)


def _digests_of_chain(parent: Parent) -> tuple[str, ...]:
    return (parent.whole, *(digest for digest in parent.parents if digest != parent.whole))


def _with_inherited(own: tuple[Area, ...], parent: Parent | None, table: PartitionTable) -> tuple[Unreadable, ...]:
    """What this copy and the image's own one lost, in order; what both lost counts once, as lost here."""
    inherited = parent.unreadable if parent is not None else ()
    earlier = tuple(area for area in inherited if not any(overlap(area, lost) for lost in own))
    losses = [
        Unreadable(
            offset=area.offset,
            length=area.length,
            partitions=partition_names_at(table.partitions, area) if table.partitions else (),
            inherited=from_parent,
        )
        for areas, from_parent in ((own, False), (earlier, True))
        for area in areas
    ]
    return tuple(sorted(losses, key=lambda area: area.offset))


def _with_unreadable_bytes(entry: PartitionEntry, unreadable: tuple[Unreadable, ...]) -> PartitionEntry:
    lost = total(shared for area in unreadable if (shared := overlap(entry, area)) is not None)
    return msgspec.structs.replace(entry, unreadable_bytes=lost)


def _digest_of_copy(outcome: CopyOutcome) -> Digest:
    """What the target must hold. Where the read-back does not prove it, what is known from the source's own digests."""
    journal, read_back = outcome.journal, outcome.read_back
    chunk_bytes, bytes_total = journal.chunk_bytes, journal.bytes_total
    if read_back.agrees:
        return _digest(journal, read_back.whole, read_back.chunks)
    of_source = {
        part.area.offset // chunk_bytes: part.digest.hex()
        for part in outcome.parts
        if part.digest is not None and is_whole_chunk(part.area, chunk_bytes, bytes_total)
    }
    chunks = tuple(
        of_source.get(number)
        or (None if any(overlap(chunk, area) for area in read_back.bad) else read_back.chunks[number])
        for number, chunk in enumerate(pieces(Area.between(0, bytes_total), chunk_bytes))
    )
    return _digest(journal, None, chunks)


def _digest(journal: Journal, whole: str | None, chunks: tuple[str | None, ...]) -> Digest:
    return Digest(
        algorithm=journal.algorithm,
        whole_algorithm=journal.whole_algorithm,
        whole=whole,
        chunk_bytes=journal.chunk_bytes,
        chunks=chunks,
    )
