"""Names of files go along where their receipt is moved to another job."""

from __future__ import annotations

from collections.abc import Sequence

from drivecare.job.contents import JobContents
from drivecare.job.file_names import find_names
from drivecare.job.result_files import ResultFile
from drivecare.record.port import FiledJob
from drivecare.storage import remove_file
from drivecare.transfer.sectors.receipt import Receipt


def take_names_along(job: FiledJob, contents: JobContents, files: Sequence[ResultFile], to: FiledJob) -> None:
    """Keep the names in the other job, where the receipts are filed, and remove them here.

    They stay here as well where another result of this job tells of them.
    """
    receipts, receipts_there = contents.documents(Receipt), to.read().documents(Receipt)
    moved = {file.path.name for file in files}
    staying = [filed.document.names for filed in receipts if filed.name not in moved]
    for filed in receipts:
        apart = filed.document.names
        number = next((other.number for other in receipts_there if other.document.names == apart), None)
        place = find_names(job.path, apart) if apart is not None and filed.name in moved else None
        if apart is None or place is None or number is None:
            continue
        path, names = place
        to.keep_names(f"{number:04}", names)
        if apart not in staying and find_names(to.path, apart) is not None:
            remove_file(path)
