"""One archive of a job: its results, every file of its folder, and a manifest that `sha256sum -c` reads.

Copies of the customer's data stay out unless they are asked for. They are recognised by what is known about a file, not
by its place: named by a receipt or a journal of the job, in a bag, or unlike any document of a job. So do the names of
the customer's files, and notes about the customer. Each is named.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import tarfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO

from drivecare.documents import decode, read_bytes
from drivecare.errors import DriveCareError
from drivecare.job.chain import CHAIN
from drivecare.job.contents import JobContents
from drivecare.job.customer_notes import note_contents, note_file, note_number
from drivecare.job.file_names import is_names_file
from drivecare.job.html_page import holds_names
from drivecare.job.model import Export, LeftOut
from drivecare.job.result_files import IMAGES, LIMIT_BYTES, is_result
from drivecare.storage import new_file
from drivecare.transfer.files.bag import BAG_JOURNAL, BAG_RECEIPT, BagReceipt
from drivecare.transfer.sectors.journal import Journal
from drivecare.transfer.sectors.receipt import End, Receipt

ARCHIVE_MANIFEST = "manifest-sha256.txt"
_LONG_AGO = datetime.fromtimestamp(0, UTC)


def export_job(
    contents: JobContents, output: Path, *, images: bool = False, names: bool = False, replace: bool = False
) -> Export:
    """Write a job to `output`, a gzipped tar; say what is in it, what was left out and why.

    Results and chain come from wherever they are kept, all else from the job's folder on this machine. Copies of the
    customer's data stay out unless `images`, the names of files and the notes about the customer unless `names`. The
    archive appears whole or not at all. Raises Refused if there is a file that it may not `replace`, Unavailable if the
    disk is full.
    """
    left_out: list[LeftOut] = []
    results = list(_results_to_export(contents, left_out))
    folder, beside = contents.path, []
    copies = _NamedCopies.of(results, folder)
    for number, words in note_contents(contents):
        path = note_file(folder, number)
        if names:
            results.append(_ExportedResult(name=path.name, data=words, filed_at=results[-1].filed_at))
        else:
            left_out.append(LeftOut(file=path.name, reason="a note about the customer"))
    for path in _files_beside(folder):
        if path.parent == folder and (is_names_file(path) or (path.suffix == ".html" and holds_names(path))):
            reason = None if names else "names of the customer's files"
        else:
            reason = None if images else copies.why_customers(path)
        if reason is None:
            beside.append(path)
        else:
            left_out.append(LeftOut(file=path.relative_to(folder).as_posix(), reason=reason))
    with new_file(output, replace=replace) as stream:
        files = _write_archive(folder, results, beside, stream)
    return Export(
        job=folder.name,
        path=str(output),
        files=files,
        with_images=images,
        with_names=names,
        left_out=tuple(left_out),
    )


@dataclass(frozen=True, kw_only=True)
class _ExportedResult:
    """A result, or the chain, as it goes into the archive: the same from every store."""

    name: str
    data: bytes
    filed_at: datetime


def _results_to_export(contents: JobContents, left_out: list[LeftOut]) -> Iterator[_ExportedResult]:
    """Read the chain and every result. One that cannot be read is left out, since the others may be needed."""
    filed_at = contents.files[-1].filed_at if contents.files else _LONG_AGO
    with contextlib.suppress(OSError):  # a job of 0.1.0 has no chain
        yield _ExportedResult(name=CHAIN, data=contents.fetch(contents.path / CHAIN), filed_at=filed_at)
    for file in contents.files:
        try:
            yield _ExportedResult(name=file.path.name, data=contents.data(file), filed_at=file.filed_at)
        except DriveCareError as error:
            left_out.append(LeftOut(file=file.path.name, reason=error.problem))


def _files_beside(folder: Path) -> Iterator[Path]:
    """List every other regular file but links and hidden files, without following a linked folder."""
    for place, folders, names in os.walk(folder):
        folders.sort()
        for name in sorted(names):
            path = Path(place) / name
            is_filed = Path(place) == folder and (is_result(path) or name == CHAIN or note_number(name) is not None)
            if path.is_file() and not path.is_symlink() and not name.startswith(".") and not is_filed:
                yield path


@dataclass(frozen=True, kw_only=True)
class _NamedCopies:
    """The copies that the job's receipts and journals name: images by path, or by name and size; bags by path."""

    folder: Path
    images: tuple[tuple[str, End], ...]  # what names it, the end
    bags: tuple[str, ...]

    @classmethod
    def of(cls, results: Sequence[_ExportedResult], folder: Path) -> _NamedCopies:
        images: list[tuple[str, End]] = []
        bags: list[str] = []
        for name, data in _documents(results, folder):
            copy = _decode_copy(name, data)
            if isinstance(copy, BagReceipt):
                bags.append(copy.target.path)
            elif copy is not None:
                images += [(name, end) for end in (copy.source, copy.target) if end.kind == "image"]
        return cls(folder=folder, images=tuple(images), bags=tuple(bags))

    def why_customers(self, path: Path) -> str | None:
        """Say why a file is taken for a copy of the customer's data; None if it is not."""
        inside = path.relative_to(self.folder)
        for file, end in self.images:
            if _is_image(path, end):
                return f"an image that {file} names"
        for above in path.parents[: len(inside.parts) - 1]:
            if (
                any((above / name).exists() for name in ("bagit.txt", BAG_RECEIPT, BAG_JOURNAL))
                or str(above) in self.bags
            ):
                return "a file of a bag"
        if inside.parts[0] == IMAGES:
            return "in the folder for images of the customer's drive"
        size = path.stat().st_size
        if size > LIMIT_BYTES:
            return "too large for a document of a job"
        return "a sparse file, as images are" if _has_holes(path, size) else None


def _documents(results: Sequence[_ExportedResult], folder: Path) -> Iterator[tuple[str, bytes]]:
    """Name and bytes of every result, and of every document beside them, such as a journal."""
    for result in results:
        yield result.name, result.data
    for path in _files_beside(folder):
        if path.parent == folder and path.suffix == ".json":
            with contextlib.suppress(DriveCareError):
                yield path.name, read_bytes(path)


def _decode_copy(name: str, data: bytes) -> Receipt | Journal | BagReceipt | None:
    """Decode a document that describes a copy; None if it is another document."""
    for kind in (Receipt, Journal, BagReceipt):
        with contextlib.suppress(DriveCareError):
            document = decode(kind, data, origin=name)
            assert isinstance(document, Receipt | Journal | BagReceipt)
            return document
    return None


def _is_image(path: Path, end: End) -> bool:
    """Whether a file is the one a receipt names; by name and size, should the folder have been moved since."""
    named = Path(end.path)
    try:
        if named.exists() and named.samefile(path):
            return True
    except (OSError, ValueError):  # no path can be like that
        return False
    return named.name == path.name and end.size_bytes == path.stat().st_size


def _has_holes(path: Path, size: int) -> bool:
    with path.open("rb") as stream:
        return size > 0 and os.lseek(stream.fileno(), 0, os.SEEK_HOLE) < size


def _write_archive(
    folder: Path, results: Iterable[_ExportedResult], beside: Iterable[Path], stream: BinaryIO
) -> tuple[str, ...]:
    """Read each file once, into archive and digest, so that the manifest describes what the archive holds."""
    lines: list[str] = []

    def add(archive: tarfile.TarFile, name: str, member: tarfile.TarInfo, source: io.BufferedIOBase) -> None:
        digesting = _Digesting(source)
        archive.addfile(_owned_by_nobody(member), digesting)
        lines.append(f"{digesting.digest.hexdigest()}  {name}")

    with tarfile.open(fileobj=stream, mode="w:gz") as archive:
        for result in results:
            member = tarfile.TarInfo(f"{folder.name}/{result.name}")
            member.size, member.mode, member.mtime = len(result.data), 0o600, int(result.filed_at.timestamp())
            add(archive, result.name, member, io.BytesIO(result.data))
        for path in beside:
            name = path.relative_to(folder).as_posix()
            with path.open("rb") as source:
                add(archive, name, archive.gettarinfo(path, f"{folder.name}/{name}"), source)
        manifest = "".join(f"{line}\n" for line in lines).encode()
        about = tarfile.TarInfo(f"{folder.name}/{ARCHIVE_MANIFEST}")
        about.size = len(manifest)
        archive.addfile(about, io.BytesIO(manifest))
    return tuple(line.partition("  ")[2] for line in lines)


def _owned_by_nobody(member: tarfile.TarInfo) -> tarfile.TarInfo:
    """Remove the account names of the shop."""
    member.uid = member.gid = 0
    member.uname = member.gname = ""
    return member


class _Digesting(io.RawIOBase):
    """A file that is digested while it is read."""

    def __init__(self, source: io.BufferedIOBase) -> None:
        self.source = source
        self.digest = hashlib.sha256()

    def read(self, size: int = -1) -> bytes:
        data = self.source.read(size)
        self.digest.update(data)
        return data
