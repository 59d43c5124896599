"""What a job holds: each result read once, as a document and as the chain knows it."""

from __future__ import annotations

import errno
import hashlib
from collections.abc import Callable, Container, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import Any, Generic, TypeVar

from drivecare.documents import Value, decode
from drivecare.errors import BadInput, DriveCareError, Unavailable
from drivecare.job.chain import CHAIN, Audit, Chain, DigestedFile, Fault, audit_results, missing_numbers
from drivecare.job.model import Change, Closing, FiledBy, Opening, Withdrawal
from drivecare.job.result_files import ResultFile, document_kind, is_misnamed, parse_file_name
from drivecare.storage import describe_read_error

DocumentT = TypeVar("DocumentT", bound=Value)


@dataclass(frozen=True, kw_only=True)
class FiledDocument(Generic[DocumentT]):
    """A document of a job and the file that holds it."""

    file: ResultFile
    document: DocumentT

    @property
    def number(self) -> int:
        """Its number in the job: the higher, the later it was filed."""
        return self.file.number

    @property
    def filed_at(self) -> datetime:
        """When it was filed."""
        return self.file.filed_at

    @property
    def name(self) -> str:
        """The name of its file."""
        return self.file.path.name


class _Stamp(Value, frozen=True, kw_only=True):
    """What a result says about its filing. Before there were benches, `by` alone stood in what a person recorded."""

    filed: FiledBy | None = None
    by: str | None = None


def newest_of(documents: Sequence[FiledDocument[DocumentT]]) -> FiledDocument[DocumentT] | None:
    """Return the last of these documents, None if there are none."""
    return documents[-1] if documents else None


@dataclass(frozen=True, kw_only=True)
class JobContents:
    """A job at one moment: its names and its chain are taken together. A result never changes once it is filed, so each
    is read when it is first needed, and only once.

    `names` are those of its results, and of what lies in the job's folder on this machine: journals, notes of copies.
    `fetch` reads one result, or the chain, from wherever it is kept and raises OSError. `away` says why these are not
    what the record holds: its server could not be asked, and `waiting` are the names of results that wait for it, which
    the record will name otherwise; or, with `waiting` None, results wait although it was asked.
    """

    path: Path
    names: tuple[str, ...]
    chain: Chain | None
    fetch: Callable[[Path], bytes]
    away: str | None = None
    waiting: frozenset[str] | None = None
    _read: dict[str, bytes | OSError] = field(default_factory=dict, init=False, repr=False, compare=False)
    _documents: dict[type[Value], list[tuple[ResultFile, Any]]] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )

    @cached_property
    def files(self) -> tuple[ResultFile, ...]:
        """Every result in the order of filing, from the names alone."""
        files = (parse_file_name(self.path / name) for name in self.names)
        return tuple(
            sorted((file for file in files if file is not None), key=lambda file: (file.number, file.path.name))
        )

    def data(self, file: ResultFile) -> bytes:
        """Read a result. Raises BadInput if it is not a regular file, Unavailable if it cannot be read."""
        data = self._bytes_or_error(file)
        if isinstance(data, bytes):
            return data
        if data.errno in (errno.ELOOP, errno.EINVAL, errno.EFBIG, errno.ENOENT):
            raise BadInput(describe_read_error(data), location=str(file.path)) from data
        raise Unavailable(describe_read_error(data), location=str(file.path), hint="Check its permissions.") from data

    def documents(
        self, kind: type[DocumentT], *, doubtful: Container[str] = ()
    ) -> tuple[FiledDocument[DocumentT], ...]:
        """Decode the documents of one type that count, in the order of filing: those that nobody withdrew.

        Raises BadInput naming a file that is malformed. One that is `doubtful`, because the audit names it, is left
        out instead.
        """
        withdrawals = self.withdrawals(doubtful)
        return tuple(filed for filed in self._decoded(kind, doubtful) if filed.name not in withdrawals)

    def withdrawn_documents(
        self, kind: type[DocumentT], *, doubtful: Container[str] = ()
    ) -> tuple[FiledDocument[DocumentT], ...]:
        """Decode the documents of one type that were withdrawn. What they did to a drive or a disk was done."""
        withdrawals = self.withdrawals(doubtful)
        return tuple(filed for filed in self._decoded(kind, doubtful) if filed.name in withdrawals)

    def withdrawals(self, doubtful: Container[str] = ()) -> dict[str, FiledDocument[Withdrawal]]:
        """Pair the name of every result that no longer counts with the entry that withdrew it."""
        withdrawals: dict[str, FiledDocument[Withdrawal]] = {}
        # Newest first, so that whether an entry was itself withdrawn is known before it is obeyed.
        for entry in reversed(self._decoded(Withdrawal, doubtful)):
            if entry.name not in withdrawals:
                withdrawals.update(dict.fromkeys(entry.document.files, entry))
        return withdrawals

    def _decoded(self, kind: type[DocumentT], doubtful: Container[str]) -> tuple[FiledDocument[DocumentT], ...]:
        if kind not in self._documents:
            name = document_kind(kind)
            self._documents[kind] = [(file, self._decode(kind, file)) for file in self.files if file.kind == name]
        documents: list[FiledDocument[DocumentT]] = []
        for file, document in self._documents[kind]:
            if not isinstance(document, BadInput):
                documents.append(FiledDocument(file=file, document=document))
            elif file.path.name not in doubtful:
                raise document
        return tuple(documents)

    def _decode(self, kind: type[DocumentT], file: ResultFile) -> DocumentT | BadInput:
        try:
            return decode(kind, self.data(file), origin=str(file.path))
        except BadInput as error:
            return error

    def opening(self, *, doubtful: Container[str] = ()) -> Opening:
        """Return what the job was opened with, as it was changed since."""
        filed = newest_of(self.documents(Opening))
        if filed is None:
            problem = "has no opening of a job" + (f": {self.away}" if self.away is not None else "")
            raise BadInput(problem, location=str(self.path), hint="See drivecare job list.")
        opening = filed.document
        for change in self.documents(Change, doubtful=doubtful):
            opening = change.document.apply_to(opening)
        return opening

    def closing(self, *, doubtful: Container[str] = ()) -> FiledDocument[Closing] | None:
        """Return how the job ended; None while it is open or open again."""
        return newest_of(self.documents(Closing, doubtful=doubtful))

    def filed_by(self, file: ResultFile) -> FiledBy | None:
        """Say who filed a result, and where; None where it does not say, or cannot be read."""
        try:
            stamp = decode(_Stamp, self.data(file), origin=str(file.path))
        except DriveCareError:
            return None
        return stamp.filed or (FiledBy(by=stamp.by) if stamp.by else None)

    def digested(self, file: ResultFile) -> DigestedFile:
        """Describe a result as the chain sees it."""
        data = self._bytes_or_error(file)
        if isinstance(data, OSError):
            return DigestedFile(number=file.number, file=file.path.name, fault=describe_read_error(data))
        return DigestedFile(number=file.number, file=file.path.name, digest=hashlib.sha256(data).hexdigest())

    def audit(self, *, digests: bool = True) -> Audit:
        """Compare the results with the chain: by their names, and by what they hold where `digests` are asked for."""
        misnamed = [
            Fault(file=ascii(name)[1:-1], problem="is named like a result, but with an impossible number or time")
            for name in sorted({*self.names} - {file.path.name for file in self.files})
            if is_misnamed(name)
        ]
        if self.chain is not None:
            results = [
                self.digested(file) if digests else DigestedFile(number=file.number, file=file.path.name)
                for file in self.files
            ]
            audit = audit_results(self.chain, results)
            return replace(audit, faults=(*audit.faults, *misnamed))
        if self.opening().tool_version is not None:
            return Audit(faults=(Fault(file=CHAIN, problem="is missing: the job was opened with one"), *misnamed))
        missing = [
            Fault(
                file=f"{first:04}" if first == last else f"{first:04} to {last:04}", problem="once filed and now gone"
            )
            for first, last in missing_numbers(file.number for file in self.files)
        ]
        return Audit(chained=False, faults=(*missing, *misnamed))

    def _bytes_or_error(self, file: ResultFile) -> bytes | OSError:
        name = file.path.name
        # Kept for the whole command: the same bytes are digested for the audit, decoded as documents and told in order,
        # so that all three speak of one content, whatever happens to the file meanwhile.
        if name not in self._read:
            try:
                self._read[name] = self.fetch(file.path)
            except OSError as error:
                self._read[name] = error
        return self._read[name]
