"""One archive of a job: every file of its folder and a manifest that `sha256sum -c` reads."""

from __future__ import annotations

import hashlib
import io
import tarfile
from pathlib import Path
from typing import BinaryIO

from drivecare.job.folder import IMAGES, JobFolder
from drivecare.storage import new_file

MANIFEST = "manifest-sha256.txt"


def export(job: JobFolder, output: Path, *, images: bool = False, replace: bool = False) -> tuple[str, ...]:
    """Write the job to `output`, a gzipped tar, and return the names inside.

    Copies of the customer's drive stay out unless `images`. The archive appears whole or not at all. Raises Refused
    where a file lies there that it may not `replace`, Unavailable where the disk is full.
    """
    with new_file(output, replace=replace) as stream:
        return tuple(_write(job, stream, images=images))


def _write(job: JobFolder, stream: BinaryIO, *, images: bool) -> list[str]:
    """Each file goes in and into the digest in one read, so that the manifest is of what the archive holds."""
    lines: list[str] = []
    with tarfile.open(fileobj=stream, mode="w:gz") as archive:
        for path in sorted(job.path.rglob("*")):
            name = path.relative_to(job.path).as_posix()
            customers = name.startswith(f"{IMAGES}/")
            if path.is_symlink() or not path.is_file() or path.name.startswith(".") or (customers and not images):
                continue
            with path.open("rb") as source:
                digesting = _Digesting(source)
                archive.addfile(_owned_by_nobody(archive.gettarinfo(path, f"{job.id}/{name}")), digesting)
            lines.append(f"{digesting.digest.hexdigest()}  {name}")
        manifest = "".join(f"{line}\n" for line in lines).encode()
        about = tarfile.TarInfo(f"{job.id}/{MANIFEST}")
        about.size = len(manifest)
        archive.addfile(about, io.BytesIO(manifest))
    return [line.partition("  ")[2] for line in lines]


def _owned_by_nobody(member: tarfile.TarInfo) -> tarfile.TarInfo:
    """Account names of the shop stay in the shop."""
    member.uid = member.gid = 0
    member.uname = member.gname = ""
    return member


class _Digesting(io.RawIOBase):
    """A file that is digested while it is read."""

    def __init__(self, source: io.BufferedReader) -> None:
        self.source = source
        self.digest = hashlib.sha256()

    def read(self, size: int = -1) -> bytes:
        data = self.source.read(size)
        self.digest.update(data)
        return data
