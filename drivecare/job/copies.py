"""What a job made on the shop's disks of the customer's data: images, bags and names of files, and what is still there.

A receipt in the job's folder is not enough to call a copy the job's own: `verify` files those of other jobs' copies,
and a file is soon brought in by hand. What counts is what the receipt itself says (`job`), that the chain knows the
receipt, and that the file at the path is what the receipt describes. A bag on the new drive is not the shop's copy: it
is what the customer gets.
"""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from drivecare.clock import parse_timestamp
from drivecare.documents import load
from drivecare.errors import DriveCareError
from drivecare.format import format_count
from drivecare.job.contents import DocumentT, FiledDocument
from drivecare.job.customer_notes import NoteKept, notes_kept
from drivecare.job.file_names import names_file, places_of_names
from drivecare.job.html_page import holds_names, is_own_page
from drivecare.job.job_state import JobState
from drivecare.job.model import CopyKind
from drivecare.job.proof import compare_backing_drive
from drivecare.job.result_files import SHEET
from drivecare.reading.identity import DriveId, SameDrive
from drivecare.storage import describe_read_error, regular_file
from drivecare.transfer.areas import Area, intersect, merge, pieces
from drivecare.transfer.files.bag import BagReceipt
from drivecare.transfer.files.bag_removal import why_another_bag
from drivecare.transfer.files.file_system import FileSystem
from drivecare.transfer.sectors.digests import DIGEST_BYTES, new_hash
from drivecare.transfer.sectors.journal import Journal
from drivecare.transfer.sectors.receipt import Receipt

_BLOCK_BYTES = 4 << 20
_RECEIPT_SUFFIX = ".receipt.json"


@dataclass(frozen=True, kw_only=True)
class CustomerCopy:
    """A copy of the customer's data. `proof` describes it: the newest receipt, or the journal of an unfinished copy.

    `doubt` is the reason, if any, why it may not be this job's to remove.
    """

    path: Path
    kind: CopyKind
    proof: Receipt | BagReceipt | Journal | NoteKept
    doubt: str | None = None

    @property
    def exists(self) -> bool:
        """Whether there is anything at the path; of a note, whether the record has its words."""
        return self.proof.exists if isinstance(self.proof, NoteKept) else self.path.exists() or self.path.is_symlink()

    @property
    def noun(self) -> str:
        """What it is, in words."""
        if self.kind == "names" and self.path.name == SHEET:
            return "handover sheet"
        return {"names": "list of file names", "note": "note about the customer"}.get(self.kind, self.kind)

    @property
    def contents(self) -> str:
        """How much it holds, in words."""
        if isinstance(self.proof, NoteKept):
            return self.proof.words if self.proof.words is not None else "its words are on the server"
        if isinstance(self.proof, Receipt) and self.kind == "names":
            numbers = {hold.file for area in self.proof.lost_areas for hold in area.holds if hold.file is not None}
            of = "with names of" if self.path.name == SHEET else "of"
            return f"{of} {format_count(len(numbers), 'file')}"
        files = f"{format_count(self.proof.files, 'file')}, " if isinstance(self.proof, BagReceipt) else ""
        unfinished = ", of an unfinished copy" if isinstance(self.proof, Journal) else ""
        return f"{files}{self.proof.bytes_total:,} bytes{unfinished}"

    def why_another(self, files: FileSystem) -> str | None:
        """Say why the file at the path may not be this job's to remove; None if it is. Reads one chunk."""
        if not self.path.is_absolute():
            return "is named without its folder, so it is not known which one is meant"
        if self.doubt is not None:
            return self.doubt
        if isinstance(self.proof, NoteKept):
            return _why_other_words(self.proof)
        if isinstance(self.proof, BagReceipt):
            return why_another_bag(files, self.path, self.proof)
        if isinstance(self.proof, Receipt) and self.kind == "names":
            return _why_other_page(self.path) if self.path.name == SHEET else _why_other_names(self.path, self.proof)
        return _why_another_image(self.path, self.proof)


def name_copy(path: Path, kind: CopyKind) -> str:
    """Name a copy for a person: by its path; a note by its number, since no store need keep it as a file."""
    return path.stem.replace("-", " ") if kind == "note" else str(path)


def copies_made(job: JobState) -> tuple[CustomerCopy, ...]:
    """List every copy this job made on the shop's disks, in the order in which they are named, still there or not."""
    copies: dict[Path, CustomerCopy] = {}

    def add(path: Path, kind: CopyKind, proof: Receipt | BagReceipt | Journal, doubt: str | None = None) -> None:
        if doubt is None or path not in copies:
            copies[path] = CustomerCopy(path=path, kind=kind, proof=proof, doubt=doubt)

    # A withdrawn receipt proves nothing, yet the image that it names was made and may still lie there.
    for receipt in _in_order(job, job.receipts, job.withdrawn(Receipt)):
        target = receipt.document.target
        if target.kind == "image" and _made_by_job(job, receipt):
            add(Path(target.path), "image", receipt.document, _chain_doubt(job, receipt))
    for _, journal in job.journals:
        if journal.target.kind != "image":
            continue
        path = Path(journal.target.path)
        filed = copies.get(path)
        if filed is None or filed.doubt is not None or journal.phase != "done":  # done: what was filed tells more
            add(path, "image", journal)
    for bag in _in_order(job, job.bags, job.withdrawn(BagReceipt)):
        delivered = _is_delivered(job, bag)
        if _made_by_job(job, bag) and delivered != "yes":
            unknown = "may be on the new drive: the machine could not tell which drive it is on"
            doubt = _chain_doubt(job, bag) or (unknown if delivered == "unknown" else None)
            add(Path(bag.document.target.path), "bag", bag.document, doubt)
    for path, receipt in _lists_of_names(job):
        add(path.absolute(), "names", receipt.document, _chain_doubt(job, receipt))
    for note in notes_kept(job.contents):
        if (entry := job.withdrawals.get(note.fact.name)) is None or entry.document.moved_to is None:
            path = note.path.absolute()
            copies[path] = CustomerCopy(path=path, kind="note", proof=note)
    return tuple(copies.values())


def _lists_of_names(job: JobState) -> Iterator[tuple[Path, FiledDocument[Receipt]]]:
    """The files of names that this job kept, with the first receipt that tells of each; still there or not.

    So is a handover sheet that names files, which the customer agreed to.
    """
    digests: set[str] = set()
    for receipt in _in_order(job, job.receipts, job.withdrawn(Receipt)):
        apart = receipt.document.names
        if apart is not None and apart.digest not in digests:
            digests.add(apart.digest)
            places = [path for path, _ in places_of_names(job.folder, apart)]
            yield from ((path, receipt) for path in places or [names_file(job.folder, f"{receipt.number:04}")])
            if len(digests) == 1 and holds_names(job.folder / SHEET):
                yield job.folder / SHEET, receipt


def _in_order(
    job: JobState, standing: Sequence[FiledDocument[DocumentT]], withdrawn: Sequence[FiledDocument[DocumentT]]
) -> list[FiledDocument[DocumentT]]:
    """Put what counts and what was withdrawn in the order of filing, but for what was moved: that is another job's."""
    stayed = [filed for filed in withdrawn if job.withdrawals[filed.name].document.moved_to is None]
    return sorted([*standing, *stayed], key=lambda filed: filed.number)


def _chain_doubt(job: JobState, filed: FiledDocument[Receipt] | FiledDocument[BagReceipt]) -> str | None:
    """Say why, by the chain, a receipt may not be this job's."""
    name = filed.name
    return f"is named by {name}, which is not known to be unaltered" if name in job.audit.doubtful else None


def _made_by_job(job: JobState, filed: FiledDocument[Receipt] | FiledDocument[BagReceipt]) -> bool:
    """Whether this job's own copy command made the copy that the receipt describes."""
    document = filed.document
    if document.job is not None or job.opening.tool_version is not None:
        return document.job in (job.id, *job.former_jobs(filed.name))
    # Receipts of 0.1.0 do not name the job: a copy's own read-back ends with it, that of `verify` comes later.
    started, opened = parse_timestamp(document.started), parse_timestamp(job.opening.opened_at)
    by_its_own_read_back = document.verification is not None and document.verification.at == document.finished
    if not by_its_own_read_back or started is None or opened is None or started < opened:
        return False
    return not isinstance(document, Receipt) or _has_paperwork(job.folder, document)


def _has_paperwork(folder: Path, receipt: Receipt) -> bool:
    """Whether the copy command left its own receipt in the job's folder."""
    try:
        receipt_beside = load(Receipt, folder / (Path(receipt.target.path).name + _RECEIPT_SUFFIX))
    except DriveCareError:
        return False
    return (receipt_beside.target.path, receipt_beside.started) == (receipt.target.path, receipt.started)


def _is_delivered(job: JobState, bag: FiledDocument[BagReceipt]) -> SameDrive:
    """Whether a bag is on the new drive, so that the customer gets it."""
    if job.new_drive is None:
        return "no"
    return compare_backing_drive(job, bag, bag.document.target.identity, DriveId.of(job.new_drive.document.drive))


def _why_other_names(path: Path, proof: Receipt) -> str | None:
    places = places_of_names(path.parent, proof.names) if proof.names is not None else ()
    return None if path in [place for place, _ in places] else "does not hold the names that were filed there"


def _why_other_page(path: Path) -> str | None:
    return None if is_own_page(path) else "was changed since it was written"


def _why_other_words(note: NoteKept) -> str | None:
    return "does not hold the words that were filed there" if note.altered else None


def _why_another_image(path: Path, proof: Receipt | Journal) -> str | None:
    try:
        with regular_file(path, sys.maxsize) as stream:
            size = os.fstat(stream.fileno()).st_size
            if size != proof.target.size_bytes:
                return f"holds {size:,} bytes; the copy made there held {proof.target.size_bytes:,}"
            sample = _first_digest(proof)
            if sample is not None:
                offset, length, digest = sample
                stream.seek(offset)
                if _digest_of(stream, length, proof) != digest:
                    return "does not hold what was copied there"
    except OSError as error:
        return describe_read_error(error)
    return None


def _digest_of(stream: io.BufferedReader, length: int, proof: Receipt | Journal) -> str:
    digest = new_hash(proof.algorithm if isinstance(proof, Journal) else proof.digest.algorithm)
    while length and (block := stream.read(min(length, _BLOCK_BYTES))):
        digest.update(memoryview(block))
        length -= len(block)
    return digest.hexdigest()


def _first_digest(proof: Receipt | Journal) -> tuple[int, int, str] | None:
    """Find the first part of the image whose digest is known: offset, length, digest. None if no digest is known."""
    if isinstance(proof, Journal):
        for run in proof.copied[:1]:
            length = min(run.length, proof.chunk_bytes - run.offset % proof.chunk_bytes)
            return run.offset, length, run.digests[:DIGEST_BYTES].hex()
        return None
    chunks = pieces(Area.between(0, proof.bytes_total), proof.digest.chunk_bytes)
    unread = merge(proof.unread)
    for chunk, digest in zip(chunks, proof.digest.chunks, strict=True):
        if digest is not None and not any(intersect([chunk], unread)):
            return chunk.offset, chunk.length, digest
    return None
