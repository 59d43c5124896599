"""A drive that was losing data stays so: one clean reading does not undo it.

Sectors that could not be read vanish from the counters once something writes to them, and a drive that warned may be
silent the next day. So an `evacuate` binds until all of the drive was copied and the copy verified. To put it back
after all, its whole surface has to be read since then without an error, and the drive read again after that.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from drivecare.clock import format_day, parse_timestamp
from drivecare.job.commands import assess_command, copy_command, scan_command
from drivecare.job.filed_readings import time_of_reading
from drivecare.job.gate_evidence import Evidence, lacks
from drivecare.reading.identity import compare
from drivecare.reading.model import Drive
from drivecare.transfer.sectors.receipt import Receipt

if TYPE_CHECKING:
    from drivecare.job.contents import FiledDocument
    from drivecare.job.job_state import JobState
    from drivecare.risk.model import Assessment


def is_copied_whole(drive: Drive, receipts: Iterable[Receipt]) -> bool:
    """Whether a verified copy of this very drive, and of all of it, is among these. What is unknown counts as no."""
    return any(
        receipt.verified
        and receipt.bytes_across
        and receipt.bytes_total == drive.whole_bytes
        and compare(receipt.source, drive) == "yes"
        for receipt in receipts
    )


def check_evacuated(job: JobState, reading: FiledDocument[Assessment]) -> Evidence | None:
    """Say what a drive still needs before a reading can undo an earlier `evacuate`; None where nothing binds it."""
    evacuated = job.evacuated
    if evacuated is None or evacuated is reading:
        return None
    lost_at, read_at = time_of_reading(evacuated), time_of_reading(reading)
    scans = [
        scan.document
        for scan in job.scans_of(reading.document.drive)
        if scan.document.whole and not scan.document.unreadable
    ]
    clean_ends = [ended for scan in scans if (ended := parse_timestamp(scan.finished)) and ended > lost_at]
    if not is_copied_whole(reading.document.drive, (filed.document for filed in job.receipts)):
        missing, command = "a verified copy of all of it", copy_command(job)
    elif not clean_ends:
        missing, command = "a scan of its whole surface that reads everything", scan_command(job)
    elif read_at < min(clean_ends):
        missing, command = "another reading, after the scan", assess_command(job)
    else:
        return None
    signs = ", ".join(finding.label for finding in evacuated.document.findings if finding.severity == "evacuate")
    evidence = (
        f"{reading.document.verdict}, but on {format_day(lost_at)} it was evacuate"
        f"{f' ({signs})' if signs else ''}, which a later reading alone does not undo. Needed: {missing}"
    )
    return lacks(evidence, command, job.age(read_at))
