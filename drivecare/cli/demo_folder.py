"""The demo's folder: made anew only where nothing but an earlier demo's own files, unchanged, lies in it."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from pathlib import Path

from drivecare.errors import BadInput, Refused
from drivecare.format import join_some
from drivecare.storage import create_folder, write_file

# The list of what a demo made, as `sha256sum -c` reads it. A demo that did not come to its end leaves none.
MANIFEST = ".drivecare-demo"


def prepare(folder: Path) -> Path:
    """An empty folder at this path. Raises Refused where that would delete what no demo made, BadInput for a file."""
    folder = folder.absolute()
    if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
        raise BadInput("is a file or a link", location=str(folder), hint="Name a new folder: drivecare demo DIR")
    if folder.is_dir():
        foreign = sorted(path.relative_to(folder).as_posix() for path in _not_of_the_demo(folder))
        if foreign:
            raise Refused(
                f"holds what no demo made, or what was changed since: {join_some(foreign, 3)}",
                guard="not-the-demos",
                location=str(folder),
                hint="Nothing was deleted. Name a new folder: drivecare demo DIR",
            )
        _clear(folder)
    create_folder(folder, parents=True)
    return folder


def sign(folder: Path) -> None:
    """Write down what lies in the finished demo's folder, so that the next demo may replace just that."""
    lines = (f"{_sha256(path)}  {path.relative_to(folder).as_posix()}\n" for path in _files(folder))
    write_file(folder / MANIFEST, "".join(lines).encode())


def _clear(folder: Path) -> None:
    """Remove the folder that was looked through. One in which something came to lie since stays."""
    for path in list(_files(folder)):
        path.unlink()
    for place, _, _ in os.walk(folder, topdown=False):
        Path(place).rmdir()


def _not_of_the_demo(folder: Path) -> Iterator[Path]:
    signed = _read_manifest(folder / MANIFEST)
    for path in _files(folder):
        name = path.relative_to(folder).as_posix()
        if name != MANIFEST and (path.is_symlink() or not path.is_file() or signed.get(name) != _sha256(path)):
            yield path
    for place, folders, names in os.walk(folder):
        if not folders and not names and Path(place) != folder:
            yield Path(place)  # the demo leaves no empty folder


def _files(folder: Path) -> Iterator[Path]:
    """Everything below a folder that is no folder itself, links to folders too."""
    return (path for path in sorted(folder.rglob("*")) if path.is_symlink() or not path.is_dir())


def _read_manifest(path: Path) -> dict[str, str]:
    if path.is_symlink() or not path.is_file():
        return {}
    lines = path.read_text("utf-8", errors="replace").splitlines()
    return {name: digest for digest, _, name in (line.partition("  ") for line in lines)}


def _sha256(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
