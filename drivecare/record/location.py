"""Where a shop keeps its own things: the jobs, with the store that keeps them there, and its stock list."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from drivecare.invoking_user import configuration_folder, data_folder

if TYPE_CHECKING:
    from drivecare.record.port import Record


def open_record(jobs: Path | None, *, notify: Callable[[str], None] = lambda _: None) -> Record:
    """Open the record of all jobs that the person means. `notify` is called with sentences for the person."""
    from drivecare.record.folder import FolderRecord  # where no job is named, only its place is asked

    return FolderRecord(root=jobs_folder(jobs), notify=notify)


def jobs_folder(jobs: Path | None, *, environ: Mapping[str, str] = os.environ) -> Path:
    """Find the folder of jobs: the given one, else $DRIVECARE_JOBS, else `jobs` in the invoking user's data folder."""
    if jobs is not None:
        return jobs
    return Path(environ.get("DRIVECARE_JOBS") or data_folder(environ=environ) / "jobs")


def shop_stock(environ: Mapping[str, str] = os.environ) -> Path | None:
    """Find the shop's stock list: $DRIVECARE_STOCK, else `stock.csv` in the configuration folder, if it is there."""
    named = environ.get("DRIVECARE_STOCK")
    path = Path(named) if named else configuration_folder(environ=environ) / "stock.csv"
    return path if named or path.is_file() else None
