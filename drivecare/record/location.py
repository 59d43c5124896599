"""Where a shop keeps its own things: the jobs, with the store that keeps them there, and its stock list."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from drivecare.invoking_user import configuration_folder, data_folder
from drivecare.record.address import ServerAddress, is_server_address, parse_address

if TYPE_CHECKING:
    from drivecare.job.model import FiledBy
    from drivecare.record.port import Record


Place = Path | ServerAddress
"""Where all jobs are: a folder, or a record that several benches share."""


def open_record(
    jobs: Place | None, *, notify: Callable[[str], None] = lambda _: None, filed_by: FiledBy | None = None
) -> Record:
    """Open the record of all jobs that the person means. `notify` is called with sentences for the person.

    `filed_by` is that person, at this bench.
    """
    place = jobs_place(None) if jobs is None else jobs
    # Each store is loaded where it is used; who names no job only asks for the place.
    if isinstance(place, ServerAddress):
        from drivecare.record.server import Server
        from drivecare.record.shared import SharedRecord

        folder = bench_folder(place)
        return SharedRecord(server=Server(address=place), folder=folder, notify=notify, filed_by=filed_by)
    from drivecare.record.folder import FolderRecord

    return FolderRecord(root=place, notify=notify, filed_by=filed_by)


def jobs_place(jobs: str | None, *, environ: Mapping[str, str] = os.environ) -> Place:
    """Find where the jobs are: as named, else $DRIVECARE_JOBS, else `jobs` in the invoking user's data folder.

    Raises BadAddress for the address of a server that cannot be used.
    """
    named = jobs if jobs is not None else environ.get("DRIVECARE_JOBS")
    if named and is_server_address(named):
        return parse_address(named)
    return Path(named) if named else data_folder(environ=environ) / "jobs"


def bench_folder(address: ServerAddress, *, environ: Mapping[str, str] = os.environ) -> Path:
    """Find the folder in which this bench keeps what is not in the shared record: images, journals, sheets."""
    return data_folder(environ=environ) / "shared" / address.folder_name


def shop_stock(environ: Mapping[str, str] = os.environ) -> Path | None:
    """Find the shop's stock list: $DRIVECARE_STOCK, else `stock.csv` in the configuration folder, if it is there."""
    named = environ.get("DRIVECARE_STOCK")
    path = Path(named) if named else configuration_folder(environ=environ) / "stock.csv"
    return path if named or path.is_file() else None
