"""Write the labels for a job's drives: into the job, or to wherever they are to go. What `drivecare job label` does."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from drivecare.job.html_page import is_own_page, write_page
from drivecare.job.job_state import JobState
from drivecare.job.label import list_labels, render_labels
from drivecare.job.model import DriveLabels
from drivecare.record.port import FiledJob

_LABELS = "labels.html"


def write_labels(
    folder: FiledJob, state: JobState, *, output: Path | None, may_replace: Callable[[Path], bool]
) -> DriveLabels:
    """Write a page with a label for each drive to `output`, by default into the job.

    `may_replace` is asked about a file that is there, but for the job's own page that nobody wrote into.
    Raises what `may_replace` raises, BadInput where no drive is known, Refused, Unavailable.
    """
    labels = list_labels(state)
    own = folder.path / _LABELS
    path = output or own
    replace = (path == own and is_own_page(own)) or may_replace(path)
    write_page(path, render_labels(state, labels), replace=replace)
    return DriveLabels(job=state.id, path=str(path), labels=labels)
