"""Every command that a gate, a screen or a job's next step suggests, spelled here and nowhere else.

What is known is filled in: drives by where they are attached now, else by the file they were read from; receipts,
units, the job. What only a person can know or vouch for stays open: a word of `BLANKS`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from drivecare.job.attestations import OPEN_NOTE, OPEN_SERIAL
from drivecare.job.bench import BenchDrive
from drivecare.job.expected_drive import is_planned_drive
from drivecare.reading.identity import Named, compare, shown_alike
from drivecare.shell import command_line

if TYPE_CHECKING:
    from drivecare.job.contents import FiledDocument
    from drivecare.job.job_state import JobState
    from drivecare.job.model import FactName
    from drivecare.risk.model import Assessment
    from drivecare.transfer.files.bag import BagReceipt
    from drivecare.transfer.sectors.journal import Journal
    from drivecare.transfer.sectors.receipt import Receipt

# What a person fills in, and the question that asks for it. `next --do` asks it and takes only what is typed.
BLANKS: dict[str, str] = {
    "DRIVE": "Which drive is the customer's? Type its path (drivecare drives lists them) or a saved reading",
    "NEW_DRIVE": "Which drive is the new one? Type its path (drivecare drives lists them) or a saved reading",
    "IMAGE": "Type the path of the image",
    "DIR": "Type the folder at which the customer's drive is mounted, read-only",
    "TARGETDIR": "Type the folder to copy the files to",
    "STOCK.csv": "Type the path of the stock list",
    OPEN_SERIAL: "Type the serial number that is on the drive's label",
    OPEN_NOTE: "Type who said or did it, and how you know",
}

# The options in these commands; any other word that begins with a hyphen is the name of a file.
_OPTIONS = frozenset(
    (
        "--job",
        "--jobs",
        "--note",
        "--as",
        "--reading",
        "--stock",
        "--candidate",
        "--resume",
        "--to-the-end",
        "--also",
    )
)


def spell(job: JobState, *words: str) -> str:
    """Write a command line of ours, fit to be pasted. It names the folder of jobs where a person did."""
    jobs = ("--jobs", str(job.jobs)) if job.jobs is not None else ()
    line = command_line(*words, *jobs, options=_OPTIONS)
    sudo = job.bench is not None and job.bench.sudo and any(word.startswith("/dev/") for word in words)
    return f"sudo {line}" if sudo else line


def record_command(job: JobState, fact: FactName, *about: str) -> str:
    """Write the command that records a fact. A person vouches for every fact, so its note is theirs to type."""
    return f'{spell(job, "job", "record", job.id, fact, *about)} --note "{OPEN_NOTE}"'


def show_command(job: JobState) -> str:
    """Write the command that shows the job."""
    return spell(job, "job", "show", job.id)


def push_command(job: JobState) -> str:
    """Write the command that files what waits for the record's server."""
    return spell(job, "records", "push")


def gate_command(job: JobState) -> str:
    """Write the command that shows the gate."""
    return spell(job, "gate", job.id)


def handover_command(job: JobState) -> str:
    """Write the command that writes the sheet."""
    return spell(job, "handover", job.id)


def close_command(job: JobState) -> str:
    """Write the command that closes the job; how it ended it asks the person who types it."""
    return spell(job, "job", "close", job.id)


def assess_command(job: JobState, *, another: bool = False) -> str:
    """Write the command that reads and judges the customer's drive, or another one: the drive read is not theirs."""
    return _filing(job, "assess", "DRIVE" if another else _old_drive_word(job))


def inspect_command(job: JobState, *, another: bool = False) -> str:
    """Write the command of an incoming inspection: of the new drive, or of another one in its place."""
    return _filing(job, "assess", "NEW_DRIVE" if another else _new_drive_word(job), "--as", "new")


def plan_command(job: JobState, *, around: bool = False) -> str:
    """Write the command that plans again for this unit and its drive; `around`: with the new drive as the candidate."""
    if around:
        return _filing(job, "plan", "--candidate", _new_drive_word(job))
    listed = job.stock is not None or (job.bench is not None and job.bench.stock)
    return _filing(job, "plan", *(() if listed else ("--stock", "STOCK.csv")))


def copy_command(job: JobState) -> str:
    """Write the command that brings the data across: the drive whole, or the files where the plan says so."""
    if job.plan is not None and job.plan.document.migration != "sector-copy":
        return _filing(job, "copy-files", "DIR", "TARGETDIR")
    return _filing(job, "copy", _old_drive_word(job), _new_drive_word(job))


def rescue_command(job: JobState) -> str | None:
    """Write the command that copies a drive which is losing data to an image; None while there is no need for one.

    A plan takes a moment and loads no drive, so it comes first: it says which new drive would do.
    """
    old = path_of(job, job.old_drive.document.drive) if job.old_drive is not None else None
    if old is None or job.old_drive is None or job.old_drive.document.verdict != "evacuate":
        return None
    if job.plan is None or job.receipts or job.bags or job.new_drive is not None:
        return None
    if job.plan.document.chosen_drive is not None and _new_drive_word(job) != "NEW_DRIVE":
        return None
    return _filing(job, "copy", old, "IMAGE")


def copy_from_image_command(job: JobState, image: str) -> str:
    """Write the command that brings the data across from an image of the drive."""
    return _filing(job, "copy", image, _new_drive_word(job))


def copy_image_command(job: JobState, image: str) -> str:
    """Write the command that copies an image once more, so that the job has its receipt."""
    return _filing(job, "copy", image, "IMAGE")


def resume_command(job: JobState, journal: Journal, also: Journal | None = None) -> str:
    """Write the command that goes on with a copy, and in the same pass with one to an image.

    Each drive is named by where it is attached now. Where the copy has stopped because the rest would take months, only
    --to-the-end goes on.
    """
    ends = (path_of(job, end) or end.path for end in (journal.source, journal.target))
    to_the_end = ("--to-the-end",) if journal.rest_seconds is not None else ()
    image = ("--also", also.target.path) if also is not None else ()
    return _filing(job, "copy", *ends, *image, "--resume", *to_the_end)


def resume_files_command(job: JobState, source: str, target: str) -> str:
    """Write the command that goes on with a file copy."""
    return _filing(job, "copy-files", source, target, "--resume")


def scan_command(job: JobState) -> str:
    """Write the command that reads the whole surface of the customer's drive."""
    return _filing(job, "readscan", _old_drive_word(job))


def verify_command(job: JobState, receipt: FiledDocument[Receipt]) -> str:
    """Write the command that reads the target of a copy again."""
    target = receipt.document.target
    return _filing(job, "verify", str(receipt.file.path), path_of(job, target) or target.path)


def verify_bag_command(job: JobState, bag: FiledDocument[BagReceipt]) -> str:
    """Write the command that reads a bag again."""
    return _filing(job, "verify", bag.document.target.path)


def _filing(job: JobState, *words: str) -> str:
    return spell(job, *words, "--job", job.id)


def _old_drive_word(job: JobState) -> str:
    """The customer's drive: where it is attached; before it was read, the only free drive."""
    if job.old_drive is None:
        return _attached(job, lambda drive: drive.free) or "DRIVE"
    return path_of(job, job.old_drive.document.drive) or _recorded_path(job, job.old_drive) or "DRIVE"


def _new_drive_word(job: JobState) -> str:
    """The new drive: where it is attached; before it was read, the planned one, or the only one that it can be."""
    if job.new_drive is None:
        return _attached(job, lambda drive: _may_be_new(job, drive)) or "NEW_DRIVE"
    return path_of(job, job.new_drive.document.drive) or _recorded_path(job, job.new_drive) or "NEW_DRIVE"


def _may_be_new(job: JobState, drive: BenchDrive) -> bool:
    """Whether an attached drive can be the new one: free, not the customer's, and not unlike the planned one."""
    chosen = job.plan.document.chosen_drive if job.plan is not None else None
    planned = "unknown" if chosen is None else is_planned_drive(chosen, drive, job.logged_serials)
    old = "unknown" if job.old_drive is None else compare(drive, job.old_drive.document.drive)
    return planned == "yes" or (drive.free and planned == "unknown" and old == "no")


def path_of(job: JobState, named: Named) -> str | None:
    """Where a drive is attached now, by its identity; behind a bridge by what is shown of it."""
    labels = job.logged_serials
    return _attached(job, lambda drive: compare(drive, named, labels=labels) == "yes") or _attached(
        job, lambda drive: compare(drive, named, labels=labels) == "unknown" and shown_alike(drive, named)
    )


def _attached(job: JobState, matches: Callable[[BenchDrive], bool]) -> str | None:
    return job.bench.find_path(matches) if job.bench is not None else None


def _recorded_path(job: JobState, reading: FiledDocument[Assessment]) -> str | None:
    """Where a drive was read. A device's name of that day may be another drive's now, so it counts only unlooked."""
    path = reading.document.path
    return path if path is None or job.bench is None or not path.startswith("/dev/") else None
