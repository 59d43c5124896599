"""Write the handover sheet: into the job, and to wherever else it is to go. What `drivecare handover` does."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from drivecare.errors import DriveCareError
from drivecare.job.html_page import is_own_page, write_page
from drivecare.job.job_state import JobState
from drivecare.job.model import Handover
from drivecare.job.result_files import SHEET
from drivecare.job.sheet import make_sheet
from drivecare.record.port import FiledJob


def hand_over(
    folder: FiledJob,
    state: JobState,
    *,
    output: Path | None,
    shop: str | None,
    may_replace: Callable[[Path], bool],
    notify: Callable[[str], None],
) -> Handover:
    """Write the sheet to `output`, by default into the job; the job always keeps the newest, by which it is known to be
    written.

    `may_replace` is asked about a file that is there, but for a sheet of ours that nobody wrote into.
    Raises what `may_replace` raises, Refused, Unavailable.
    """
    own = folder.path / SHEET
    path = output or own
    replace = (path == own and is_own_page(own)) or may_replace(path)
    handover, html = make_sheet(state, path, shop=shop)
    write_page(path, html, replace=replace)
    if path != own:
        try:
            write_page(own, html, replace=is_own_page(own))
        except DriveCareError as error:
            notify(f"The job's own sheet stays as it was: {error.message()}")
    return handover
