"""A job as this bench last read it from the record's server: what is judged while the server is away.

The folder is one of the default store, results and chain, and is read as such.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from drivecare.clock import format_time
from drivecare.documents import decode
from drivecare.errors import DriveCareError
from drivecare.format import format_count
from drivecare.job.chain import CHAIN, DigestedFile, hex_sha256, lines_for, parse_chain
from drivecare.job.contents import JobContents
from drivecare.job.result_files import result_file_name, serial_of
from drivecare.record.job_folder import JobFolder
from drivecare.record.outbox import WaitingResult
from drivecare.storage import create_folder, write_file


@dataclass(frozen=True)
class LastRead:
    """What this bench knows of a job of a shared record, in a `folder` of its own."""

    folder: Path

    def keep(self, contents: JobContents) -> None:
        """Keep a job as it was just read. Raises DriveCareError or OSError."""
        if not self.folder.is_dir():
            create_folder(self.folder, parents=True)
        present = {path.name for path in self.folder.iterdir()}
        for file in contents.files:
            if file.path.name not in present:
                write_file(self.folder / file.path.name, contents.data(file))
        chain, lines = self.folder / CHAIN, contents.fetch(contents.path / CHAIN)
        if contents.chain is not None and (CHAIN not in present or chain.read_bytes() != lines):
            write_file(chain, lines, replace=True)
        with suppress(OSError):
            os.utime(chain)  # tells when the job was read

    def read(self, path: Path, beside: Iterable[str], waiting: tuple[WaitingResult, ...]) -> JobContents:
        """Read the job as it was last read, followed by what waits, as the job at `path`, with the names `beside` it.

        What waits gets numbers and lines for as long; the record will give it others.
        """
        former = JobFolder(path=self.folder).read() if self.folder.is_dir() else None
        results = {file.path.name: former.data(file) for file in former.files} if former is not None else {}
        chain = former.chain if former is not None else None
        last = former.files[-1].number if former is not None and former.files else 0
        lines, names = b"", []
        for number, result in enumerate(waiting, last + 1):
            data = result.read()
            names.append(result_file_name(number, result.kind, _serial(data), result.put_at))
            results[names[-1]] = data
        if former is not None and chain is not None:
            lines = former.fetch(self.folder / CHAIN)
            if chain.continuable and len(chain.links) == last:
                added = [
                    DigestedFile(number=number, file=name, digest=hex_sha256(results[name]))
                    for number, name in enumerate(names, last + 1)
                ]
                lines += lines_for(added, chain.end)
                chain = parse_chain(lines)
        content = {**results, CHAIN: lines}
        return JobContents(
            path=path,
            names=(*results, *beside),
            chain=chain,
            fetch=lambda file: content[file.name],
            away=self._describe(len(waiting)),
            waiting=frozenset(names),
        )

    def _describe(self, waiting: int) -> str:
        since = "this bench never read the job"
        with suppress(OSError):
            read_at = datetime.fromtimestamp((self.folder / CHAIN).stat().st_mtime, UTC)
            since = f"the job is as this bench had it at {format_time(read_at)}"
        return f"its server is away; {since}" + (f", and {describe_waiting(waiting)}" if waiting else "")


def describe_waiting(count: int) -> str:
    """Say how many results wait."""
    return f"{format_count(count, 'result')} {'waits' if count == 1 else 'wait'} on this bench"


def _serial(data: bytes) -> str | None:
    try:
        return serial_of(decode(dict, data, origin="document"))
    except DriveCareError:
        return None
