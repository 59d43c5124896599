"""Look for a drive in all jobs."""

from __future__ import annotations

import msgspec

from drivecare.errors import BadInput
from drivecare.job.history import collect_history
from drivecare.job.overview import History
from drivecare.reading.identity import typed_names
from drivecare.record.port import Record, count_pages, page_span


def drive_history(name: str, record: Record, *, page: int | None = None) -> History:
    """Collect every reading of the drives that go by this serial number, worldwide name, model or word of a model.

    With a `page`, only from the jobs on it. Raises BadInput if no job holds one, or there is no such page.
    """
    jobs = record.jobs_with_names(typed_names(name))
    pages = count_pages(len(jobs)) if page is not None else None
    if page is not None and pages is not None and page > pages:
        raise BadInput(f"there is no page {page:,}", location=name, hint=f"The last one is {pages:,}.")
    begin, end = page_span(len(jobs), page) if page is not None else (0, len(jobs))
    history = collect_history(name, [(job.id, job.read) for job in jobs[begin:end]])
    return msgspec.structs.replace(history, total=len(jobs), page=page, pages=pages)
