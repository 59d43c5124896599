"""One job of a shared record. A result and its line in the chain are one transaction: both are there, or neither.

    who files in a job              holds its lock in the database until the transaction ends
    number, name, line, token       are unique there, and a line is held to its result and to the line before it

So two benches cannot take one number or fork a chain, whatever happens between them and the server.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from drivecare.documents import decode
from drivecare.errors import BadInput
from drivecare.job.chain import CHAIN, parse_chain
from drivecare.job.contents import JobContents
from drivecare.job.result_files import IMAGES, document_kind, is_result, parse_file_name
from drivecare.reading.identity import search_names
from drivecare.reading.model import Reading
from drivecare.record.port import FiledJob
from drivecare.record.server import Server
from drivecare.risk.model import Assessment
from drivecare.storage import create_folder

_JUDGED: dict[str, type[Reading] | type[Assessment]] = {document_kind(kind): kind for kind in (Reading, Assessment)}


@dataclass(frozen=True, kw_only=True)
class SharedJob(FiledJob):
    """An existing job of the record on `server`. What is not a result lies at `path`, which need not exist."""

    server: Server

    @property
    def images(self) -> Path:
        """The folder for copies of the customer's drive on this bench, created when it is first needed."""
        folder = self.path / IMAGES
        if not folder.is_dir():
            create_folder(folder, parents=True)
        return folder

    @contextmanager
    def _locked(self, *, shared: bool = False) -> Iterator[None]:
        if shared:  # one statement reads names and chain, and sees every transaction whole or not at all
            yield
            return
        with self.server.transaction():
            self.server.rows("SELECT pg_advisory_xact_lock(hashtextextended('drivecare job ' || %s, 0))", self.id)
            yield

    def _list(self) -> JobContents:
        query = """
            SELECT chained, (SELECT array_agg(name) FROM drivecare.result WHERE job = id),
                (SELECT string_agg(line, '' ORDER BY number) FROM drivecare.line WHERE job = id)
            FROM drivecare.job WHERE id = %s
        """
        rows = self.server.rows(query, self.id)
        if not rows:
            raise no_such_job(self.id, self.server)
        ((chained, names, lines),) = rows
        lines = lines or b""
        return JobContents(
            path=self.path,
            names=(*(names or ()), *self._names_beside()),
            chain=parse_chain(lines) if chained else None,
            fetch=_Results(self.server, self.id, lines),
        )

    def _names_beside(self) -> list[str]:
        """What lies in the job's folder on this bench: journals, notes of copies, sheets."""
        try:
            return [path.name for path in self.path.iterdir() if not is_result(path)]
        except OSError:  # not made yet
            return []

    def _write(self, path: Path, data: bytes) -> None:
        file = parse_file_name(path)
        assert file is not None
        self.server.run(
            "INSERT INTO drivecare.result (job, number, name, data, token) VALUES (%s, %s, %s, %s, %s)",
            self.id, file.number, path.name, data, uuid.uuid4(),
        )  # fmt: skip
        names = [(name, self.id) for name in _names_of_drive(data, file.kind)]
        self.server.run_for_each("INSERT INTO drivecare.drive VALUES (%s, %s) ON CONFLICT DO NOTHING", names)

    def _append(self, lines: bytes, *, fragment: int = 0) -> None:  # noqa: ARG002  a transaction leaves no fragment
        rows = [(self.id, int(line.partition(b" ")[0]), line) for line in lines.splitlines(keepends=True)]
        self.server.run_for_each("INSERT INTO drivecare.line VALUES (%s, %s, %s)", rows)


class _Results:
    """The results of a job, all fetched when the first is needed: who needs one mostly needs all, and each way to the
    server takes its time. The lines of the chain are there already."""

    def __init__(self, server: Server, id: str, lines: bytes) -> None:
        self._server = server
        self._id = id
        self._lines = lines

    def __call__(self, path: Path) -> bytes:
        return self._lines if path.name == CHAIN else self._all[path.name]

    @cached_property
    def _all(self) -> dict[str, bytes]:
        return dict(self._server.rows("SELECT name, data FROM drivecare.result WHERE job = %s", self._id))


def no_such_job(id: str, server: Server) -> BadInput:
    """The error of naming a job that the record does not have."""
    hint = "See drivecare job list, or open it: drivecare job new."
    return BadInput(f"there is no job {id}", location=str(server.address), hint=hint)


def _names_of_drive(data: bytes, kind: str) -> tuple[str, ...]:
    """Every name to look a judged drive up by. One that cannot be read has none, and what reads the job says so."""
    if kind not in _JUDGED:
        return ()
    try:
        return tuple(search_names(decode(_JUDGED[kind], data, origin=kind).drive))
    except BadInput:
        return ()
