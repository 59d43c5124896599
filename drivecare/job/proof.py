"""The proof that the customer's bytes are on the new drive: one receipt, or a chain of them through images.

The newest receipt to the new drive speaks; an older and better one was overtaken by what was written or read later.
A copy from an image counts where the image's own receipt is in the job, back to the customer's drive: `parents` name
the digest of the image, which no other content has.

    old drive --receipt--> image --receipt--> new drive
              chain[1]            chain[0]
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from drivecare.clock import format_day, parse_timestamp
from drivecare.format import format_count, join_some
from drivecare.job.commands import (
    copy_command,
    copy_from_image_command,
    copy_image_command,
    record_command,
    resume_command,
    verify_bag_command,
    verify_command,
)
from drivecare.job.contents import FiledDocument, newest_of
from drivecare.job.filed_readings import CLOCKS_DIFFER
from drivecare.job.unfinished import tell_unfinished, unfinished_to
from drivecare.reading.identity import DriveId, Identity, Named, SameDrive, compare
from drivecare.transfer.areas import merge, total
from drivecare.transfer.files.bag import BagReceipt
from drivecare.transfer.holds import AreaContents, Hold, hits_nothing
from drivecare.transfer.sectors.receipt import ReadBackMethod, Receipt, describe_read_back

if TYPE_CHECKING:
    from drivecare.job.job_state import JobState
    from drivecare.job.model import FactName
    from drivecare.reading.model import Drive

# Read-backs the gate accepts: every one that goes past the cache of the machine that reads.
ACCEPTED: frozenset[ReadBackMethod] = frozenset(("direct", "cache-dropped", "after-power-cycle"))


@dataclass(frozen=True, kw_only=True)
class CopyProof:
    """Whether the data is on the new drive, `evidence` in a sentence, and when the target was last read back (`at`).

    `whole`: what was copied has the size that the customer's drive was read with, and nothing of it is `unread`.
    `number` is that of the newest result it rests on, `chain` leads from the new drive back to the old, `next` is the
    command that would complete it, `verify` the one that would refresh it.
    """

    holds: bool
    evidence: str
    whole: bool = True
    at: datetime | None = None
    number: int = 0
    unreadable: tuple[AreaContents, ...] = ()
    unread: tuple[AreaContents, ...] = ()
    chain: tuple[FiledDocument[Receipt], ...] = ()
    bag: FiledDocument[BagReceipt] | None = None
    next: str | None = None
    verify: str | None = None


def find_copy_proof(job: JobState) -> CopyProof:
    """Find the proof for the new drive that was inspected, whether it holds or not."""
    if _unit_fills_it(job):
        evidence = (
            "nothing is copied onto the new drive of this unit: it sets the drive up itself, and a member of a mirror "
            "it rebuilds from the member left, over anything copied; record that route"
        )
        return CopyProof(holds=False, evidence=evidence, next=record_command(job, "route", "new-drive-empty"))
    command = copy_command(job)
    if job.old_drive is None or job.new_drive is None:
        drive = "the old drive" if job.old_drive is None else "the new drive"
        evidence = f"{drive} was not read, so no copy can be matched to it"
        return CopyProof(holds=False, evidence=evidence, next=command)
    old_drive, new_drive = DriveId.of(job.old_drive.document.drive), DriveId.of(job.new_drive.document.drive)
    receipt = newest_of([filed for filed in job.receipts if _is_drive(job, filed.document.target, new_drive) == "yes"])
    bag = newest_of(job.bags)
    by_files = job.plan is not None and job.plan.document.migration != "sector-copy"
    begun = next((copy for copy in job.unfinished if copy.kind == "files"), None) if by_files else None
    if begun is not None:
        return CopyProof(holds=False, evidence=f"not finished: {tell_unfinished(begun)}", next=begun.resume)
    if bag is not None and by_files and (receipt is None or bag.number > receipt.number):
        return _prove_by_bag(job, bag, old_drive, new_drive)
    unfinished = unfinished_to(job, new_drive, receipt.document if receipt is not None else None)
    if unfinished is not None:
        evidence = f"not finished: {tell_unfinished(unfinished)}"
        return CopyProof(holds=False, evidence=evidence, next=unfinished.resume)
    if receipt is None:
        targets = sorted({str(DriveId.of(filed.document.target)) for filed in job.receipts})
        evidence = f"no copy to {new_drive}" + (f", only to {', '.join(targets)}" if targets else "")
        if bag is not None and not by_files:
            evidence += "; this unit needs a sector copy; files alone will not start it"
        return CopyProof(holds=False, evidence=evidence, next=command)
    doubt = _written_since(job, receipt, new_drive)
    if doubt is not None:
        return _wanting([receipt], doubt, verify_command(job, receipt))
    return _prove_by_receipts(job, receipt, job.old_drive.document.drive)


def _unit_fills_it(job: JobState) -> bool:
    """Whether the unit, by its plan, sets the new drive up itself, and nobody has copied anything to a drive yet."""
    by_unit = job.plan is not None and job.plan.document.migration == "unit-initialises"
    return by_unit and not job.bags and all(filed.document.target.kind == "image" for filed in job.receipts)


def _written_since(job: JobState, receipt: FiledDocument[Receipt], new_drive: DriveId) -> str | None:
    """Say what may have overwritten the copy that a receipt proves, as far as anybody can tell; None if nothing.

    A withdrawn receipt proves nothing, yet what it says was written was written.
    """
    withdrawn = [filed for filed in job.withdrawn(Receipt) if _times(filed) != _times(receipt)]  # of another copy
    later = [filed for filed in (*job.receipts, *withdrawn) if filed.number > receipt.number]
    for filed in sorted(later, key=lambda filed: filed.number, reverse=True):
        wrote_a_device = filed.document.instead_of is None and filed.document.target.kind == "device"
        answer = _is_drive(job, filed.document.target, new_drive) if wrote_a_device else "no"
        if answer == "unknown":
            return f"{filed.name} copied to a drive that did not identify itself; it may have been {new_drive}"
        if answer == "yes":
            return f"{filed.name} was withdrawn, but it wrote to {new_drive} after the copy that counts"
    return None


def _prove_by_receipts(job: JobState, last: FiledDocument[Receipt], drive: Drive) -> CopyProof:
    """Follow a receipt back to the customer's drive through the images it came by."""
    # Backwards, since only the newest receipt names the new drive: each step asks which copy made its image.
    # A receipt already in the chain is never its own parent, so this ends.
    chain = [last]
    while _came_by_an_image(receipt := chain[-1].document):
        parent = _receipt_of_image(job, receipt, chain)
        if parent is None:
            return _wanting(chain, *_missing_link(job, receipt.source.path))
        chain.append(parent)
    verify = verify_command(job, last)
    for filed in chain:
        fault = _receipt_fault(filed.document)
        if fault:
            faulty = filed.document
            must_copy = filed is not last or faulty.mismatched or faulty.unread or not faulty.bytes_across
            command = _mending_command(job, faulty) if must_copy else verify
            return _wanting(chain, f"{fault} ({filed.name})", command)
    source, old_drive = chain[-1].document.source, DriveId.of(drive)
    if _is_drive(job, source, old_drive) != "yes":
        evidence = f"copied from {DriveId.of(source)}, but the customer's drive is {old_drive}"
        return _wanting(chain, evidence, copy_command(job))
    for filed, name, evidence in _facts_needed(job, chain, drive):
        if not _is_recorded_since(job, filed, name):
            return _wanting(chain, f"{evidence}; copy again, or record {name}", record_command(job, name))
    receipt = last.document
    if in_doubt := [area for area in receipt.unread if not _may_stay_unread(job, area)]:
        return _wanting(chain, _tell_unread(receipt, in_doubt), _mending_command(job, receipt))
    how = f", read back {describe_read_back(receipt.verification.method)}" if receipt.verification is not None else ""
    unreadable = unreadable_areas([filed.document for filed in chain])
    gap = f" except for {total(merge(unreadable)):,} bytes that could not be read" if unreadable else ""
    if receipt.unread:
        gap += f", all but {total(receipt.unread):,} bytes that were not read,"
    through = f" through {format_count(len(chain) - 1, 'image')}" if len(chain) > 1 else ""
    digest = f", {receipt.digest.whole_algorithm} {str(receipt.digest.whole)[:12]}" if receipt.verified else ""
    return CopyProof(
        holds=True,
        evidence=f"{old_drive} is on {DriveId.of(receipt.target)}{gap}{through}{how}{digest}",
        whole=chain[-1].document.bytes_total == drive.whole_bytes and not receipt.unread,
        at=parse_timestamp(receipt.verification.at) if receipt.verification else None,
        number=last.number,
        unreadable=unreadable,
        unread=receipt.unread,
        chain=tuple(chain),
        verify=verify if receipt.can_be_verified else None,
    )


def _missing_link(job: JobState, image: str) -> tuple[str, str]:
    """Why no receipt of an image is the parent of a copy from it, and the command that comes first."""
    own = newest_of([filed for filed in job.receipts if filed.document.target.path == image])
    copied = f"copied from the image {image}"
    if own is not None and own.document.unread:
        unread = f"{total(own.document.unread):,} bytes of the drive are not in it ({own.name})"
        evidence = f"{copied}, which stopped at what is used: {unread}; read them, then copy it again"
        return evidence, _mending_command(job, own.document)
    if own is not None and own.document.verified:
        evidence = f"{copied}, but not of the bytes that its own receipt proves ({own.name}); copy it again"
        return evidence, copy_from_image_command(job, image)
    return f"{copied}, whose own verified receipt is not in this job", copy_image_command(job, image)


def _may_stay_unread(job: JobState, area: AreaContents) -> bool:
    """Whether no file that existed lies in an unread area, by the copy's own look, or the customer knows of it."""
    return hits_nothing(area, area.holds) or job.acknowledgement_of(area, "unread") is not None


def _tell_unread(receipt: Receipt, in_doubt: Sequence[AreaContents]) -> str:
    offsets = join_some([f"{area.offset:,}" for area in in_doubt], 5)
    return (
        f"stopped at what is used: {total(receipt.unread):,} of {receipt.bytes_total:,} bytes are unread, and not "
        f"known to be free at {offsets}; read them, or record unread OFFSET"
    )


def _mending_command(job: JobState, receipt: Receipt) -> str:
    """Write the command that mends a copy: what is unread or did not read back comes alone, by its own journal."""
    own = (journal for _, journal in job.journals if journal.started == receipt.started)
    journal = next(own, None) if receipt.mismatched or receipt.unread else None
    return copy_command(job) if journal is None else resume_command(job, journal)


def _came_by_an_image(receipt: Receipt) -> bool:
    """Whether a copy was made from an image. One that stands for a drive, as in the demo, bears the drive's name."""
    return receipt.source.kind == "image" and receipt.source.identity.strength == "none"


def _facts_needed(
    job: JobState, chain: Sequence[FiledDocument[Receipt]], drive: Drive
) -> Iterator[tuple[FiledDocument[Receipt], FactName, str]]:
    """Yield what somebody has to record about a copy that is sound in itself: about which one, the fact, and why."""
    copied_bytes, drive_bytes = chain[-1].document.bytes_total, drive.whole_bytes
    if copied_bytes != drive_bytes:
        size = (
            f"the drive that was read has {drive_bytes:,}"
            if drive_bytes
            else "the drive's reading does not give its size"
        )
        yield chain[-1], "copy-size", f"{copied_bytes:,} bytes were copied, but {size}"
    for filed in chain:
        started = parse_timestamp(filed.document.started)
        if started is None or started < job.opened_at - CLOCKS_DIFFER:
            yield (
                filed,
                "earlier-copy",
                f"copied before this job was opened, on {format_day(started)} ({filed.name})",
            )
        if was_written_to((filed,)):
            yield filed, "source-changed", f"the source was written to while it was being copied ({filed.name})"
    if chain[-1].document.looks == "zero":
        evidence = "every byte that was copied is zero, as of an erased drive or of a dock that answers for it"
        yield chain[-1], "all-zero", f"{evidence} ({chain[-1].name})"


def was_written_to(chain: Sequence[FiledDocument[Receipt]]) -> bool:
    """Whether a source on the way was written to while it was copied, by the copy's own receipt."""
    return any(note.code == "source-changed" for filed in chain for note in filed.document.notes)


def _is_recorded_since(job: JobState, copy: FiledDocument[Receipt], name: FactName) -> bool:
    """Whether a fact was recorded since this copy was made. Verifying the copy again does not call for a new record."""
    copied = min(filed.number for filed in job.receipts if _times(filed) == _times(copy))
    fact = job.newest_fact(name)
    return fact is not None and fact.number > copied


def _times(filed: FiledDocument[Receipt]) -> tuple[str, str]:
    """When a copy was made: verifying it again changes neither time, so they tell one copy from another."""
    return filed.document.started, filed.document.finished


def _wanting(chain: Sequence[FiledDocument[Receipt]], evidence: str, next_command: str) -> CopyProof:
    """Make a proof that does not hold; the chain begins with the newest copy."""
    return CopyProof(
        holds=False,
        evidence=evidence,
        number=chain[0].number,
        unreadable=unreadable_areas([filed.document for filed in chain]),
        chain=tuple(chain),
        next=next_command,
    )


def _receipt_fault(receipt: Receipt) -> str:
    """Say what keeps a receipt from proving anything; "" if nothing does."""
    if receipt.mismatched:
        number = len(receipt.mismatched)
        return f"{format_count(number, 'area')} did not read back as {'it' if number == 1 else 'they'} should"
    if receipt.target_unreadable:
        return f"{format_count(len(receipt.target_unreadable), 'area')} of the target could not be read back"
    if receipt.contradiction:
        return f"the receipt contradicts itself: it {receipt.contradiction}"
    if not receipt.bytes_across:
        return f"nothing was copied: 0 of {receipt.bytes_total:,} bytes could be read"
    proven = receipt.agrees and (receipt.unread or receipt.digest.whole is not None)
    if not proven or receipt.verification is None:
        return "not verified: the target was not read back in full"
    if receipt.verification.method not in ACCEPTED:
        return f"read back by {receipt.verification.method}, which proves nothing"
    return ""


def _receipt_of_image(
    job: JobState, receipt: Receipt, chain: Sequence[FiledDocument[Receipt]]
) -> FiledDocument[Receipt] | None:
    """Find the newest receipt of the image a copy was made from, by the image's digest."""
    in_chain = {filed.number for filed in chain}
    return newest_of(
        [
            filed
            for filed in job.receipts
            if filed.number not in in_chain
            and filed.document.target.kind == "image"
            and filed.document.digest.whole is not None
            and filed.document.digest.whole in receipt.parents
            and filed.document.bytes_total == receipt.bytes_total
        ]
    )


def unreadable_areas(chain: Sequence[Receipt]) -> tuple[AreaContents, ...]:
    """Collect every area that could not be read anywhere along the way, once, with what the newest copy says of it."""
    spans: dict[tuple[int, int], tuple[Hold, ...]] = {}
    for receipt in reversed(chain):
        spans |= {(area.offset, area.length): area.holds for area in receipt.unreadable}
    return tuple(
        AreaContents(offset=offset, length=length, holds=holds) for (offset, length), holds in sorted(spans.items())
    )


def _prove_by_bag(job: JobState, bag: FiledDocument[BagReceipt], old_drive: DriveId, new_drive: DriveId) -> CopyProof:
    """Prove by a file copy, which stands for the data if the unit initialises the drive itself."""
    receipt = bag.document
    verify = verify_bag_command(job, bag)
    ends = (("from", receipt.source.identity, old_drive), ("to", receipt.target.identity, new_drive))
    doubts = [
        f"copied {direction} a drive not known to be {drive}"
        for direction, identity, drive in ends
        if compare_backing_drive(job, bag, identity, drive) != "yes"
    ]
    if not receipt.files or not receipt.verified or receipt.verification is None or receipt.mismatched:
        fault = "the copied files were not read back" if receipt.files else "the bag holds no file"
        return CopyProof(holds=False, evidence="; ".join([fault, *doubts]), number=bag.number, bag=bag, next=verify)
    if doubts:
        record = record_command(job, "bag-drives")
        return CopyProof(holds=False, evidence="; ".join(doubts), number=bag.number, bag=bag, next=record)
    files = f"{format_count(receipt.files, 'file')}, {receipt.bytes_total:,} bytes"
    return CopyProof(
        holds=True,
        evidence=f"{files}, read back {describe_read_back(receipt.verification.method)}",
        at=parse_timestamp(receipt.verification.at),
        number=bag.number,
        bag=bag,
        verify=verify,
    )


def compare_backing_drive(
    job: JobState, bag: FiledDocument[BagReceipt], identity: Identity | None, drive: DriveId
) -> SameDrive:
    """Say whether a folder of a bag is on that drive; if the machine cannot tell, a person's word counts."""
    identity = identity or Identity()
    serial = identity.native_serial or identity.bridge_serial
    answer = _is_drive(job, DriveId(model=None, serial=serial, identity=identity), drive)
    fact = job.newest_fact("bag-drives")
    return "yes" if answer == "unknown" and fact is not None and fact.number > bag.number else answer


def _is_drive(job: JobState, end: Named, drive: DriveId) -> SameDrive:
    return compare(end, drive, labels=job.logged_serials)
