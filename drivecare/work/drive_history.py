"""Look for a drive in all jobs."""

from __future__ import annotations

from drivecare.job.history import collect_history
from drivecare.job.overview import History
from drivecare.reading.identity import DriveId
from drivecare.record.port import Record


def drive_history(serial: str, record: Record) -> History:
    """Collect every reading of the drive with this serial number. Raises BadInput if no job holds one."""
    jobs = record.jobs_with_drive(DriveId(serial=serial))
    return collect_history(serial, [(job.id, job.read) for job in jobs])
