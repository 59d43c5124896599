"""Copy a folder's files into a bag, and check a bag, on this machine."""

from __future__ import annotations

from pathlib import Path

from drivecare.hardware.backing_drive import end_of
from drivecare.hardware.machine import Machine
from drivecare.transfer.files.bag import BagReceipt, ForeignBag
from drivecare.transfer.files.bag_check import check_bag
from drivecare.transfer.files.file_copy import copy_into_bag
from drivecare.transfer.medium import Watch


def copy_files_to_bag(
    source: Path, target: Path, machine: Machine, *, watch: Watch, resume: bool = False, job: str | None = None
) -> BagReceipt:
    """Copy a folder's files and prove the copy. Raises as `copy_into_bag` does."""
    return copy_into_bag(
        source,
        target,
        files=machine.files(),
        clock=machine.clock,
        resume=resume,
        ends=(end_of(source), end_of(target)),
        watch=watch,
        job=job,
    )


def verify_bag(path: Path, machine: Machine, *, watch: Watch) -> BagReceipt | ForeignBag:
    """Check a bag whole. Raises as `check_bag` does."""
    return check_bag(machine.files(), path, at=machine.clock.timestamp(), watch=watch)
