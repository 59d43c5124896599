"""The proof that the customer's bytes are on the new drive: one receipt, or a chain of them through images.

The newest receipt to the new drive speaks; an older and better one was overtaken by what was written or read later.
A copy from an image counts where the image's own receipt is in the job, back to the customer's drive: `parents` name
the digest of the image, which no other content has.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from drivecare.clock import parse_timestamp
from drivecare.format import format_count
from drivecare.job.filed_readings import CLOCKS_DIFFER
from drivecare.job.folder import FiledDocument
from drivecare.job.job_state import JobState, newest_of
from drivecare.job.model import FactName
from drivecare.job.times import day
from drivecare.reading.identity import Answer, DriveId, Identity, compare
from drivecare.reading.model import Drive
from drivecare.transfer.areas import Area, merge, total
from drivecare.transfer.files.bag import BagReceipt
from drivecare.transfer.sectors.receipt import End, ReadBackMethod, Receipt

# Read-backs the gate accepts: every one that goes past the host's cache.
ACCEPTED: frozenset[ReadBackMethod] = frozenset(("direct", "cache-dropped", "after-power-cycle"))


@dataclass(frozen=True, kw_only=True)
class CopyProof:
    """Whether the bytes are across, `evidence` in a sentence, and `at` what time the target was last read back.

    `whole`: what was copied has the size that the customer's drive was read with. `number` is that of the newest result
    it rests on, `chain` leads from the new drive back to the old, `next` is the
    command that would complete it, `verify` the one that would refresh it.
    """

    holds: bool
    evidence: str
    whole: bool = True
    at: datetime | None = None
    number: int = 0
    unreadable: tuple[Area, ...] = ()
    chain: tuple[FiledDocument[Receipt], ...] = ()
    bag: FiledDocument[BagReceipt] | None = None
    next: str | None = None
    verify: str | None = None


def find_copy_proof(case: JobState) -> CopyProof:
    """The proof for the new drive that was inspected, good or wanting."""
    old, new = newest_of(case.old_drive_readings), newest_of(case.inspections)
    source = (old.document.path if old is not None else None) or "DRIVE"
    target = (new.document.path if new is not None else None) or "NEW_DRIVE"
    copy = case.command("copy", source, target)
    if old is None or new is None:
        missing = "the old drive" if old is None else "the new drive"
        return CopyProof(holds=False, evidence=f"{missing} was not read, so no copy can be told to be of it", next=copy)
    was, is_ = DriveId.of(old.document.drive), DriveId.of(new.document.drive)
    receipt = newest_of([filed for filed in case.receipts if _same(case, filed.document.target, is_) == "yes"])
    bag = newest_of(case.bags)
    files = case.plan is not None and case.plan.document.migration != "sector-copy"
    if bag is not None and files and (receipt is None or bag.file.number > receipt.file.number):
        return _of_bag(case, bag, was, is_)
    if receipt is None:
        others = sorted({str(DriveId.of(one.document.target)) for one in case.receipts})
        evidence = f"no copy to {is_}" + (f", only to {', '.join(others)}" if others else "")
        if bag is not None and not files:
            evidence += "; this unit needs a sector copy, files alone do not start it"
        return CopyProof(holds=False, evidence=evidence, next=copy)
    latest = newest_of(
        [filed for filed in case.receipts if filed is receipt or _may_have_written(case, filed.document, is_)]
    )
    if latest is not None and latest is not receipt:
        evidence = f"{latest.file.path.name} copied to a drive that did not say which it is: it may have been {is_}"
        return _wanting(receipt, evidence, [receipt], _verify_command(case, receipt))
    return _of_receipts(case, receipt, old.document.drive, copy)


def _may_have_written(case: JobState, receipt: Receipt, new: DriveId) -> bool:
    """Whether a copy went to a drive of which nobody can tell that it is another one."""
    wrote_a_device = receipt.instead_of is None and receipt.target.kind == "device"
    return wrote_a_device and _same(case, receipt.target, new) == "unknown"


def _verify_command(case: JobState, receipt: FiledDocument[Receipt]) -> str:
    return case.command("verify", str(receipt.file.path), receipt.document.target.path)


def _of_receipts(case: JobState, last: FiledDocument[Receipt], drive: Drive, copy: str) -> CopyProof:
    """Follow a receipt back to the customer's drive through the images it came by."""
    old = DriveId.of(drive)
    chain = [last]
    while _came_by_an_image(first := chain[-1].document):
        parent = _parent(case, first, chain)
        if parent is None:
            evidence = f"copied from the image {first.source.path}, whose own verified receipt is not in this job"
            return _wanting(last, evidence, chain, case.command("copy", first.source.path, "IMAGE"))
        chain.append(parent)
    verify = _verify_command(case, last)
    for one in chain:
        wrong = _fault(one.document)
        if wrong:
            mended = copy if one is not last or one.document.mismatched or not one.document.bytes_across else verify
            return _wanting(last, f"{wrong} ({one.file.path.name})", chain, mended)
    source = DriveId.of(chain[-1].document.source)
    if _same(case, chain[-1].document.source, old) != "yes":
        return _wanting(last, f"copied from {source}, the customer's drive is {old}", chain, copy)
    for filed, name, evidence in _to_be_told(case, chain, drive):
        if not _told_of(case, filed, name):
            record = case.command("job", "record", case.id, name, job=False)
            return _wanting(last, f"{evidence}; copy anew, or record {name}", chain, record)
    done = last.document
    method = done.verification.method if done.verification else "nothing"
    digest = str(done.digest.whole)[:12]
    lost = _unreadable(chain)
    gap = f" but for {total(merge(lost)):,} bytes that could not be read" if lost else ""
    through = f" through {format_count(len(chain) - 1, 'image')}" if len(chain) > 1 else ""
    return CopyProof(
        holds=True,
        evidence=f"{old} is on {DriveId.of(done.target)}{gap}{through}, read back: {method}, sha256 {digest}",
        whole=chain[-1].document.bytes_total == drive.whole_bytes,
        at=_at(last),
        number=last.file.number,
        unreadable=lost,
        chain=tuple(chain),
        verify=verify,
    )


def _came_by_an_image(receipt: Receipt) -> bool:
    """An image that stands for a drive, as in the demo, bears that drive's name and is the chain's end."""
    return receipt.source.kind == "image" and receipt.source.identity.strength == "none"


def _to_be_told(
    case: JobState, chain: Sequence[FiledDocument[Receipt]], drive: Drive
) -> Iterator[tuple[FiledDocument[Receipt], FactName, str]]:
    """What somebody has to say of a copy that is sound in itself: of which one, the fact to record, and why."""
    copied, whole = chain[-1].document.bytes_total, drive.whole_bytes
    if copied != whole:
        read = f"the drive that was read has {whole:,}" if whole else "the drive's reading does not tell its size"
        yield chain[-1], "copy-size", f"{copied:,} bytes were copied, {read}"
    for filed in chain:
        started = parse_timestamp(filed.document.started)
        if started is None or started < case.opened_at - CLOCKS_DIFFER:
            yield (
                filed,
                "earlier-copy",
                f"copied before this job was opened, on {day(started)} ({filed.file.path.name})",
            )
        if was_written_to((filed,)):
            yield filed, "source-changed", f"the source was written to while it was copied ({filed.file.path.name})"


def was_written_to(chain: Sequence[FiledDocument[Receipt]]) -> bool:
    """Whether a source on the way was written to while it was copied, by the copy's own receipt."""
    return any(note.code == "source-changed" for filed in chain for note in filed.document.notes)


def _told_of(case: JobState, copy: FiledDocument[Receipt], name: FactName) -> bool:
    """Whether a fact was recorded since this copy was made; to verify it again asks for no second word."""
    times = (copy.document.started, copy.document.finished)
    made = min(
        filed.file.number for filed in case.receipts if (filed.document.started, filed.document.finished) == times
    )
    fact = case.newest_fact(name)
    return fact is not None and fact.file.number > made


def _wanting(
    last: FiledDocument[Receipt], evidence: str, chain: Sequence[FiledDocument[Receipt]], following: str
) -> CopyProof:
    return CopyProof(
        holds=False,
        evidence=evidence,
        number=last.file.number,
        unreadable=_unreadable(chain),
        chain=tuple(chain),
        next=following,
    )


def _fault(receipt: Receipt) -> str:
    """What keeps a receipt from proving anything; "" where nothing does."""
    if receipt.mismatched:
        return f"{format_count(len(receipt.mismatched), 'area')} read back other than they must be"
    if receipt.target_unreadable:
        return f"{format_count(len(receipt.target_unreadable), 'area')} of the target cannot be read back"
    if receipt.contradiction:
        return f"the receipt contradicts itself: it {receipt.contradiction}"
    if not receipt.bytes_across:
        return f"nothing is across: 0 of {receipt.bytes_total:,} bytes could be read"
    if not receipt.verified or receipt.verification is None or receipt.digest.whole is None:
        return "not verified: the target was not read back whole"
    if receipt.verification.method not in ACCEPTED:
        return f"read back by {receipt.verification.method}, which proves nothing"
    return ""


def _parent(case: JobState, receipt: Receipt, chain: Sequence[FiledDocument[Receipt]]) -> FiledDocument[Receipt] | None:
    """The newest receipt of the image a copy was made from, by the image's digest."""
    used = {one.file.number for one in chain}
    return newest_of(
        [
            one
            for one in case.receipts
            if one.file.number not in used
            and one.document.target.kind == "image"
            and one.document.digest.whole is not None
            and one.document.digest.whole in receipt.parents
            and one.document.bytes_total == receipt.bytes_total
        ]
    )


def _unreadable(chain: Sequence[FiledDocument[Receipt]]) -> tuple[Area, ...]:
    """Every area that could not be read anywhere along the way, once."""
    found = {(area.offset, area.length) for one in chain for area in one.document.unreadable}
    return tuple(Area(offset=offset, length=length) for offset, length in sorted(found))


def _of_bag(case: JobState, bag: FiledDocument[BagReceipt], old: DriveId, new: DriveId) -> CopyProof:
    """A file copy stands for the data where the unit initialises the drive itself."""
    done = bag.document
    verify = case.command("verify", done.target.path)
    ends = (("from", done.source.identity, old), ("to", done.target.identity, new))
    wrong = [
        f"copied {way} a drive not known to be {who}"
        for way, below, who in ends
        if below_is(case, bag, below, who) != "yes"
    ]
    if not done.files or not done.verified or done.verification is None or done.mismatched:
        fault = "the copied files were not read back" if done.files else "the bag holds no file"
        return CopyProof(holds=False, evidence="; ".join([fault, *wrong]), number=bag.file.number, bag=bag, next=verify)
    if wrong:
        record = case.command("job", "record", case.id, "bag-drives", job=False)
        return CopyProof(holds=False, evidence="; ".join(wrong), number=bag.file.number, bag=bag, next=record)
    files = format_count(done.files, "file")
    return CopyProof(
        holds=True,
        evidence=f"{files}, {done.bytes_total:,} bytes, read back ({done.verification.method})",
        at=parse_timestamp(done.verification.at),
        number=bag.file.number,
        bag=bag,
        verify=verify,
    )


def below_is(case: JobState, bag: FiledDocument[BagReceipt], identity: Identity | None, who: DriveId) -> Answer:
    """Whether the drive below a folder of a bag is that one; where the machine cannot tell, a person's word counts."""
    identity = identity or Identity()
    serial = identity.native_serial or identity.bridge_serial
    same = compare(DriveId(model=None, serial=serial, identity=identity), who, labels=case.logged_serials)
    vouched = case.newest_fact("bag-drives")
    return "yes" if same == "unknown" and vouched is not None and vouched.file.number > bag.file.number else same


def _at(receipt: FiledDocument[Receipt]) -> datetime | None:
    verification = receipt.document.verification
    return parse_timestamp(verification.at) if verification else None


def _same(case: JobState, end: End, who: DriveId) -> Answer:
    return compare(end, who, labels=case.logged_serials)
