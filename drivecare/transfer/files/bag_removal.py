"""Remove a bag: exactly the files, links and folders that its copy made, and nothing that was put beside them since.

What belongs to the bag is what its manifests and its list of entries name. Every step starts at the descriptor of a
folder opened without following links, so nothing outside the bag is reached, whatever is in it by now.
"""

from __future__ import annotations

import contextlib
import errno
import os
import stat
from collections.abc import Iterator
from pathlib import Path

from drivecare.documents import Value, decode
from drivecare.errors import BadInput, DriveCareError, Unavailable
from drivecare.transfer.files import bag
from drivecare.transfer.files.bag import BagReceipt
from drivecare.transfer.files.bag_check import read_tag_file
from drivecare.transfer.files.file_system import FileSystem, Folder, WrongKind

_LIMIT_BYTES = 1 << 32
# Manifest and receipt go last, so that a removal that was cut short can be done again.
_TAG_FILES = (
    bag.BAG_JOURNAL,
    bag.TAG_MANIFEST,
    "bag-info.txt",
    "bagit.txt",
    bag.ENTRY_LIST,
    bag.PAYLOAD_MANIFEST,
    bag.BAG_RECEIPT,
)
# What is gone, is something else by now (a link on the way is ELOOP, too), or is not empty is left as it is.
_LEFT_ALONE = (errno.ENOENT, errno.ENOTDIR, errno.ELOOP, errno.ENOTEMPTY, errno.EEXIST)


class ListedEntry(Value, frozen=True, kw_only=True):
    """The part of a line in the list of entries that removal needs: see `metadata.entry_line`."""

    stored: str
    shape: str


def why_another_bag(files: FileSystem, path: Path, receipt: BagReceipt) -> str | None:
    """Why `path` is not the bag of this receipt; None where it is."""
    try:
        with files.hold(path) as folder:
            manifest = read_tag_file(folder, bag.PAYLOAD_MANIFEST, limit_bytes=_LIMIT_BYTES)
            document = read_tag_file(folder, bag.BAG_RECEIPT, limit_bytes=_LIMIT_BYTES)
        present = decode(BagReceipt, document, origin=str(path / bag.BAG_RECEIPT))
    except (WrongKind, FileNotFoundError, NotADirectoryError):
        return "is not a folder"
    except (OSError, DriveCareError):
        return "holds no bag of drivecare any more"
    if bag.sha256_hex(manifest) != receipt.manifest_sha256 or present.started != receipt.started:
        return "holds another bag than the one this job made"
    return None


def remove_bag(files: FileSystem, path: Path) -> tuple[str, ...]:
    """Remove the bag durably and return what was left there, by its path in the bag: files that are not the bag's.

    Raises BadInput where the bag cannot be read, Unavailable where something cannot be removed.
    """
    try:
        with files.hold(path) as folder:
            strangers = _remove_contents(folder)
        if not strangers:
            files.remove_folder(path)
    except OSError as error:
        raise Unavailable(f"cannot be removed: {error.strerror}", location=str(path)) from error
    return strangers


def _remove_contents(folder: Folder) -> tuple[str, ...]:
    """Remove the bag's own entries; return the others."""
    listing = read_tag_file(folder, bag.PAYLOAD_MANIFEST, limit_bytes=_LIMIT_BYTES)
    origin = str(folder.path / bag.PAYLOAD_MANIFEST)
    payload = list(map(os.fsencode, bag.parse_payload_manifest(listing, origin=origin)))
    links, folders = _read_entry_list(folder)
    for path in payload:  # the list of entries lacks folders that only an earlier session of the copy met
        while path := path.rpartition(b"/")[0]:
            folders.add(path)
    for path in sorted(folders):
        _make_writable(folder, path)
    for path in (*payload, *links):
        _remove_name(folder, path)
    for path in sorted(folders, key=lambda path: path.count(b"/"), reverse=True):
        with _leaving_others_alone():
            folder.remove_folder(path)
    for name in _TAG_FILES:
        _remove_name(folder, os.fsencode(name))
    strangers = (path for path, info in folder.walk(b"") if isinstance(info, OSError) or not stat.S_ISDIR(info.st_mode))
    return tuple(sorted(map(bag.display_path, strangers)))


def _read_entry_list(folder: Folder) -> tuple[list[bytes], set[bytes]]:
    """Links and folders of the payload, as they are stored."""
    links: list[bytes] = []
    folders = {b"data"}
    location = str(folder.path / bag.ENTRY_LIST)
    if os.fsencode(bag.ENTRY_LIST) not in folder.names(b""):  # a removal that was cut short had come this far
        return links, folders
    for number, line in enumerate(read_tag_file(folder, bag.ENTRY_LIST, limit_bytes=_LIMIT_BYTES).splitlines(), 1):
        try:
            entry = decode(ListedEntry, line, origin=location)
            path = os.fsencode(f"data/{entry.stored}")
        except (BadInput, UnicodeEncodeError) as error:
            raise BadInput(f"line {number:,} is not an entry of a bag", location=location) from error
        if not {b"", b".", b".."}.isdisjoint(path.split(b"/")) or b"\0" in path:
            raise BadInput(f"line {number:,} names a path outside the bag", location=location)
        if entry.shape == "symlink":
            links.append(path)
        elif entry.shape == "folder":
            folders.add(path)
    return links, folders


@contextlib.contextmanager
def _leaving_others_alone() -> Iterator[None]:
    try:
        yield
    except OSError as error:
        if error.errno not in _LEFT_ALONE:
            raise


def _remove_name(folder: Folder, path: bytes) -> None:
    """Remove a name that is not a folder's."""
    with _leaving_others_alone():
        if not stat.S_ISDIR(folder.status(path).st_mode):
            folder.remove(path)


def _make_writable(folder: Folder, path: bytes) -> None:
    """Folders keep the mode they had on the customer's drive, and may be write-protected."""
    with contextlib.suppress(OSError), folder.open_folder(path) as inner:
        inner.set_mode(0o700)
