"""The gate's items about the copy: is it proven, is the proof fresh, and does the customer know what is missing?"""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from drivecare.clock import format_time
from drivecare.format import format_count, join_some
from drivecare.job.commands import record_command
from drivecare.job.gate_evidence import Evidence, holds, lacks, recorded
from drivecare.transfer.holds import hits_nothing

if TYPE_CHECKING:
    from drivecare.job.contents import FiledDocument
    from drivecare.job.job_state import JobState
    from drivecare.transfer.files.bag import BagReceipt

# How long a proof stands before somebody must read again or vouch for the drive. Common practice, no source: a bench
# swaps on the day it copies, and what lay around overnight may have been plugged in anywhere.
PROOF_STANDS = timedelta(hours=24)


def check_copy_verified(job: JobState) -> Evidence:
    """Every byte that could be read is on the new drive, proven by reading it back."""
    proof = job.proof
    age = job.age(proof.at) if proof.at else None
    return holds(proof.evidence, age) if proof.holds else lacks(proof.evidence, proof.next, age)


def check_unchanged_since(job: JobState) -> Evidence:
    """The proof is of today, or somebody vouches that nothing was written since. Nothing can prove that."""
    proof = job.proof
    if proof.at is None:
        return lacks("no copy has been verified yet", proof.next or proof.verify)
    evidence, age = f"last read back {format_time(proof.at)}", job.age(proof.at)
    if timedelta(minutes=-5) <= job.now - proof.at <= PROOF_STANDS:
        return holds(evidence, age)
    fact = job.newest_fact("unchanged")
    if fact is not None and fact.number > proof.number:
        return holds(f"{evidence}; {fact.document.by or 'somebody'} vouches that nothing was written since", age)
    evidence += f": more than {PROOF_STANDS // timedelta(hours=1)} hours ago; verify again, or record unchanged"
    return lacks(evidence, proof.verify or record_command(job, "unchanged"), age)


def check_unreadable_acknowledged(job: JobState) -> Evidence:
    """The customer knows of every area that could not be read, one by one."""
    proof = job.proof
    if proof.bag is not None:
        return _check_left_out_acknowledged(job, proof.bag)
    if not proof.chain:
        return lacks("no copy yet, so this is not known", proof.next)
    areas = proof.unreadable
    if not areas:
        return holds("nothing was unreadable")
    total = f"{format_count(len(areas), 'unreadable area')} ({sum(area.length for area in areas):,} bytes)"
    empty = [area for area in areas if hits_nothing(area, area.holds)]
    unsaid = [area for area in areas if area not in empty and job.acknowledgement_of(area) is None]
    if len(empty) == len(areas):
        return holds(f"{total}, all in free space or outside any partition: no file that existed was hit")
    if not unsaid:
        rest = f", {len(empty)} of them where no file that existed was hit" if empty else ""
        return holds(f"the customer knows of {total}{rest}", job.age(job.facts_named("unreadable")[-1].filed_at))
    offsets = join_some([f"{area.offset:,}" for area in unsaid], 5)
    record = record_command(job, "unreadable", *(str(area.offset) for area in unsaid[:10]))
    return lacks(f"not acknowledged: {len(unsaid)} of {total}; at {offsets}", record)


def _check_left_out_acknowledged(job: JobState, bag: FiledDocument[BagReceipt]) -> Evidence:
    """The same for a file copy: the customer knows which files are not in it."""
    count, fact = len(bag.document.left_out), job.newest_fact("left-out")
    if not count:
        return holds("no file was left out")
    if fact is not None and fact.number > bag.number:
        return holds(f"the customer knows of {count:,} files left out", job.age(fact.filed_at))
    return lacks(f"not acknowledged: {count:,} files left out", record_command(job, "left-out"))


def check_detached(job: JobState) -> Evidence:
    """Old and new drive are no longer attached together, where they could be mixed up."""
    fact, record = job.newest_fact("detached"), record_command(job, "detached")
    if fact is None:
        return lacks("not recorded: switch the power off and detach the old drive", record)
    copies = [receipt.number for receipt in job.receipts] + [bag.number for bag in job.bags]
    if fact.number < max(copies, default=0):
        return lacks("recorded before the newest copy or verification", record)
    return recorded(job, fact, "old and new drive are apart")
