"""Look for a drive in all jobs."""

from __future__ import annotations

from drivecare.job.history import collect_history
from drivecare.job.overview import History
from drivecare.reading.identity import typed_names
from drivecare.record.port import Record


def drive_history(name: str, record: Record) -> History:
    """Collect every reading of the drives that go by this serial number, worldwide name, model or word of a model.

    Raises BadInput if no job holds one.
    """
    jobs = record.jobs_with_names(typed_names(name))
    return collect_history(name, [(job.id, job.read) for job in jobs])
