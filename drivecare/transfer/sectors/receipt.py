"""The receipt: the proof of a copy, and all that a later reader needs to check it again.

`digest` is of what the target must hold: the source's bytes as they were read, and the fill where nothing could
be read. Where nothing was unreadable, `digest.whole` is the source's own digest, in SHA-256 what `sha256sum` prints.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from typing import Annotated, Literal, TypeVar

import msgspec
from msgspec import Meta

from drivecare.documents import MOST_CHUNKS, PlainPath, Value
from drivecare.exit_codes import ExitCode
from drivecare.reading.identity import Identity
from drivecare.reading.model import Drive
from drivecare.transfer.areas import Area, ByteCount, intersect, merge, pieces, total
from drivecare.transfer.counted import Counted
from drivecare.transfer.holds import AreaContents, Hold
from drivecare.transfer.sectors.digests import Algorithm

SMALLEST_CHUNK_BYTES = 1 << 20

AreaT = TypeVar("AreaT", bound=AreaContents)
ChunkSize = Annotated[int, Meta(ge=1)]
ReadBackMethod = Literal["direct", "cache-dropped", "after-power-cycle"]


class End(Value, frozen=True, kw_only=True):
    """One end of a copy as a document records it: a device, or an image file.

    `size_bytes` is the size of the end itself, not of the copy.
    """

    path: PlainPath
    kind: Literal["device", "image"]
    size_bytes: int
    logical_sector_bytes: int | None = None
    physical_sector_bytes: int | None = None
    model: str | None = None
    serial: str | None = None
    identity: Identity = Identity()
    attachment: str | None = None  # changes when this machine restarts or the device is attached again


class Digest(Value, frozen=True, kw_only=True):
    """Digests in lower-case hex, of the whole and of each chunk in order; the last chunk may be shorter.

    `algorithm` is that of the chunks. `whole` is None until a read-back agreed in every chunk; a chunk is None where
    neither the source nor a read-back tells it. The two are tied by that one pass: both are of the same bytes. Of a
    chunk that is `unread` in part the digest is of its other bytes, in order; where all of it is unread, None.
    """

    algorithm: Algorithm = "sha256"
    whole_algorithm: Algorithm = "sha256"
    whole: str | None = None
    chunk_bytes: ChunkSize
    chunks: tuple[str | None, ...] = ()


class Unreadable(AreaContents, frozen=True, kw_only=True):
    """An area of the source that could not be read; the target holds the fill there.

    `partitions` names the partitions there. `inherited`: it was lost in an earlier copy of this chain. A receipt of a
    job keeps the names of files apart.
    """

    partitions: tuple[str, ...] = ()
    inherited: bool = False


class PartitionEntry(Area, frozen=True, kw_only=True):
    """One entry of the partition table. `table` is "mbr" or "gpt", `type` the type byte (hex) or the type GUID."""

    number: int
    table: Literal["mbr", "gpt"]
    type: str
    name: str | None = None
    unreadable_bytes: int = 0


def describe_read_back(method: ReadBackMethod, machine: str = "this machine") -> str:
    """Say how a target was read back: by which way past the cache of the machine that read it."""
    match method:
        case "direct":
            return f"past {machine}'s cache"
        case "cache-dropped":
            return f"after {machine}'s cache was dropped"
        case "after-power-cycle":
            return "after a power cycle"


class Verification(Value, frozen=True, kw_only=True):
    """How and when the target was last read back and agreed: all of it but the unread. `at`: ISO 8601 with offset."""

    method: ReadBackMethod
    at: str


class Note(Value, frozen=True, kw_only=True):
    """A remark on the result, for the reader of the receipt. `code` is stable and kebab-case."""

    code: str
    text: str


class Reads(Value, frozen=True, kw_only=True):
    """The reads that the source took. `method`: direct (bypassing this machine's cache) or buffered."""

    method: Literal["direct", "buffered"] = "direct"
    count: int = 0
    failed: int = 0
    set_read_only: bool = False
    sessions: int = 1  # 1 where the copy ran through; one more for every resume


class Tail(Area, frozen=True, kw_only=True):
    """The part of a larger target after the copy. `found`: stale signatures that were there and were cleared."""

    found: tuple[str, ...] = ()
    cleared: tuple[Area, ...] = ()


class NamesApart(Value, frozen=True, kw_only=True):
    """The names of files that a receipt of a job keeps apart: the size in bytes of their file, `names-NUMBER.json` of
    the job, and its HMAC-SHA-256 in lower-case hex, by the key that the file holds.
    """

    length: ByteCount
    digest: str


class Receipt(Value, frozen=True, kw_only=True):
    """The proof of a copy. `verified` is true only after a full read-back in which everything agreed."""

    schema: Literal["drivecare/receipt-1"] = "drivecare/receipt-1"
    source: End
    target: End
    bytes_total: ByteCount
    bytes_copied: ByteCount
    digest: Digest
    unreadable: tuple[Unreadable, ...] = ()
    fill: str
    parents: tuple[str, ...] = ()
    verified: bool = False
    verification: Verification | None = None
    partitions: tuple[PartitionEntry, ...] = ()
    zero_fraction: float | None = None
    started: str
    finished: str
    tool_version: str
    # Beyond the contract's keys:
    begun_by_version: str | None = None  # `tool_version` ended the copy; None where its journal does not tell
    job: str | None = None  # the job whose copy this is; None outside jobs and in receipts of 0.1.0
    origin: End | None = None  # the first source of a chain, where this copy's source is an image with a receipt
    mismatched: tuple[AreaContents, ...] = ()  # read back, and other than it must be
    target_unreadable: tuple[AreaContents, ...] = ()  # could not be read back at all
    looks: Literal["mixed", "zero", "random"] | None = None
    reads: Reads = Reads()
    acknowledged: tuple[str, ...] = ()  # guards the user answered by name
    tail: Tail | None = None
    notes: tuple[Note, ...] = ()
    counted: tuple[Counted, ...] = ()  # what is on the copy; empty where nobody looked
    instead_of: End | None = None  # the target the copy wrote, where another one was read and stands as `target`
    names: NamesApart | None = None  # None outside jobs, where `holds` names the files, and where it names none
    unread: tuple[AreaContents, ...] = ()  # of the source, not tried: the copy was to stop before; not written here
    verified_areas: tuple[Area, ...] = ()  # where there are such: what was copied and agreed

    @property
    def bytes_across(self) -> int:
        """Bytes of the chain's first source that the target holds: all but the unread, and what a copy of it lost."""
        return max(0, self.bytes_total - total(merge((*self.unreadable, *self.unread))))

    @property
    def agrees(self) -> bool:
        """Whether all that was tried was read back and agreed; where nothing is unread, that is the whole target."""
        return self.verification is not None and (self.verified or bool(self.unread))

    @property
    def can_be_verified(self) -> bool:
        """Whether there are digests to hold the target against: of every chunk that is not unread from end to end."""
        chunks = pieces(Area.between(0, self.bytes_total), self.digest.chunk_bytes)
        without = merge(chunk for chunk, digest in zip(chunks, self.digest.chunks, strict=False) if digest is None)
        return total(intersect(without, merge(self.unread))) == total(without)

    @property
    def lost_areas(self) -> tuple[AreaContents, ...]:
        """Every area of the target that does not hold, or is not known to hold, what the drive held."""
        return (*self.unreadable, *self.unread, *self.mismatched, *self.target_unreadable)

    def with_holds(self, holds: Iterable[tuple[Hold, ...]]) -> Receipt:
        """The receipt with other holds of its lost areas, which are in the order of `lost_areas`."""
        rest = iter(holds)

        def filled(areas: tuple[AreaT, ...]) -> tuple[AreaT, ...]:
            return tuple(msgspec.structs.replace(area, holds=next(rest)) for area in areas)

        return msgspec.structs.replace(
            self,
            unreadable=filled(self.unreadable),
            unread=filled(self.unread),
            mismatched=filled(self.mismatched),
            target_unreadable=filled(self.target_unreadable),
        )

    @property
    def contradiction(self) -> str:
        """The first contradiction in the receipt, which then proves nothing; "" where there is none."""
        return next((reason for reason in _contradictions_in(self) if reason), "")

    @property
    def exit_code(self) -> ExitCode:
        """Whether the target is proven to hold the source, all of it or all but the listed unreadable areas."""
        if not self.agrees:
            return ExitCode.MISMATCH
        if self.unread:
            return ExitCode.INTERRUPTED
        return ExitCode.PARTIAL if self.unreadable else ExitCode.DONE


def _contradictions_in(receipt: Receipt) -> Iterator[str]:
    """Compare each number with the others. A copy is of its whole source, and what was not copied is listed."""
    total_bytes, digest = receipt.bytes_total, receipt.digest
    number, belong = len(digest.chunks), -(-total_bytes // digest.chunk_bytes)
    if not belong or number != belong:
        yield f"holds {number:,} digests where {belong:,} belong"
    malformed = next((text for text in (digest.whole, *digest.chunks) if text is not None and not _is_digest(text)), "")
    if malformed:
        yield f"holds {malformed!r}, which is not a digest"
    comparable = number == 1 and digest.algorithm == digest.whole_algorithm
    if comparable and None not in (digest.whole, digest.chunks[0]) and digest.whole != digest.chunks[0]:
        yield "has one chunk, whose digest is not that of the whole"
    for side, size_bytes in (("source", receipt.source.size_bytes), ("target", receipt.target.size_bytes)):
        if size_bytes < total_bytes or (side == "source" and size_bytes > total_bytes):
            yield f"covers {total_bytes:,} bytes, but its {side} has {size_bytes:,}"
    own = merge(area for area in receipt.unreadable if not area.inherited)
    unread = total(merge(receipt.unread))
    if receipt.bytes_copied + total(own) + unread != total_bytes:
        also = f" and {unread:,} unread" if unread else ""
        yield f"counts {receipt.bytes_copied:,} bytes copied and {total(own):,} unreadable{also} of {total_bytes:,}"
    if unread and receipt.agrees and total(merge(receipt.verified_areas)) != receipt.bytes_copied:
        yield f"counts {receipt.bytes_copied:,} bytes copied and {total(receipt.verified_areas):,} verified"
    if receipt.verified and unread:
        yield f"is verified with {unread:,} bytes unread"
    if any(area.end > total_bytes for area in receipt.lost_areas):
        yield f"lists areas beyond its {total_bytes:,} bytes"


def _is_digest(text: str) -> bool:
    return re.fullmatch("[0-9a-f]{64}", text) is not None


def chunk_bytes_for(size_bytes: int) -> int:
    """The chunk size: a power of two of at least 1 MiB that gives at most 65,536 chunks.

    So neither memory nor the size of a receipt grows with the drive: 65,536 digests take 2 MiB, in hexadecimal 5 MB.
    """
    size = SMALLEST_CHUNK_BYTES
    while size * MOST_CHUNKS < size_bytes:
        size *= 2
    return size


def end_of_drive(path: str, size_bytes: int, drive: Drive) -> End:
    """The end of a copy for a drive that a reading describes."""
    return End(
        path=path,
        kind="device",
        size_bytes=size_bytes,
        logical_sector_bytes=drive.attached_sector_bytes or drive.logical_sector_bytes,
        physical_sector_bytes=drive.physical_sector_bytes,
        model=drive.model,
        serial=drive.serial,
        identity=drive.identity,
    )
