"""Copy a folder's files into a bag, and check a bag, on this machine."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path

from drivecare.documents import encode
from drivecare.errors import BadInput, Refused
from drivecare.hardware.backing_drive import end_of
from drivecare.hardware.machine import Machine
from drivecare.record.port import FiledJob
from drivecare.storage import write_file
from drivecare.transfer.files.bag import BagReceipt, ForeignBag
from drivecare.transfer.files.bag_check import check_bag
from drivecare.transfer.files.bag_journal import BEGUN_SUFFIX, BegunBag
from drivecare.transfer.files.file_copy import copy_into_bag
from drivecare.transfer.medium import Watch
from drivecare.work.result_path import result_path


def copy_files_to_bag(
    source: Path, target: Path, machine: Machine, *, watch: Watch, resume: bool = False, folder: FiledJob | None = None
) -> BagReceipt:
    """Copy a folder's files and prove the copy, for a job if there is one. Raises as `copy_into_bag` does."""
    with contextlib.nullcontext() if folder is None else _noted_in_job(folder, source, target, machine):
        return copy_into_bag(
            source,
            target,
            files=machine.files(),
            clock=machine.clock,
            resume=resume,
            ends=(end_of(source, root=machine.root), end_of(target, root=machine.root)),
            watch=watch,
            job=folder.id if folder is not None else None,
        )


@contextlib.contextmanager
def _noted_in_job(folder: FiledJob, source: Path, target: Path, machine: Machine) -> Iterator[None]:
    """Note in the job that this copy was begun. The note goes with the copy's end, and where it was refused at once."""
    note = result_path(str(target.absolute()), BEGUN_SUFFIX, folder)
    is_new = not note.exists()
    if is_new:
        started = machine.clock.timestamp()
        begun = BegunBag(source=str(source.absolute()), target=str(target.absolute()), started=started)
        write_file(note, encode(begun))
    try:
        yield
    except (Refused, BadInput):
        if is_new:
            note.unlink(missing_ok=True)
        raise
    note.unlink(missing_ok=True)


def verify_bag(path: Path, machine: Machine, *, watch: Watch) -> BagReceipt | ForeignBag:
    """Check a bag whole. Raises as `check_bag` does."""
    return check_bag(machine.files(), path, at=machine.clock.timestamp(), watch=watch)
