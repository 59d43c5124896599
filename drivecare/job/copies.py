"""Copies of the customer's data that a job made on the shop's disks: images and bags, and whether they still lie there.

A receipt in the job's folder is not enough to call a copy the job's own: `verify` files receipts of other jobs' copies,
and a file is soon brought in by hand. What counts is what the receipt itself says (`job`), that the chain knows the
receipt, and that what lies at the path is what the receipt describes. A bag on the new drive is no copy of the shop's:
it is what the customer gets.
"""

from __future__ import annotations

import hashlib
import io
import os
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from drivecare.clock import parse_timestamp
from drivecare.documents import load
from drivecare.errors import DriveCareError
from drivecare.format import format_count
from drivecare.job.folder import FiledDocument
from drivecare.job.job_state import JobState, newest_of
from drivecare.job.model import CopyKind
from drivecare.job.proof import below_is
from drivecare.job.result_files import describe_read_error, regular_file
from drivecare.reading.identity import Answer, DriveId
from drivecare.transfer.files.bag import BagReceipt
from drivecare.transfer.files.bag_removal import why_another_bag
from drivecare.transfer.files.file_system import FileSystem
from drivecare.transfer.sectors.journal import Journal
from drivecare.transfer.sectors.journal_file import JournalFile
from drivecare.transfer.sectors.receipt import Receipt

_BLOCK = 4 << 20
_JOURNALS, _RECEIPT_SUFFIX = "*.journal.json", ".receipt.json"


@dataclass(frozen=True, kw_only=True)
class CustomerCopy:
    """A copy of the customer's data. `proof` describes it: the newest receipt, or the journal of an unfinished copy.

    `doubt` is why it may not be this job's to remove, where there is such a reason.
    """

    path: Path
    kind: CopyKind
    proof: Receipt | BagReceipt | Journal
    doubt: str | None = None

    @property
    def exists(self) -> bool:
        """Whether anything lies at the path."""
        return self.path.exists() or self.path.is_symlink()

    @property
    def contents(self) -> str:
        """How much it holds, in words."""
        files = f"{format_count(self.proof.files, 'file')}, " if isinstance(self.proof, BagReceipt) else ""
        unfinished = ", of an unfinished copy" if isinstance(self.proof, Journal) else ""
        return f"{files}{self.proof.bytes_total:,} bytes{unfinished}"

    def why_another(self, files: FileSystem) -> str | None:
        """Why what lies at the path is not known to be this job's to remove; None where it is. Reads one chunk."""
        if not self.path.is_absolute():
            return "is named without its folder, so it is not known which one is meant"
        if self.doubt is not None:
            return self.doubt
        if isinstance(self.proof, BagReceipt):
            return why_another_bag(files, self.path, self.proof)
        return _why_another_image(self.path, self.proof)


def copies_made(case: JobState) -> tuple[CustomerCopy, ...]:
    """Every copy this job made on the shop's disks, in the order in which they are named, still there or not."""
    copies: dict[Path, CustomerCopy] = {}

    def add(path: Path, kind: CopyKind, proof: Receipt | BagReceipt | Journal, doubt: str | None = None) -> None:
        if doubt is None or path not in copies:
            copies[path] = CustomerCopy(path=path, kind=kind, proof=proof, doubt=doubt)

    for receipt in case.receipts:
        target = receipt.document.target
        if target.kind == "image" and _is_own(case, receipt):
            add(Path(target.path), "image", receipt.document, _doubt(case, receipt))
    for journal in _journals(case):
        path = Path(journal.target.path)
        filed = copies.get(path)
        if filed is None or filed.doubt is not None or journal.phase != "done":  # done: what was filed tells more
            add(path, "image", journal)
    for bag in case.bags:
        delivered = _is_delivered(case, bag)
        if _is_own(case, bag) and delivered != "yes":
            unknown = "may lie on the new drive: the machine could not tell which drive it is on"
            doubt = _doubt(case, bag) or (unknown if delivered == "unknown" else None)
            add(Path(bag.document.target.path), "bag", bag.document, doubt)
    return tuple(copies.values())


def _doubt(case: JobState, filed: FiledDocument[Receipt] | FiledDocument[BagReceipt]) -> str | None:
    """Why a receipt may not be this job's, by the chain."""
    name = filed.file.path.name
    return f"is named by {name}, which is not known to be as it was filed" if name in case.audit.doubtful else None


def _is_own(case: JobState, filed: FiledDocument[Receipt] | FiledDocument[BagReceipt]) -> bool:
    """Whether this job's own copy command made what the receipt tells of."""
    document = filed.document
    if document.job is not None or case.opening.tool_version is not None:
        return document.job == case.id
    # Receipts of 0.1.0 do not name the job: a copy's own read-back ends with it, that of `verify` comes later.
    started, opened = parse_timestamp(document.started), parse_timestamp(case.opening.opened_at)
    own_read_back = document.verification is not None and document.verification.at == document.finished
    if not own_read_back or started is None or opened is None or started < opened:
        return False
    return not isinstance(document, Receipt) or _has_paperwork(filed.file.path.parent, document)


def _has_paperwork(folder: Path, receipt: Receipt) -> bool:
    """Whether the copy command left its own receipt in the job's folder."""
    try:
        own = load(Receipt, folder / (Path(receipt.target.path).name + _RECEIPT_SUFFIX))
    except DriveCareError:
        return False
    return (own.target.path, own.started) == (receipt.target.path, receipt.started)


def _journals(case: JobState) -> Iterator[Journal]:
    """Journals of this job's copies to images. Those of 0.1.0 do not name the job; a copy put them into its folder."""
    for path in sorted(case.folder.glob(_JOURNALS)) if case.folder is not None else ():
        try:
            journal = JournalFile(path).load()
        except DriveCareError:
            continue
        own = (case.id,) if case.opening.tool_version is not None else (case.id, None)
        if journal is not None and journal.target.kind == "image" and journal.job in own:
            yield journal


def _is_delivered(case: JobState, bag: FiledDocument[BagReceipt]) -> Answer:
    """Whether a bag lies on the new drive, so that the customer gets it."""
    new = newest_of(case.inspections)
    return "no" if new is None else below_is(case, bag, bag.document.target.identity, DriveId.of(new.document.drive))


def _why_another_image(path: Path, proof: Receipt | Journal) -> str | None:
    try:
        with regular_file(path, sys.maxsize) as stream:
            size = os.fstat(stream.fileno()).st_size
            if size != proof.target.size_bytes:
                return f"holds {size:,} bytes; the copy made there held {proof.target.size_bytes:,}"
            for offset, length, digest in _sample(proof):
                stream.seek(offset)
                if _digest(stream, length) != digest:
                    return "does not hold what was copied there"
    except OSError as error:
        return describe_read_error(error)
    return None


def _digest(stream: io.BufferedReader, length: int) -> str:
    digest = hashlib.sha256()
    while length and (block := stream.read(min(length, _BLOCK))):
        digest.update(block)
        length -= len(block)
    return digest.hexdigest()


def _sample(proof: Receipt | Journal) -> list[tuple[int, int, str]]:
    """The first part of the image whose digest is known: offset, length, SHA-256. Empty where none is."""
    if isinstance(proof, Journal):
        return [
            (run.offset, min(run.length, proof.chunk_bytes - run.offset % proof.chunk_bytes), run.digests[:32].hex())
            for run in proof.copied[:1]
        ]
    chunk_bytes = proof.digest.chunk_bytes
    chunks = ((place * chunk_bytes, digest) for place, digest in enumerate(proof.digest.chunks) if digest is not None)
    return [(offset, min(chunk_bytes, proof.bytes_total - offset), digest) for offset, digest in islice(chunks, 1)]
