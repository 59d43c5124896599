"""What the gate's items are made of: a fact as evidence, a drive's own word as evidence, the commands that mend one."""

from __future__ import annotations

from drivecare.job.expected_drive import why_unlike
from drivecare.job.filed_readings import time_of_reading, why_outside_job
from drivecare.job.folder import FiledDocument
from drivecare.job.job_state import JobState, newest_of
from drivecare.job.model import Fact, FactName, GateItem
from drivecare.job.times import age
from drivecare.reading.identity import DriveId, normalise_serial
from drivecare.risk.model import Assessment


def fact_item(case: JobState, item: str, fact: FiledDocument[Fact] | None, holds: str, missing: str) -> GateItem:
    """An item that holds where a fact was recorded."""
    if fact is None:
        return GateItem(
            item=item, holds=False, evidence=missing, next=case.command("job", "record", case.id, item, job=False)
        )
    note = f": {fact.document.note}" if fact.document.note else ""
    by = f", recorded by {fact.document.by}" if fact.document.by else ""
    return GateItem(item=item, holds=True, evidence=f"{holds}{note}{by}", age=age(fact.file.filed_at, case.now))


def identity_item(case: JobState, item: str, filed: FiledDocument[Assessment] | None, read: str) -> GateItem:
    """An item that holds where a drive said itself who it is, or its label was logged."""
    if filed is None:
        return GateItem(item=item, holds=False, evidence="no drive was read", next=read)
    drive = filed.document.drive
    name, how_old = DriveId.of(drive), age(time_of_reading(filed), case.now)
    if name.strong:
        number = f"WWN {drive.identity.wwn}" if drive.identity.wwn else f"serial {drive.identity.native_serial}"
        return GateItem(item=item, holds=True, evidence=f"{name}, by its own {number}", age=how_old)
    if name.attested(case.logged_serials):
        return GateItem(item=item, holds=True, evidence=f"{name}, behind a bridge; label read by hand", age=how_old)
    shown = drive.serial
    record = case.command("job", "record", case.id, "weak-identity", shown, job=False) if shown else read
    strength = "hides" if drive.identity.strength == "weak" else "gives no"
    evidence = f"{name}: the bridge {strength} identity; use another dock" + (", or log the label" if shown else "")
    return GateItem(item=item, holds=False, evidence=evidence, age=how_old, next=record)


def doubt_of(case: JobState, filed: FiledDocument[Assessment]) -> str:
    """Why a reading does not count for this job although its drive is known: its time, or a drive unlike the unit's.

    "" where nothing is in doubt, or a person recorded the reason why it counts all the same.
    """
    serial = filed.document.drive.serial
    doubts: tuple[tuple[FactName, str], ...] = (
        ("earlier-reading", why_outside_job(filed, opened=case.opened_at, now=case.now)),
        ("unlike-profile", why_unlike(filed.document.drive, case.opening.built_for)),
    )
    for name, reason in doubts:
        if reason and not _explained(case, name, filed):
            way_out = "read it again, or record" if name == "earlier-reading" else "read the right one, or record"
            return f"{reason}: {way_out} {name} {serial or 'SERIAL'}"
    return ""


def _explained(case: JobState, name: FactName, filed: FiledDocument[Assessment]) -> bool:
    """Whether a person explained it after this reading was filed, by the serial number of its drive."""
    return any(
        fact.file.number > filed.file.number
        and normalise_serial(fact.document.about) == normalise_serial(filed.document.drive.serial) != ""
        for fact in case.facts_named(name)
    )


def plan_command(case: JobState, *more: str) -> str:
    """The command that plans anew for this unit and its drive."""
    old = newest_of(case.old_drive_readings)
    reading = (old.document.path if old is not None else None) or "DRIVE"
    more = more or ("--stock", "STOCK.csv")
    return case.command("plan", "--host", case.opening.label, "--reading", reading, *more)


def inspect_command(case: JobState, drive: str = "NEW_DRIVE") -> str:
    """The command of an incoming inspection."""
    return case.command("assess", drive, "--as", "new")
