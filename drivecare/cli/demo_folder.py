"""The demo's folder: cleared and made again only if it holds nothing but an earlier demo's own files, unchanged."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from pathlib import Path

from drivecare.errors import BadInput, Refused
from drivecare.format import join_some
from drivecare.storage import create_folder, write_file

# The list of what a demo made, as `sha256sum -c` reads it. A demo that was interrupted leaves none.
DEMO_MANIFEST = ".drivecare-demo"


def prepare_folder(folder: Path) -> Path:
    """Make an empty folder. Raises Refused if that would delete what no demo made, BadInput for a file."""
    folder = folder.absolute()
    if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
        raise BadInput("is a file or a link", location=str(folder), hint="Name a new folder: drivecare demo DIR")
    if folder.is_dir():
        foreign = sorted(path.relative_to(folder).as_posix() for path in _foreign_files(folder))
        if foreign:
            raise Refused(
                f"holds files that no demo made, or that were changed since: {join_some(foreign, 3)}",
                guard="not-the-demos",
                location=str(folder),
                hint="Nothing was deleted. Name a new folder: drivecare demo DIR",
            )
        _remove_checked_folder(folder)
    create_folder(folder, parents=True)
    return folder


def sign_folder(folder: Path) -> None:
    """Record what the finished demo's folder holds, so that the next demo may replace exactly that."""
    lines = (f"{_file_digest(path)}  {path.relative_to(folder).as_posix()}\n" for path in _files_below(folder))
    write_file(folder / DEMO_MANIFEST, "".join(lines).encode())


def _remove_checked_folder(folder: Path) -> None:
    """Remove the folder that was checked. A folder that has gained a file since then stays."""
    for path in list(_files_below(folder)):
        path.unlink()
    for place, _, _ in os.walk(folder, topdown=False):
        Path(place).rmdir()


def _foreign_files(folder: Path) -> Iterator[Path]:
    signed = _read_manifest(folder / DEMO_MANIFEST)
    for path in _files_below(folder):
        name = path.relative_to(folder).as_posix()
        if name != DEMO_MANIFEST and (
            path.is_symlink() or not path.is_file() or signed.get(name) != _file_digest(path)
        ):
            yield path
    for place, folders, names in os.walk(folder):
        if not folders and not names and Path(place) != folder:
            yield Path(place)  # a demo leaves no empty folder


def _files_below(folder: Path) -> Iterator[Path]:
    """Everything below a folder except folders; links to folders count as files."""
    return (path for path in sorted(folder.rglob("*")) if path.is_symlink() or not path.is_dir())


def _read_manifest(path: Path) -> dict[str, str]:
    if path.is_symlink() or not path.is_file():
        return {}
    lines = path.read_text("utf-8", errors="replace").splitlines()
    return {name: digest for digest, _, name in (line.partition("  ") for line in lines)}


def _file_digest(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
