"""Remove a bag: exactly the files, links and folders that its copy made, and nothing that came to lie beside them.

What belongs to the bag is what its manifests and its list of entries name. Every step goes by the descriptor of a
folder opened without following links, so that nothing outside the bag is reached whatever lies in it by now.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import stat
from collections.abc import Iterator
from pathlib import Path

from drivecare.documents import decode, read_bytes
from drivecare.errors import BadInput, DriveCareError, Unavailable
from drivecare.storage import sync_folder
from drivecare.transfer import bag
from drivecare.transfer.bag import BagReceipt

_LIMIT_BYTES = 1 << 32
_TAG_FILES = (bag.JOURNAL, bag.TAG_MANIFEST, "bag-info.txt", "bagit.txt", bag.ENTRIES, bag.MANIFEST, bag.RECEIPT)
_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC


def why_another_bag(folder: Path, receipt: BagReceipt) -> str | None:
    """Why what lies at `folder` is not the bag of this receipt; None where it is."""
    if folder.is_symlink() or not folder.is_dir():
        return "is not a folder"
    try:
        manifest = _read(folder, bag.MANIFEST)
        own = decode(BagReceipt, _read(folder, bag.RECEIPT), origin=str(folder / bag.RECEIPT))
    except DriveCareError:
        return "holds no bag of drivecare any more"
    if bag.sha256(manifest) != receipt.manifest_sha256 or own.started != receipt.started:
        return "holds another bag than the one this job made"
    return None


def remove_bag(folder: Path) -> tuple[str, ...]:
    """Remove the bag durably and return what was left there, by its path in the bag: files that are not the bag's.

    Manifest and receipt go last, so that a removal that was cut short can be done again. Raises BadInput where the bag
    cannot be read, Unavailable where something cannot be removed.
    """
    try:
        payload = list(bag.parse_manifest(_read(folder, bag.MANIFEST), origin=str(folder)))
        links, folders = _entries(folder)
        with _opened(folder) as top:
            for path in sorted(folders):
                _make_writable(top, path)
            for path in (*payload, *links):
                _remove(top, path, folder_too=False)
            for path in sorted(folders, key=lambda path: path.count("/"), reverse=True):
                _remove(top, path, folder_too=True)
            for name in _TAG_FILES:
                _remove(top, name, folder_too=False)
        left = tuple(sorted(_files_below(folder)))
        if not left:
            with contextlib.suppress(OSError):  # the root of a mounted drive stays
                folder.rmdir()
        sync_folder(folder.parent)
    except OSError as error:
        raise Unavailable(f"cannot be removed: {error.strerror}", where=str(folder)) from error
    return left


def _entries(folder: Path) -> tuple[list[str], list[str]]:
    """Links and folders of the payload, as they are stored."""
    links: list[str] = []
    folders = ["data"]
    path = folder / bag.ENTRIES
    if not path.exists():  # a removal that was cut short had come so far
        return links, folders
    for number, line in enumerate(_read(folder, bag.ENTRIES).splitlines(), 1):
        try:
            entry = json.loads(line)
            stored, shape = f"data/{entry['stored']}", entry["shape"]
        except (ValueError, KeyError, TypeError, RecursionError) as error:
            raise BadInput(f"line {number:,} is not an entry of a bag", where=str(path)) from error
        if ".." in stored.split("/"):
            raise BadInput(f"line {number:,} names a path outside the bag", where=str(path))
        if shape == "symlink":
            links.append(stored)
        elif shape == "folder":
            folders.append(stored)
    return links, folders


def _remove(top: int, path: str, *, folder_too: bool) -> None:
    """Remove one name below the folder `top`. What is gone, another thing by now, or not empty is left as it is."""
    *above, name = path.split("/")
    with contextlib.ExitStack() as opened:
        place = top
        try:
            for part in above:
                place = os.open(part, _FOLDER, dir_fd=place)
                opened.callback(os.close, place)
            is_folder = stat.S_ISDIR(os.lstat(name, dir_fd=place).st_mode)
            if is_folder and folder_too:
                os.rmdir(name, dir_fd=place)
            elif not is_folder and not folder_too:
                os.unlink(name, dir_fd=place)
        except OSError as error:
            if error.errno not in (errno.ENOENT, errno.ENOTDIR, errno.ELOOP, errno.ENOTEMPTY, errno.EEXIST):
                raise


def _make_writable(top: int, path: str) -> None:
    """Folders keep the mode they had on the customer's drive, and may be write-protected."""
    with contextlib.ExitStack() as opened, contextlib.suppress(OSError):
        place = top
        for part in path.split("/"):
            place = os.open(part, _FOLDER, dir_fd=place)
            opened.callback(os.close, place)
        os.fchmod(place, 0o700)


def _read(folder: Path, name: str) -> bytes:
    if (folder / name).is_symlink():
        raise BadInput("is a link, not a file of the bag", where=str(folder / name))
    return read_bytes(folder / name, limit_bytes=_LIMIT_BYTES)


@contextlib.contextmanager
def _opened(folder: Path) -> Iterator[int]:
    descriptor = os.open(folder, _FOLDER)
    try:
        yield descriptor
    finally:
        os.close(descriptor)


def _files_below(folder: Path) -> Iterator[str]:
    for place, folders, names in os.walk(folder):
        linked = [name for name in folders if (Path(place) / name).is_symlink()]
        for name in (*names, *linked):
            yield bag.shown(os.fsencode((Path(place) / name).relative_to(folder)))
