"""Refuse whatever loads a drive that is losing data, until its copy is verified or its serial number typed."""

from __future__ import annotations

from drivecare.errors import NoDrive, Refused, Unavailable
from drivecare.hardware.blockdev import inspect_drive
from drivecare.hardware.device_path import is_device
from drivecare.hardware.smart import read_drive
from drivecare.job.contents import JobContents
from drivecare.job.evacuated import is_copied_whole
from drivecare.reading.identity import compare, shown_alike
from drivecare.reading.model import Drive, Reading
from drivecare.record.port import FiledJob
from drivecare.risk.assess import assess
from drivecare.risk.model import Assessment
from drivecare.transfer.sectors.receipt import Receipt
from drivecare.work import Machine


def identify_for_load(
    path: str, activity: str, machine: Machine, *, allow_load: str | None, folder: FiledJob | None
) -> Reading | None:
    """Ask the drive which it is and how it is; None for an image.

    One that cannot be asked goes by the kernel's word, so that a drive that is losing data is not loaded because
    nobody asked it. Raises Refused where it is losing data, BadInput for a partition.
    """
    if not is_device(path):
        return None
    try:
        reading = read_drive(path, machine=machine)
    except NoDrive:
        return None
    except Unavailable:
        attached = inspect_drive(path, root=machine.root)
        drive = Drive(
            model=attached.model,
            serial=attached.identity.native_serial,
            identity=attached.identity,
            capacity_bytes=attached.capacity_bytes,
        )
        reading = Reading(path=path, drive=drive)
    refuse_load(reading, activity, allow_load=allow_load, folder=folder)
    return reading


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
        hint="Copy it and verify the copy first. To do it all the same: --allow-load SERIAL, the number on its label.",
    )


def _is_losing_data(reading: Reading, contents: JobContents | None) -> bool:
    if assess(reading).verdict == "evacuate":
        return True
    filed = [result.document for result in contents.documents(Assessment)] if contents is not None else []
    losing = [assessment.drive for assessment in filed if assessment.verdict == "evacuate"]
    return any(compare(drive, reading.drive) == "yes" or shown_alike(drive, reading.drive) for drive in losing)


def _is_copied(reading: Reading, contents: JobContents) -> bool:
    return is_copied_whole(reading.drive, (filed.document for filed in contents.documents(Receipt)))
