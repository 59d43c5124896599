"""Refuse whatever loads a drive that is losing data, until its copy is verified or its serial number typed."""

from __future__ import annotations

from drivecare.errors import Refused
from drivecare.job.contents import JobContents
from drivecare.job.evacuated import is_copied_whole
from drivecare.reading.identity import compare, shown_alike
from drivecare.reading.model import Reading
from drivecare.record.port import FiledJob
from drivecare.risk.assess import assess
from drivecare.risk.model import Assessment
from drivecare.transfer.sectors.receipt import Receipt


def refuse_load(reading: Reading, activity: str, *, allow_load: str | None, folder: FiledJob | None) -> None:
    """Raise Refused where this drive, by this reading or by one filed in the job, is to be evacuated first.

    `activity` is the subject of the sentence: "a self-test". A verified copy of the drive in the job lifts the guard.
    """
    serial = reading.drive.serial
    if allow_load is not None and serial is not None and allow_load.strip() == serial:
        return
    contents = folder.read() if folder is not None else None
    if not _is_losing_data(reading, contents) or (contents is not None and _is_copied(reading, contents)):
        return
    raise Refused(
        f"it is losing data, and {activity} would load it",
        guard="evacuate",
        location=reading.path,
        hint=f"Copy it and verify the copy first. To do it all the same: --allow-load {serial or 'SERIAL'}.",
    )


def _is_losing_data(reading: Reading, contents: JobContents | None) -> bool:
    if assess(reading).verdict == "evacuate":
        return True
    filed = [result.document for result in contents.documents(Assessment)] if contents is not None else []
    losing = [assessment.drive for assessment in filed if assessment.verdict == "evacuate"]
    return any(compare(drive, reading.drive) == "yes" or shown_alike(drive, reading.drive) for drive in losing)


def _is_copied(reading: Reading, contents: JobContents) -> bool:
    return is_copied_whole(reading.drive, (filed.document for filed in contents.documents(Receipt)))
