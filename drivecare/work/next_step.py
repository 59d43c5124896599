"""Look at a job together with the bench: what is attached, whether a stock list is known, whether the sheet is written.

Every command that shows what comes next loads the job here, so that all of them say the same.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

from drivecare.errors import Unavailable
from drivecare.hardware.blockdev import AttachedDrive, list_drives
from drivecare.job.bench import Bench, BenchDrive
from drivecare.job.contents import JobContents
from drivecare.job.html_page import newest_result_on
from drivecare.job.job_state import JobState, load_job_state
from drivecare.job.result_files import SHEET
from drivecare.record.location import Place, shop_stock
from drivecare.record.port import FiledJob
from drivecare.work import Machine

_IMAGES = ("loop", "nbd")  # a file or another machine behind a device: no drive to be named


def load_job(folder: FiledJob, machine: Machine, *, jobs: Place | None = None, digests: bool = True) -> JobState:
    """Work out the state of a job, with the bench as it is now."""
    contents = folder.read()
    return load_job_state(
        contents,
        jobs=jobs,
        bench=look_at_bench(machine),
        sheet_is_current=_is_current(folder.path / SHEET, contents),
        digests=digests,
    )


def look_at_bench(machine: Machine, environ: Mapping[str, str] = os.environ) -> Bench:
    """What is attached. Opens no device and needs no root."""
    try:
        attached = list_drives(root=machine.root)
    except Unavailable:
        attached = ()
    return Bench(
        drives=tuple(_bench_drive(drive) for drive in attached if drive.bus not in _IMAGES and not drive.system),
        sudo=not machine.is_root,
        stock=shop_stock(environ) is not None,
    )


def _bench_drive(drive: AttachedDrive) -> BenchDrive:
    return BenchDrive(
        path=drive.lasting_path or drive.path,
        model=drive.model,
        serial=drive.serial,
        identity=drive.identity,
        free=not drive.in_use,
    )


def _is_current(sheet: Path, contents: JobContents) -> bool:
    """Whether the sheet tells of the newest result. Times would not do: several results are filed in one second."""
    newest = newest_result_on(sheet)
    return newest is not None and newest >= max((file.number for file in contents.files), default=0)
