"""Copies of a job that were begun and are not finished: what their journals say, and how to go on.

A journal lies in the job's folder beside its results. That of a file copy lies in the bag, on another disk; in the
job's folder is a note that the copy was begun, which goes when it has ended.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from drivecare.clock import format_age, format_time, format_timestamp, parse_timestamp
from drivecare.documents import load
from drivecare.errors import DriveCareError
from drivecare.format import format_bytes, format_count, format_minutes
from drivecare.job.commands import resume_command, resume_files_command
from drivecare.job.model import UnfinishedCopy
from drivecare.reading.identity import DriveId, compare
from drivecare.transfer.areas import total
from drivecare.transfer.files.bag_journal import BEGUN_SUFFIX, BegunBag, count_claims
from drivecare.transfer.sectors.guards import same_end
from drivecare.transfer.sectors.journal import Journal
from drivecare.transfer.sectors.journal_file import JOURNAL_SUFFIX, JournalFile

if TYPE_CHECKING:
    from drivecare.job.job_state import JobState
    from drivecare.transfer.sectors.receipt import End, Receipt


# A journal is written after every 96 MiB, which takes a failing drive minutes. Our judgement.
_SILENT = timedelta(minutes=15)


def load_journals(job: JobState) -> Iterator[tuple[Path, Journal]]:
    """Load the journals of this job's copies of drives and images. Those of 0.1.0 do not name the job, but lie in its
    folder. A damaged one is left out: the copy that meets it says so.
    """
    ids = (job.id,) if job.opening.tool_version is not None else (job.id, None)
    for path in _named(job, JOURNAL_SUFFIX):
        with contextlib.suppress(DriveCareError):
            journal = JournalFile(path).load()
            if journal is not None and journal.job in ids:
                yield path, journal


def find_unfinished(job: JobState) -> tuple[UnfinishedCopy, ...]:
    """List the job's unfinished copies, each with the command that goes on with it; none once the job is closed."""
    if job.closing is not None:
        return ()
    begun = [(path, journal) for path, journal in job.journals if journal.phase != "done"]
    copies = [_of_journal(job, path, journal, [other for _, other in begun]) for path, journal in begun]
    return (*copies, *(_of_bag(job, path, begun) for path, begun in _begun_bags(job)))


def unfinished_to(job: JobState, drive: DriveId, receipt: Receipt | None) -> UnfinishedCopy | None:
    """Find an unfinished copy that wrote, or may have written, to this drive since the copy that a receipt proves.

    Without a receipt one to an image counts, too: it is on its way there.
    """
    for path, journal in job.journals:
        is_elsewhere = compare(journal.target, drive, labels=job.logged_serials) == "no" or (
            receipt is not None and journal.target.kind == "image"
        )
        if not is_elsewhere and (receipt is None or _is_later(journal, receipt)):
            for copy in job.unfinished:
                if copy.file == path.name:
                    return copy
    return None


def _is_later(journal: Journal, receipt: Receipt) -> bool:
    """Whether a copy went on after this receipt, as far as anybody can tell.

    What did not read back of one and the same copy, its receipt tells better than its journal.
    """
    begun, proven = parse_timestamp(journal.started), parse_timestamp(receipt.started)
    if begun is None or proven is None or begun == proven:
        return receipt.verified or (bool(receipt.unread) and journal.sessions > receipt.reads.sessions)
    return begun > proven


def _stopped_at_used(job: JobState, journal: Journal) -> bool:
    """Whether a copy stopped at what is used, by its receipt, and has not gone on since."""
    return any(
        receipt.unread
        and receipt.started == journal.started
        and same_end(receipt.target, journal.target)
        and journal.sessions <= receipt.reads.sessions
        for receipt in (filed.document for filed in job.receipts)
    )


def describe_extent(copy: UnfinishedCopy) -> str:
    """Say how much of a copy is across."""
    if copy.files is not None:
        return f"{format_count(copy.files, 'file')}, {format_bytes(copy.bytes_copied)} copied"
    if not copy.bytes_total:
        return "how much is across is not known here"
    if copy.reading_back:
        return "all is copied, but not read back yet"
    amount = f"{format_bytes(copy.bytes_copied)} of {format_bytes(copy.bytes_total)}"
    rest = "" if copy.rest_seconds is None else f", and to try the rest takes {format_minutes(copy.rest_seconds / 60)}"
    stop = "stopped at what is used, as asked: " if copy.stopped_at_used else ""
    return f"{stop}{percent_across(copy)} copied, {amount}{rest}"


def percent_across(copy: UnfinishedCopy) -> str:
    """Say how many per cent are across, rounded down, so that 100 means all; "?" where that is not known."""
    return f"{copy.bytes_copied * 100 // copy.bytes_total} %" if copy.bytes_total else "?"


def tell_progress(copy: UnfinishedCopy, now: datetime) -> str:
    """Say in a few words how far a copy is and how long it still takes, or how long ago it was that far.

    The time left is what is missing at the pace since the copy was begun, so breaks make it too long.
    """
    percent = percent_across(copy) if copy.files is None else format_count(copy.files, "file")
    begun, saved = parse_timestamp(copy.started), parse_timestamp(copy.saved_at)
    if begun is None or saved is None:
        return percent
    if copy.reading_back:
        return "to be read back"
    if copy.stopped_at_used:
        return f"{percent}, stopped at what is used"
    if copy.rest_seconds is not None:
        return f"{percent}, {format_minutes(copy.rest_seconds / 60)} left"
    if now - saved > _SILENT:
        return f"{percent} {format_age(saved, now)} ago"
    if not copy.bytes_total or not copy.bytes_copied:
        return percent
    missing = copy.bytes_total / copy.bytes_copied - 1
    return f"{percent}, {format_minutes((saved - begun) / timedelta(minutes=1) * missing)} left"


def tell_unfinished(copy: UnfinishedCopy) -> str:
    """Say how far a copy is and since when, as a sentence without its full stop."""
    last = f", last written to {format_time(copy.saved_at)}" if copy.saved_at is not None else ""
    return f"{copy.source} to {copy.target}: {describe_extent(copy)}; begun {format_time(copy.started)}{last}"


def _resume(job: JobState, journal: Journal, begun: list[Journal]) -> str:
    """Write the command that goes on with a copy, together with the one that was begun in the same pass."""
    pair = [other for other in begun if other.started == journal.started and same_end(other.source, journal.source)]
    first, *others = sorted(pair, key=lambda copy: copy.target.kind)  # the device before the image
    if len(others) == 1 and others[0].target.kind == "image":
        return resume_command(job, first, also=others[0])
    return resume_command(job, journal)


def _of_journal(job: JobState, path: Path, journal: Journal, begun: list[Journal]) -> UnfinishedCopy:
    return UnfinishedCopy(
        kind="sectors",
        source=_describe(journal.source),
        target=_describe(journal.target),
        bytes_total=journal.bytes_total,
        bytes_copied=total(journal.copied),
        reading_back=journal.phase == "reading-back",
        rest_seconds=journal.rest_seconds,
        stopped_at_used=_stopped_at_used(job, journal),
        started=journal.started,
        saved_at=_modified_at(path),
        file=path.name,
        resume=_resume(job, journal, begun),
    )


def _of_bag(job: JobState, path: Path, begun: BegunBag) -> UnfinishedCopy:
    claims = count_claims(Path(begun.target))
    files, bytes_copied = claims if claims is not None else (None, 0)
    return UnfinishedCopy(
        kind="files",
        source=begun.source,
        target=begun.target,
        files=files,
        bytes_copied=bytes_copied,
        started=begun.started,
        file=path.name,
        resume=resume_files_command(job, begun.source, begun.target),
    )


def _begun_bags(job: JobState) -> Iterator[tuple[Path, BegunBag]]:
    for path in _named(job, BEGUN_SUFFIX):
        with contextlib.suppress(DriveCareError):
            yield path, load(BegunBag, path)


def _modified_at(path: Path) -> str | None:
    """When a journal was last replaced, as its copy went on; None where it is gone by now."""
    try:
        return format_timestamp(datetime.fromtimestamp(path.stat().st_mtime, UTC))
    except OSError:
        return None


def _named(job: JobState, suffix: str) -> list[Path]:
    return sorted(job.folder / name for name in job.contents.names if name.endswith(suffix))


def _describe(end: End) -> str:
    """Name an end by its drive, and by the path it had when the copy last went on."""
    return f"{DriveId.of(end)} ({end.path})" if end.model or end.serial else end.path
